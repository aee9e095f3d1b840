package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"
)

// statCommands are all commands that read a CSV, on the columns of hardFile.
var statCommands = map[string][]string{
	"chart i":      {"chart", "i", "FILE", "--value", "v", "--rules", "1,2,3,4"},
	"chart xbar-r": {"chart", "xbar-r", "FILE", "--value", "v", "--group", "group"},
	"chart xbar-s": {"chart", "xbar-s", "FILE", "--value", "v", "--group", "group"},
	"chart p":      {"chart", "p", "FILE", "--value", "bad", "--n", "n"},
	"chart p'":     {"chart", "p", "FILE", "--value", "bad", "--n", "n", "--limits", "overdispersed"},
	"chart u":      {"chart", "u", "FILE", "--value", "bad", "--n", "n", "--limits", "exact"},
	"chart c":      {"chart", "c", "FILE", "--value", "bad"},
	"chart g":      {"chart", "g", "FILE", "--value", "n"},
	"chart t":      {"chart", "t", "FILE", "--value", "v"},
	"chart ewma":   {"chart", "ewma", "FILE", "--value", "v", "--false-alarm-every", "500"},
	"chart cusum":  {"chart", "cusum", "FILE", "--value", "v", "--false-alarm-every", "500"},
	"capability":   {"capability", "FILE", "--value", "v", "--low", "20", "--high", "36"},
	"capability g": {"capability", "FILE", "--value", "v", "--high", "36", "--group", "group"},
	"variance":     {"variance", "FILE", "--value", "v", "--factor", "site", "--factor", "barista"},
	"compare":      {"compare", "FILE", "--site", "site", "--bad", "bad", "--n", "n", "--kind", "barista"},
	"agree":        {"agree", "FILE", "--auditor", "v", "--self", "self", "--pair", "group", "--limit", "2"},
	"gauge":        {"gauge", "FILE", "--value", "v", "--part", "site", "--operator", "barista"},
	"screen": {"screen", "FILE", "--value", "v", "--by", "site", "--resolution", "0.1", "--low", "20", "--high", "36",
		"--audited-sd", "1.5", "--audited-rate", "0.04", "--also", "self", "--measured", "at", "--entered", "at",
		"--open", "06:00", "--close", "22:00", "--probe-response", "5s", "--hours", "hours", "--audited-drift", "0.5"},
}

const hardHeader = "v,self,group,bad,n,site,barista,hours,at\n"

// hardFile writes rows of plausible values; row may change a line's cells, and
// an empty v is a missing value.
func hardFile(t *testing.T, name string, rows int, row func(i int, cell []string)) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w := bufio.NewWriterSize(f, 1<<20)
	_, _ = w.WriteString(hardHeader) // bufio keeps the error for Flush
	rng := rand.New(rand.NewPCG(1, uint64(rows)))
	at := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	cell := make([]string, 9)
	for i := range rows {
		v := 28 + 1.5*rng.NormFloat64()
		cell[0], cell[1] = fmt.Sprintf("%.1f", v), fmt.Sprintf("%.1f", v+0.3*rng.NormFloat64())
		cell[2], cell[3], cell[4] = fmt.Sprint(i/5), fmt.Sprint(rng.IntN(4)), fmt.Sprint(20+rng.IntN(60))
		cell[5], cell[6] = fmt.Sprintf("site-%d", i%40), fmt.Sprintf("b-%d", rng.IntN(90))
		cell[7], cell[8] = fmt.Sprintf("%.1f", float64(i%40)/10), at.Add(time.Duration(i)*30*time.Second).Format(time.RFC3339)
		if row != nil {
			row(i, cell)
		}
		_, _ = w.WriteString(strings.Join(cell, ",") + "\n")
	}
	if err := errors.Join(w.Flush(), f.Close()); err != nil {
		t.Fatal(err)
	}
	return path
}

// noNumber finds what must never be printed as a finding.
var noNumber = regexp.MustCompile(`\b(NaN|[+-]?Inf)\b`)

func runStat(args []string, file string) (string, error) {
	args = append([]string(nil), args...)
	for i := range args {
		if args[i] == "FILE" {
			args[i] = file
		}
	}
	var out bytes.Buffer
	root := rootCommand()
	root.SetArgs(args)
	root.SetOut(&out)
	root.SetErr(&out)
	err := root.Execute()
	return out.String(), err
}

// answeredOrRefused fails unless a command answered with its method, what it
// assumes and n, or refused in words with code 2.
func answeredOrRefused(t *testing.T, out string, err error) (answered bool) {
	t.Helper()
	if noNumber.MatchString(out) {
		t.Errorf("the output holds no number where one should be:\n%.2000s", out)
	}
	var e exitError
	if errors.As(err, &e) && e.code == 2 {
		if len(e.msg) < 20 || !strings.ContainsAny(e.msg, " ") {
			t.Errorf("refused without words: %q", e.msg)
		}
		return false
	}
	if err != nil && e.code != 1 { // 1: a finding, such as a question to ask
		t.Errorf("err = %v", err)
		return false
	}
	low := strings.ToLower(out)
	for _, want := range []string{"method", "assumes"} {
		if !strings.Contains(low, want) {
			t.Errorf("the answer does not say %q:\n%.2000s", want, out)
		}
	}
	if !regexp.MustCompile(`\bn( =|:| {2,})`).MatchString(low) {
		t.Errorf("the answer does not say n:\n%.2000s", out)
	}
	return true
}

func TestStatToolsOnHardFiles(t *testing.T) {
	missing := hardFile(t, "missing.csv", 400, func(i int, c []string) {
		switch {
		case i%50 == 7:
			c[0], c[3] = "", "NA"
		case i%50 == 9:
			c[0] = "twenty"
		}
	})
	oneRow := hardFile(t, "one.csv", 1, nil)
	constant := hardFile(t, "constant.csv", 400, func(_ int, c []string) {
		copy(c, []string{"28.0", "28.0", c[2], "1", "40", c[5], c[6], "1.0", c[8]})
	})
	for name, args := range statCommands {
		t.Run(name, func(t *testing.T) {
			out, err := runStat(args, missing)
			if answeredOrRefused(t, out, err) && !strings.Contains(strings.ToLower(out), "left out") && name != "chart g" {
				t.Errorf("missing values are not told:\n%.1500s", out)
			}
			if out, err = runStat(args, oneRow); answeredOrRefused(t, out, err) && name != "screen" {
				t.Errorf("one row was answered:\n%.1500s", out)
			}
			out, err = runStat(args, constant)
			answeredOrRefused(t, out, err)
			t.Logf("constant: %v %.300s", err, out)
			wrong := append([]string(nil), args...)
			for i, a := range wrong {
				if a == "v" || a == "bad" || a == "n" {
					wrong[i] = "nowhere"
				}
			}
			if out, err = runStat(wrong, missing); answeredOrRefused(t, out, err) || !strings.Contains(fmt.Sprint(err), `"nowhere" is not in the file`) {
				t.Errorf("a wrong column: %v", err)
			}
		})
	}
}

// A million rows are answered, or refused in words, in bounded time and memory.
func TestStatToolsOnAMillionRows(t *testing.T) {
	if testing.Short() {
		t.Skip("a million rows through each command")
	}
	if raceEnabled {
		t.Skip("the race detector makes this a test of itself")
	}
	file := hardFile(t, "million.csv", 1_000_000, nil)
	for name, args := range statCommands {
		t.Run(name, func(t *testing.T) {
			began := time.Now()
			out, err := runStat(args, file)
			took := time.Since(began)
			answered := answeredOrRefused(t, out, err)
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			t.Logf("%v, answered %v, %d MB from the system, %d bytes said, %v", took.Round(time.Millisecond), answered, m.Sys>>20, len(out), err)
			if took > 2*time.Minute || m.Sys > 4<<30 || len(out) > 1<<20 {
				t.Errorf("took %v, %d MB, %d bytes of words", took, m.Sys>>20, len(out))
			}
			runtime.GC()
		})
	}
}
