package main

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority"
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

// Whoever may not look after cases is told which role may, also by a quality that
// asks the authority.
func TestACaseCommandSaysWhoMay(t *testing.T) {
	addr, _ := headOffice(t)
	t.Setenv(tokenVariable, "")
	cc, err := rpc.Dial(addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cc.Close() })
	people := pb.NewGovernanceServiceClient(cc)
	s := rpc.NewServer(zap.NewNop(), rpc.Options{Authorise: authority.AuthoriseElsewhere(people, rpc.LoopbackOnly)})
	pb.RegisterCaseServiceServer(s, pb.UnimplementedCaseServiceServer{})
	lis, err := rpc.ListenLoopback("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go func() { _ = s.Serve(lis) }()
	t.Cleanup(s.Stop)
	max, err := people.CreatePerson(t.Context(), &pb.CreatePersonRequest{RequestId: uuid.NewString(), PersonId: "max", Roles: []string{"administrator"}})
	if err != nil {
		t.Fatal(err)
	}
	hire := func(id, role string) string {
		saved := filepath.Join(t.TempDir(), id)
		t.Setenv(tokenVariable, max.Token)
		if out, code := runBookCommand(t, "person", "add", id, "--role", role, "--save", saved, "--to", addr); code != 0 {
			t.Fatal(out)
		}
		t.Setenv(tokenVariable, "")
		return saved
	}
	lea, olu := hire("lea", "quality-lead"), hire("olu", "auditor")
	for _, words := range [][]string{{"own", "C-00001", "Lea"}, {"contain", "C-00001", "timed by hand"}, {"note", "C-00001", "old burrs"}, {"close", "C-00001"}, {"reopen", "C-00001", "it is back"},
		{"cause", "C-00001", "worn burrs", "--cause", "grinder", "--done", "replaced", "--prevents", "on the list"}} {
		for _, tc := range []struct{ as, want string }{
			{"", "give the file that holds yours with --as"},
			{olu, "olu may not look after cases: it needs the role quality-lead or administrator; ask an administrator"},
			{lea, "not implemented"},
		} {
			args := append([]string{"case"}, append(words, "--to", lis.Addr().String(), "--as", tc.as)...)
			if out, code := runBookCommand(t, args...); code != 1 || !strings.Contains(out, tc.want) {
				t.Errorf("%v: code %d: %s; want %q", args, code, out, tc.want)
			}
		}
	}
	_ = cc.Close()
	if out, code := runBookCommand(t, "case", "close", "C-00001", "--to", lis.Addr().String()); code != 1 || !strings.Contains(out, "the authority cannot be asked") || strings.Contains(out, "is quality running") {
		t.Errorf("without the authority: code %d: %s", code, out)
	}
}
