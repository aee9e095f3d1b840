package stationbench

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"
)

// usage is what a process takes, MiB.
type usage struct{ rss, anon, peak float64 }

func (a *agent) memory() (usage, error) {
	path := fmt.Sprintf("/proc/%d/status", a.cmd.Process.Pid)
	raw, err := os.ReadFile(path)
	if err != nil {
		return usage{}, fmt.Errorf("read the agent's memory: %w", err)
	}
	return parseStatus(string(raw))
}

// settled is the memory once the start is over.
func (a *agent) settled(ctx context.Context, o Options) (usage, error) {
	if o.quick {
		return a.memory()
	}
	select {
	case <-time.After(settle):
		return a.memory()
	case <-ctx.Done():
		return usage{}, ctx.Err()
	}
}

// parseStatus reads the lines such as "VmRSS:	   30408 kB"; see proc(5).
func parseStatus(text string) (u usage, err error) {
	want := map[string]*float64{"VmRSS": &u.rss, "RssAnon": &u.anon, "VmHWM": &u.peak}
	for line := range strings.Lines(text) {
		name, value, _ := strings.Cut(line, ":")
		into := want[name]
		if into == nil {
			continue
		}
		kib, err := strconv.ParseFloat(strings.TrimSuffix(strings.TrimSpace(value), " kB"), 64)
		if err != nil {
			return u, fmt.Errorf("read the agent's memory: %s is %q, not in kB", name, strings.TrimSpace(value))
		}
		*into = kib / 1024
		delete(want, name)
	}
	if len(want) > 0 {
		return u, fmt.Errorf("read the agent's memory: VmRSS, RssAnon or VmHWM is missing")
	}
	return u, nil
}

// lines are what the agent prints.
type lines struct{ *bufio.Scanner }

func newLines(r io.Reader) lines { return lines{bufio.NewScanner(r)} }

// after reads on to a line that begins so, and gives what comes after a word in
// it.
func (l lines) after(begin, word string) (string, error) {
	for l.Scan() {
		if rest, ok := strings.CutPrefix(l.Text(), begin); ok {
			if _, found, ok := strings.Cut(rest, word); ok {
				return strings.TrimSpace(found), nil
			}
		}
	}
	return "", fmt.Errorf("the agent ended, or went silent, before it printed a line with %q and %q: %w", begin, word, cause(l.Err()))
}

func cause(err error) error {
	if err == nil {
		return io.EOF
	}
	return err
}
