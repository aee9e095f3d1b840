package main

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestACaseIsWrittenForAPerson(t *testing.T) {
	at := timestamppb.New(time.Date(2026, 11, 2, 8, 15, 0, 0, time.UTC))
	k := &pb.Case{Id: "C-00001", Title: "tannery-row/bar-1: coffee, likely grinder", Stage: pb.CaseStage_CASE_STAGE_FIX_STATED,
		Risk: pb.CaseRisk_CASE_RISK_ONE_PLACE, BeganTime: at, Sites: []string{"tannery-row"}, Owner: "store manager",
		Fix:      &pb.CaseFix{Cause: "grinder", Explanation: "the burrs were worn", Done: "burrs replaced", Prevention: "on the monthly list", FixTime: at},
		Suspects: []*pb.CaseSuspect{{Cause: "grinder", Weight: 0.75, Why: "shots moved at one station", Check: "pull three shots"}}}
	var list, one strings.Builder
	if err := writeCases(&list, []*pb.Case{k}); err != nil {
		t.Fatal(err)
	}
	if err := writeCase(&one, &pb.GetCaseResponse{Case: k, Evidence: []*pb.Signal{{SeenTime: at, Text: "shot time down", BuildIds: []string{"a", "b", "c", "d"}}},
		Effect: &pb.CaseEffect{Outcome: pb.FixOutcome_FIX_OUTCOME_CANNOT_TELL_YET, Text: "about 5 would do"}}); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct{ in, want string }{
		{list.String(), "one place"}, {list.String(), "fix stated"}, {one.String(), "cause: grinder: the burrs were worn"},
		{one.String(), "1. grinder (75 % of the weight: shots moved at one station)"}, {one.String(), "builds: a, b, c and 1 more"},
		{one.String(), "the builds since: cannot tell yet: about 5 would do"},
	} {
		if !strings.Contains(tc.in, tc.want) {
			t.Errorf("%q is not in\n%s", tc.want, tc.in)
		}
	}
	var none strings.Builder
	if err := writeCases(&none, nil); err != nil || none.String() != "no case is open\n" {
		t.Errorf("%q, %v", none.String(), err)
	}
}

func TestACaseCommandRefusesInWords(t *testing.T) {
	for _, args := range [][]string{
		{"case", "cause", "C-00001", "worn burrs", "--cause", "grinder", "--done", "x", "--prevents", "y", "--at", "yesterday"},
	} {
		if code := run(args); code != 2 {
			t.Errorf("%v: exit code %d, want 2", args, code)
		}
	}
}
