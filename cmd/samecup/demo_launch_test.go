//go:build !station

package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestALaunchTakesNoFlagsOfAShift(t *testing.T) {
	used := t.TempDir()
	if err := os.WriteFile(filepath.Join(used, "x"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--faults", "0.1"}, "--faults"},
		{[]string{"--builds", "9", "--once"}, "--builds"},
		{[]string{"--json"}, "--once"},
		{[]string{"--once", "--console", "127.0.0.1:0"}, "--console"},
		{[]string{"--once", "--data", used}, "is not empty"},
	} {
		cmd := demoCommand()
		cmd.SetArgs(append([]string{"--launch"}, c.args...))
		cmd.SetOut(&bytes.Buffer{})
		cmd.SetErr(&bytes.Buffer{})
		err := cmd.ExecuteContext(t.Context())
		exit, ok := errors.AsType[exitError](err)
		if !ok || exit.code != 2 || !strings.Contains(exit.msg, c.want) {
			t.Errorf("%q: %v, want exit code 2 and %q", c.args, err, c.want)
		}
	}
}

func TestWhereATestStandsIsSaidInALine(t *testing.T) {
	at := timestamppb.New(time.Date(2026, 10, 20, 9, 5, 0, 0, time.UTC))
	look := func(builds uint64, llr float64) *pb.WavePoint {
		c := &pb.RateComparison{WaveBuilds: builds, LogLikelihoodRatio: llr, LowerBound: -2.25129, UpperBound: 2.89037}
		return &pb.WavePoint{LookTime: at, OpenWaves: 1, OwnPast: c, OtherSites: &pb.RateComparison{LogLikelihoodRatio: -1}}
	}
	for want, course := range map[string][]*pb.WavePoint{
		"": nil,
		"After 1 build in the open waves it stands at 0.50 against their own past and at -1.00 against the other sites; below -2.25 is go on, above 2.89 roll back (looked at once).":                        {look(1, 0.5)},
		"After 240 builds in the open waves it stands at 0.40 against their own past and at -1.00 against the other sites; below -2.25 is go on, above 2.89 roll back (2 looks since 2026-10-20T09:05:00Z).": {look(1, 0.5), look(240, 0.4)},
	} {
		if got := courseWords(course); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
	var out bytes.Buffer
	writeSiteChanged(&out, &pb.UpdateSiteResponse{Site: &pb.Site{Id: "tannery-row", Name: "Tannery Row", Region: "south", TimeZone: "Europe/London"}, MovingStations: []string{"bar-1", "bar-2"}})
	if want := "as soon as they hear of it: bar-1, bar-2\n"; !strings.HasSuffix(out.String(), want) {
		t.Errorf("%q does not end in %q", out.String(), want)
	}
}
