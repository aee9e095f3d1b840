package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// Each example of the statistics commands runs as printed, from a folder that
// holds testdata.
func TestExamplesOfTheStatisticsCommandsRun(t *testing.T) {
	data, err := filepath.Abs("../../testdata")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.Symlink(data, filepath.Join(dir, "testdata")); err != nil {
		t.Skip("no symbolic links here")
	}
	t.Chdir(dir)
	ran := 0
	for _, c := range []*cobra.Command{chartCommand(), capabilityCommand(), varianceCommand(), compareCommand(), planCommand(),
		agreeCommand(), gaugeCommand(), screenCommand(), auditPlanCommand(), auditFormCommand(), auditAgreeCommand()} {
		for _, line := range exampleLines(c.Example) {
			ran++
			words, in := shellWords(t, line)
			root := rootCommand()
			var out bytes.Buffer
			root.SetArgs(words[1:])
			root.SetOut(&out)
			root.SetErr(&out)
			root.SetIn(bytes.NewReader(in))
			err := root.Execute()
			var e exitError
			if err != nil && (!errors.As(err, &e) || e.code != 1) { // 1: a finding
				t.Errorf("%s\n%v", line, err)
			}
		}
	}
	if ran < 18 {
		t.Errorf("only %d examples", ran)
	}
}

// exampleLines joins continued lines.
func exampleLines(text string) []string {
	var out []string
	for l := range strings.SplitSeq(strings.ReplaceAll(text, "\\\n", " "), "\n") {
		if strings.TrimSpace(l) != "" {
			out = append(out, strings.TrimSpace(l))
		}
	}
	return out
}

// shellWords splits a line of an example, with quotes and redirections.
func shellWords(t *testing.T, line string) (words []string, stdin []byte) {
	t.Helper()
	for len(line) > 0 {
		line = strings.TrimLeft(line, " ")
		if line == "" {
			break
		}
		end, from := strings.IndexByte(line, ' '), 0
		if q := line[0]; q == '\'' || q == '"' {
			from, end = 1, 1+strings.IndexByte(line[1:], q)
		}
		if end < 0 {
			end = len(line)
		}
		words = append(words, line[from:end])
		line = line[min(len(line), end+from):]
	}
	for i, w := range words {
		switch w {
		case "<":
			data, err := os.ReadFile(words[i+1])
			if err != nil {
				t.Fatal(err)
			}
			return words[:i], data
		case ">":
			return words[:i], nil
		}
	}
	return words, nil
}
