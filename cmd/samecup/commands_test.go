package main

import (
	"go/build"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/cobra"
)

func TestEachCommandStandsInOneList(t *testing.T) {
	seen := map[string]bool{}
	lists := append(stationCommands(), otherCommands()...)
	for _, c := range lists {
		if seen[c.Name()] {
			t.Errorf("%s stands twice; take it out of commands.go or commands_station.go", c.Name())
		}
		seen[c.Name()] = true
	}
	for _, c := range rootCommand().Commands() {
		if !seen[c.Name()] {
			t.Errorf("%s stands in neither commands.go nor commands_station.go", c.Name())
		}
	}
}

// A file that the build of the station does not need would bring its imports into
// it.
func TestFilesOfOtherCommandsStayOutOfTheStationsBuild(t *testing.T) {
	want := []string{"commands_alone.go", "commands_station.go", "log.go", "main.go", "process.go", "station.go"}
	ctx := build.Default
	ctx.BuildTags = []string{"station"}
	p, err := ctx.ImportDir(".", 0)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, p.GoFiles); d != "" {
		t.Errorf("the station's build has other files (-want +got); begin a new one with \"//go:build !station\", or add it here:\n%s", d)
	}
}

// The station's build, as "make station" makes it, has the station's commands
// alone, and no code of the services at the centre.
func TestTheStationsBuild(t *testing.T) {
	if testing.Short() {
		t.Skip("it links a program")
	}
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("no go command here")
	}
	run := func(name string, args ...string) string {
		t.Helper()
		out, err := exec.CommandContext(t.Context(), name, args...).CombinedOutput()
		if err != nil {
			t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
		}
		return string(out)
	}
	if deps := run("go", "list", "-deps", "-tags", "station", "."); strings.Contains(deps, "/services/") || !strings.Contains(deps, "/station/tablet") {
		t.Errorf("the packages of the station's build are\n%s", deps)
	}
	exe := filepath.Join(t.TempDir(), "samecup-station.exe")
	run("go", "build", "-tags", "station", "-o", exe, ".")
	help := run(exe, "--help")
	var got, want []string
	_, list, _ := strings.Cut(help, "Available Commands:\n")
	list, _, _ = strings.Cut(list, "\n\n")
	for _, m := range regexp.MustCompile(`(?m)^  (\S+)`).FindAllStringSubmatch(list, -1) {
		if m[1] != "help" && m[1] != "completion" { // cobra's own
			got = append(got, m[1])
		}
	}
	root := &cobra.Command{}
	root.AddCommand(stationCommands()...)
	for _, c := range root.Commands() {
		want = append(want, c.Name())
	}
	if d := cmp.Diff(want, got); d != "" || !strings.Contains(help, "the commands of a station alone") {
		t.Errorf("commands (-want +got):\n%s\n%s", d, help)
	}
}
