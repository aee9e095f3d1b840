package main

import (
	"bytes"
	"errors"
	"os"
	"strings"
	"testing"
)

const (
	counterBook = "../../testdata/harbour-finch-counter"
	builds      = "../../testdata/builds/"
	// logged is when the example builds count as logged.
	logged = "2026-11-02T09:00:00Z"
)

// judgeWith runs the subcommand and returns its output and exit code.
func judgeWith(t *testing.T, in string, args ...string) (string, int) {
	t.Helper()
	cmd := judgeCommand()
	var out, errs bytes.Buffer
	cmd.SetOut(&out)
	cmd.SetErr(&errs)
	cmd.SetIn(strings.NewReader(in))
	cmd.SilenceUsage, cmd.SilenceErrors = true, true
	cmd.SetArgs(args)
	err := cmd.ExecuteContext(t.Context())
	if err == nil {
		return out.String(), 0
	}
	if e, ok := errors.AsType[exitError](err); ok {
		return out.String(), e.code
	}
	t.Fatalf("an error without a code: %v", err)
	return "", 0
}

func TestJudgeExitCodes(t *testing.T) {
	good, err := os.ReadFile(builds + "good.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name, in string
		args     []string
		want     int
	}{
		{"builds in spec", "", []string{"--book", counterBook, "--now", logged, builds + "good.jsonl"}, 0},
		{"the same from standard input", string(good), []string{"--book", counterBook, "--now", logged, "-"}, 0},
		{"the same two years later", string(good), []string{"--book", counterBook, "--now", "2028-11-02T09:00:00Z", "-"}, 1},
		{"the menu broken", "", []string{"--book", counterBook, "--now", logged, builds + "menu.jsonl"}, 1},
		{"lines that are no builds", "", []string{"--book", counterBook, "--now", logged, builds + "faults.jsonl"}, 2},
		{"no such log", "", []string{"--book", counterBook, builds + "none.jsonl"}, 2},
		{"no such book", "", []string{"--book", builds + "none", builds + "good.jsonl"}, 2},
		{"a time that is none", "", []string{"--book", counterBook, "--now", "today", builds + "good.jsonl"}, 2},
		{"10 MB of garbage", strings.Repeat("garbage", 1_500_000), []string{"--book", counterBook, "-"}, 2},
		{"nothing", "", []string{"--book", counterBook, "-"}, 0},
	} {
		t.Run(test.name, func(t *testing.T) {
			if _, got := judgeWith(t, test.in, test.args...); got != test.want {
				t.Errorf("exit code %d, want %d", got, test.want)
			}
		})
	}
}

func TestJudgeWritesTheVerdicts(t *testing.T) {
	for _, name := range []string{"menu", "faults"} {
		want, err := os.ReadFile(builds + name + ".verdicts.jsonl")
		if err != nil {
			t.Fatal(err)
		}
		got, _ := judgeWith(t, "", "--book", counterBook, "--now", logged, builds+name+".jsonl")
		if got != string(want) {
			t.Errorf("%s: the verdicts differ from the file", name)
		}
	}
}
