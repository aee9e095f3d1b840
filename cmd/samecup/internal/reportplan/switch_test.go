package reportplan

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/stat"
)

func TestLettersFollowTheSeverity(t *testing.T) {
	for _, c := range []struct {
		letters string
		next    stat.Severity
		words   string
	}{
		{"raaar", stat.SeverityTightened, "After lot 5: from normal to tightened."},
		{"aaaaaaaaaa", stat.SeverityNormal, "The lots allow reduced inspection"},
		{"aaaaaaaaaas", stat.SeverityReduced, "n            10 lots"},
		{"aaaaaaaaaasu", stat.SeverityNormal, "As was stated (irregular): from reduced to normal."},
		{"aaaaaaaaaasb", stat.SeverityNormal, "After lot 11: from reduced to normal."},
		{"rrrrrrr", stat.SeverityDiscontinued, "an i in --outcomes"},
		{"rrrrrrri", stat.SeverityTightened, "As was stated (improved): from discontinued to tightened."},
		{"rrrrrrriaaaaa", stat.SeverityNormal, "After lot 12: from tightened to normal."},
	} {
		r, err := Switch(Question{Outcomes: c.letters})
		if err != nil {
			t.Errorf("%s: %v", c.letters, err)
			continue
		}
		if r.Switch.Next != c.next || !strings.Contains(r.String(), c.words) {
			t.Errorf("%s: next %s, want %s and %q in\n%s", c.letters, r.Switch.Next, c.next, c.words, r)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Error(err)
		}
	}
	for letters, want := range map[string]string{
		"":          "1 to 10000",
		"ax":        "place 2",
		"ab":        "reduced; only there",
		"as":        "at least 10",
		"ai":        "nothing to resume",
		"rrrrrrra":  "no lot before the cause is put right",
		"rrrrrrris": "before reduced inspection can start",
	} {
		if _, err := Switch(Question{Outcomes: letters}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want words with %q", letters, err, want)
		}
	}
}

func lots(file string) (*Report, error) {
	return Lots(Question{OutcomesFile: "-", TableAQL: 1, Level: 2}, strings.NewReader(file))
}

// The published example of the switching score (see the test of stat.Switching),
// from a file.
func TestAFileKeepsTheSwitchingScore(t *testing.T) {
	var b strings.Builder
	b.WriteString("Size,Bad\n")
	for _, bad := range []int{1, 2, 1, 1, 2, 1, 1, 1, 0, 1, 1, 0, 1, 0, 1} {
		fmt.Fprintf(&b, "1000,%d\n", bad)
	}
	r, err := lots(b.String())
	if err != nil {
		t.Fatal(err)
	}
	var scores []int
	for _, l := range r.Switch.Lots {
		scores = append(scores, l.Score)
	}
	if diff := cmp.Diff([]int{3, 0, 3, 6, 0, 3, 6, 9, 12, 15, 18, 21, 24, 27, 30}, scores); diff != "" {
		t.Error(diff)
	}
	for _, want := range []string{"n            15 lots, 1200 drinks checked, 14 bad", "The score allows reduced inspection", "check 80 drinks, accept with at most 2 bad, reject from 3"} {
		if !strings.Contains(r.String(), want) {
			t.Errorf("no %q in\n%s", want, r)
		}
	}
	if !r.Switch.MayReduce || r.Switch.Plan == nil || r.Switch.Plan.N != 80 {
		t.Errorf("%+v", r.Switch)
	}
}

func TestAFileResumesAfterAnImprovement(t *testing.T) {
	const stopped = "lot,size,bad,event,by,note\n" +
		"1,1000,3,,,\n2,1000,3,,,\n3,1000,2,,,\n4,1000,2,,,\n5,1000,2,,,\n6,1000,2,,,\n7,1000,2,,,\n"
	r, err := lots(stopped)
	if err != nil || r.Switch.Next != stat.SeverityDiscontinued || r.Switch.Plan != nil || !strings.Contains(r.String(), "a row with the event improved") {
		t.Fatalf("%v\n%s", err, r)
	}
	r, err = lots(stopped + ",,,improved,Mara Quell,filter renewed\n8,1000,0,,,\n")
	if err != nil || r.Switch.Next != stat.SeverityTightened ||
		!strings.Contains(r.String(), "As Mara Quell stated (improved: filter renewed): from discontinued to tightened.") {
		t.Fatalf("%v\n%s", err, r)
	}
	for name, c := range map[string]struct{ file, want string }{
		"a lot before it":        {stopped + "8,1000,0,,,\n", "line 9: a lot while inspection is discontinued"},
		"nobody's word":          {stopped + ",,,improved,,filter renewed\n", `column "by" is empty`},
		"nothing improved":       {stopped + ",,,improved,Mara Quell,\n", `column "note" is empty`},
		"nothing to resume":      {"size,bad,event,by,note\n1000,0,,,\n,,improved,M,x\n", "nothing to resume"},
		"reduced too early":      {"size,bad,event,by\n1000,0,,\n,,reduce,M\n", "switching score is 3, allowed: at least 30"},
		"an event with a lot":    {"size,bad,event,by\n1000,0,reduce,M\n", "a row of its own"},
		"an unknown event":       {"size,bad,event\n1000,0,\n,,holiday\n", `event is "holiday"`},
		"more bad than checked":  {"size,bad\n1000,81\n", "0 to 80"},
		"bad missing":            {"size,bad\n1000,\n", `line 2: column "bad" is ""`},
		"bad no number":          {"size,bad\n1000,x\n", `column "bad" is "x"`},
		"half a drink":           {"size,bad\n1000,0.5\n", "a whole number"},
		"a lot of one":           {"size,bad\n1,0\n", "at least 2 drinks"},
		"no such column":         {"lot,bad\n1,0\n", `column "size" is not in the file, which has: lot, bad`},
		"a column twice":         {"size,bad,bad\n1000,0,0\n", "stands twice"},
		"no lots":                {"size,bad\n", "no rows"},
		"nothing":                {"", "empty"},
		"half a file, unequally": {"size,bad\n1000\n", "columns of the header"},
	} {
		if _, err := lots(c.file); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want words with %q", name, err, c.want)
		}
	}
	if _, err := Lots(Question{OutcomesFile: "-", Level: 2}, strings.NewReader(stopped)); err == nil || !strings.Contains(err.Error(), "--table-aql") {
		t.Errorf("without an AQL: %v", err)
	}
}

// A lot smaller than its sample is checked whole.
func TestASmallLotIsCheckedWhole(t *testing.T) {
	r, err := lots("size,bad\n10,0\n")
	if err != nil || r.Switch.Lots[0].N != 10 || !strings.Contains(r.String(), "check 10 drinks") {
		t.Errorf("%v\n%s", err, r)
	}
	if _, err := lots("size,bad\n10,11\n"); err == nil || !strings.Contains(err.Error(), "0 to 10") {
		t.Errorf("%v", err)
	}
}

func TestManyLotsStayReadable(t *testing.T) {
	file := filepath.Join(t.TempDir(), "lots.csv")
	text := "size,bad,event,by,note\n" + strings.Repeat("1000,3,,,\n1000,3,,,\n1000,0,,,\n1000,0,,,\n1000,0,,,\n1000,0,,,\n1000,0,,,\n", 20_000)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := Lots(Question{OutcomesFile: file, TableAQL: 1, Level: 2}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if s := r.String(); len(s) > 10_000 || !strings.Contains(s, "After lot of line 140001: from tightened to normal.") || !strings.Contains(s, "The last 40 of 140000 rows") || !strings.Contains(s, "The last 40 of 40000 changes") {
		t.Errorf("%d bytes: %.800s", len(s), s)
	}
}

// Whatever a file of lots holds, it is answered or refused in words.
func FuzzLots(f *testing.F) {
	f.Add("size,bad\n1000,0\n")
	f.Add("lot,size,bad,event,by,note\n1,1000,3,,,\n,,,improved,M,x\n")
	f.Add("size,bad,event\n,,irregular\n")
	f.Fuzz(func(t *testing.T, file string) {
		r, err := lots(file)
		if err != nil {
			if len(err.Error()) < 10 {
				t.Errorf("refused without words: %v", err)
			}
			return
		}
		if s := r.String(); !strings.Contains(s, "method") || r.Switch.Next == "" {
			t.Errorf("%q", s)
		}
	})
}
