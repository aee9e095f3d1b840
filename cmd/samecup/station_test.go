package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestStationFlagsThatCannotBeUsedAreRefused(t *testing.T) {
	dir := t.TempDir()
	bad := filepath.Join(dir, "plan.json")
	if err := os.WriteFile(bad, []byte(`{"shifts":[{"start":"6"}]}`), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "instruments.json"), []byte(`{"instruments":{"a":{"roles":["tea"]}}}`), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args string
		says string
	}{
		{"station --data " + dir, "--enrol"},
		{"station instruments", "--default"},
		{"station instruments --default --data " + dir, "--default"},
		{"station instruments --data " + dir, "tea"},
		{"sim instruments", "--station"},
		{"sim instruments --station a --mqtt b", "one of them"},
		{"sim instruments --station 127.0.0.1:1 --drinks 0", "--drinks is 0"},
		{"sim instruments --station 127.0.0.1:1 --faulty kettle", "kettle"},
		{"sim instruments --station 127.0.0.1:1 --fault gremlin", "gremlin"},
	} {
		root := rootCommand()
		root.SetArgs(strings.Fields(c.args))
		root.SetOut(new(bytes.Buffer))
		err := root.Execute()
		var e exitError
		if !errors.As(err, &e) || e.code != 2 || !strings.Contains(e.msg, c.says) {
			t.Errorf("%s: %v, want exit code 2 and %q", c.args, err, c.says)
		}
	}
}

// The default wiring that is printed is one that a station takes.
func TestTheWiringPrintedIsTaken(t *testing.T) {
	dir := t.TempDir()
	printed := func(args ...string) string {
		t.Helper()
		root := rootCommand()
		var out bytes.Buffer
		root.SetArgs(append([]string{"station", "instruments"}, args...))
		root.SetOut(&out)
		if err := root.Execute(); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	first := printed("--default")
	if err := os.WriteFile(filepath.Join(dir, "instruments.json"), []byte(first), 0o600); err != nil {
		t.Fatal(err)
	}
	if again := printed("--data", dir); again != first {
		t.Errorf("%s then %s", first, again)
	}
}
