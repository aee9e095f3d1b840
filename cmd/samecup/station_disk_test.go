package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"samecup.example/samecup/station/durable/disktest"
	"samecup.example/samecup/station/stationtest"
)

// On a disk that cannot be written the command says so, whether the station is
// enrolled already or not; then no enrolment code is spent.
func TestTheStationCommandRefusesAReadOnlyDisk(t *testing.T) {
	if !disktest.Own(t) {
		return
	}
	rig := stationtest.New(t)
	if err := rig.Agent.Close(); err != nil {
		t.Fatal(err)
	}
	disk := disktest.Small(t, 8<<20)
	dir, fresh := filepath.Join(disk, "enrolled"), filepath.Join(disk, "new")
	if err := os.CopyFS(dir, os.DirFS(rig.Dir)); err != nil {
		t.Fatal(err)
	}
	disktest.ReadOnly(t, disk, true)
	for _, args := range [][]string{
		{"station", "--data", dir, "--listen", "127.0.0.1:0"},
		{"station", "--data", fresh, "--listen", "127.0.0.1:0", "--enrol", "code", "--centre", "127.0.0.1:1"},
	} {
		root := rootCommand()
		root.SetArgs(args)
		root.SetOut(new(bytes.Buffer))
		want := "the station cannot write to " + args[2] + ": mount its disk for writing"
		if err := root.ExecuteContext(t.Context()); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v\nwant %q", strings.Join(args, " "), err, want)
		}
	}
}
