package fanout
import ("testing";"os";"samecup.example/samecup/internal/bench")
func TestZZ(t *testing.T){ rows,err:=Measure(t.Context(),1000,bench.Options{Rounds:3,Progress:os.Stderr}); if err!=nil{t.Fatal(err)}; bench.WriteTable(os.Stderr,rows)}
