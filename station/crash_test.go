package station

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"sync"
	"testing"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// crashDir tells a child process of this test binary to log builds until it is
// killed.
const crashDir = "SAMECUP_TEST_CRASH_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(crashDir); dir != "" {
		work := logUntilKilled
		if n, err := strconv.ParseInt(os.Getenv(killAt), 10, 64); err == nil {
			work = func(dir string) error { return logAndDie(dir, n) }
		}
		if err := work(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// logUntilKilled prints each build id after its answer.
func logUntilKilled(dir string) error {
	a, err := Open(context.Background(), Config{Dir: dir})
	if err != nil {
		return err
	}
	var mu sync.Mutex
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for {
				b := build()
				if _, err := a.LogBuild(context.Background(), &pb.LogBuildRequest{Build: b}); err != nil {
					fmt.Fprintln(os.Stderr, err)
					return
				}
				mu.Lock()
				fmt.Println(b.GetId())
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	return nil
}

func TestKilledAtAnyMoment(t *testing.T) {
	dir := t.TempDir()
	enrolled(t, dir, "")
	a := open(t, Config{Dir: dir})
	give(t, a, sign(t, 1, "chain", opening, 26_000))
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	acknowledged := make(map[string]bool)
	for round := range 6 {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), crashDir+"="+dir)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			if len(lines.Text()) == 36 {
				acknowledged[lines.Text()] = true
			}
			// A prime, so that the rounds end at unlike points of a batch.
			if n == 37*(round+1) {
				if err := cmd.Process.Kill(); err != nil {
					t.Fatal(err)
				}
			}
		}
		_ = cmd.Wait()

		b, err := Open(t.Context(), Config{Dir: dir})
		if err != nil {
			t.Fatal(err)
		}
		raws, ids := stored(t, b)
		checkChain(t, raws)
		for id := range acknowledged {
			if !ids[id] {
				t.Errorf("round %d: build %s was acknowledged and is lost", round, id)
			}
		}
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if len(acknowledged) < 6*37 {
		t.Fatalf("only %d builds were acknowledged", len(acknowledged))
	}
}
