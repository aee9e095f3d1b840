package buildlog_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/buildlog"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

var update = flag.Bool("update", false, "write the example files anew")

// loggedAt is when the example builds count as logged.
var loggedAt = verdict.ExemplarStart.Add(45 * time.Minute)

func counter(t *testing.T) ([]drink.Serving, *verdict.Set) {
	t.Helper()
	book, problems := drink.LoadDir("../../testdata/harbour-finch-counter")
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	set, err := verdict.CompileBook(book.Servings())
	if err != nil {
		t.Fatal(err)
	}
	return book.Servings(), set
}

// build makes example number i.
func (e example) build(t *testing.T, servings []drink.Serving, i int) drink.Build {
	t.Helper()
	for k := range servings {
		if servings[k].ID == e.serving {
			b := verdict.Exemplar(&servings[k])
			b.ID = fmt.Sprintf("00000000-0000-4000-8000-%012d", i+1)
			e.change(&b)
			return b
		}
	}
	t.Fatalf("the book has no serving %q", e.serving)
	return drink.Build{}
}

// golden compares with a file under testdata/builds, or writes it.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := "../../testdata/builds/" + name
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(string(got), "\n")); d != "" {
		t.Errorf("%s is not what the test makes; look at it and run with -update:\n%s", name, d)
	}
}

// line is what Judge writes.
type line struct {
	Line     int
	Build    string
	Grade    string
	Error    string
	Findings []struct{ Kind, Check, Step, Expected, Actual, Text string }
}

func judged(t *testing.T, log []byte, set *verdict.Set) ([]line, buildlog.Tally, []byte) {
	t.Helper()
	var out bytes.Buffer
	tally, err := buildlog.Judge(bytes.NewReader(log), set, loggedAt, &out)
	if err != nil {
		t.Fatal(err)
	}
	var lines []line
	for text := range strings.Lines(out.String()) {
		var l line
		if err := json.Unmarshal([]byte(text), &l); err != nil {
			t.Fatal(err)
		}
		lines = append(lines, l)
	}
	return lines, tally, out.Bytes()
}

func TestEveryLineOfTheMenuIsBrokenAndCaught(t *testing.T) { testExamples(t, "menu", menu, nil) }
func TestEveryKindOfFaultIsCaughtInALoggedBuild(t *testing.T) {
	testExamples(t, "faults", faults, badLines)
}

func testExamples(t *testing.T, name string, examples []example, bad []string) {
	servings, set := counter(t)
	var log []byte
	for i, e := range examples {
		b := e.build(t, servings, i)
		log = append(buildlog.AppendJSON(log, &b), '\n')
	}
	for _, text := range bad {
		log = append(append(log, text...), '\n')
	}
	golden(t, name+".jsonl", log)
	lines, tally, out := judged(t, log, set)
	golden(t, name+".verdicts.jsonl", out)
	if want := (buildlog.Tally{Builds: len(examples), Faulty: len(examples), BadLines: len(bad)}); tally != want {
		t.Errorf("tally %+v, want %+v", tally, want)
	}
	for i, l := range lines {
		if i >= len(examples) {
			if l.Error == "" || l.Line != i+1 {
				t.Errorf("bad line %d: %+v", i+1, l)
			}
			continue
		}
		e := examples[i]
		if len(l.Findings) != 1 {
			t.Errorf("%s: got %+v, want %s", e.name, l.Findings, e.want)
			continue
		}
		f := l.Findings[0]
		kind, about, _ := strings.Cut(e.want, " ")
		if f.Kind != kind || about != "" && about != f.Check && about != f.Step && about != f.Expected && about != f.Actual {
			t.Errorf("%s: got %+v, want %s", e.name, f, e.want)
		}
	}
}

func TestGoodBuildsAreInSpec(t *testing.T) {
	servings, set := counter(t)
	var log []byte
	for i, s := range servings {
		b := example{serving: s.ID, change: func(*drink.Build) {}}.build(t, servings, i)
		log = append(buildlog.AppendJSON(log, &b), '\n')
	}
	golden(t, "good.jsonl", log)
	lines, tally, _ := judged(t, log, set)
	if want := (buildlog.Tally{Builds: len(servings)}); tally != want {
		t.Errorf("tally %+v, want %+v: %+v", tally, want, lines)
	}
}

func TestFaultsShowEveryKind(t *testing.T) {
	for k := verdict.ServingUnknown; k <= verdict.WrongUnit; k++ {
		shown := false
		for _, e := range faults {
			shown = shown || strings.HasPrefix(e.want, k.String()+" ")
		}
		if !shown {
			t.Errorf("no example of %s", k)
		}
	}
}

func TestJudgeReportsABrokenOutput(t *testing.T) {
	_, set := counter(t)
	if _, err := buildlog.Judge(strings.NewReader(whole), set, loggedAt, brokenWriter{}); !errors.Is(err, errBroken) {
		t.Errorf("got %v", err)
	}
}

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, errBroken }
