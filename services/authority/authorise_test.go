package authority

import (
	"context"
	"net"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// qualityMethods are all that quality serves.
func qualityMethods() (out []string) {
	for _, file := range []protoreflect.FileDescriptor{pb.File_samecup_v1_case_service_proto, pb.File_samecup_v1_insight_service_proto, pb.File_samecup_v1_quality_service_proto} {
		for i := range file.Services().Len() {
			s := file.Services().Get(i)
			for k := range s.Methods().Len() {
				out = append(out, "/"+string(s.FullName())+"/"+string(s.Methods().Get(k).Name()))
			}
		}
	}
	return out
}

func TestAMethodOfQualityReadsOrHasARule(t *testing.T) {
	all := qualityMethods()
	for _, m := range all {
		if _, ruled := methodRules[m]; ruled == readable(m) {
			t.Errorf("%s: it reads: %v, it has a rule: %v; one of them is wanted", m, readable(m), ruled)
		}
	}
	for m := range methodRules {
		if !slices.Contains(all, m) {
			t.Errorf("the rule for %s is for no method of quality", m)
		}
	}
}

// calledFrom is a call's context as a server sees it.
func calledFrom(t *testing.T, ip, token string) context.Context {
	ctx := peer.NewContext(t.Context(), &peer.Peer{Addr: &net.TCPAddr{IP: net.ParseIP(ip), Port: 1}})
	if token != "" {
		ctx = metadata.NewIncomingContext(ctx, metadata.Pairs("authorization", "Bearer "+token))
	}
	return ctx
}

// Beside the authority and in a process of its own, quality lets the same people
// do the same.
func TestWhoMayLookAfterCases(t *testing.T) {
	o := openOffice(t)
	local := o.desk(t, "")
	beside := map[string]rpc.Authoriser{"in the authority's process": o.Authorise,
		"in its own process": AuthoriseElsewhere(pb.NewGovernanceServiceClient(o.dial(t, "")), rpc.LoopbackOnly)}
	const update, close, reopen = pb.CaseService_UpdateCase_FullMethodName, pb.CaseService_CloseCase_FullMethodName, pb.CaseService_ReopenCase_FullMethodName
	const calendar, list = pb.InsightService_SetSiteCalendar_FullMethodName, pb.CaseService_ListCases_FullMethodName
	for where, authorise := range beside {
		for _, m := range qualityMethods() {
			if who, err := authorise(calledFrom(t, "127.0.0.1", ""), m); err != nil || who != (rpc.Caller{}) {
				t.Errorf("%s, while nobody was added: %s by %v: %v", where, m, who, err)
			}
		}
		if _, err := authorise(calledFrom(t, "192.0.2.1", ""), update); status.Code(err) != codes.PermissionDenied {
			t.Errorf("%s, while nobody was added: a caller from elsewhere: %v", where, err)
		}
	}
	tokens := map[string]string{"nobody": "", "a stranger": "sct_wrong"}
	add := func(by *desk, id, name string, roles ...string) *desk {
		res := must(by.office.CreatePerson(t.Context(), &pb.CreatePersonRequest{RequestId: uuid.NewString(), PersonId: id, DisplayName: name, Roles: roles}))(t)
		tokens[id] = res.Token
		return o.desk(t, res.Token)
	}
	max := add(local, "max", "Max", "administrator")
	add(max, "lea", "Lea Finch", "quality-lead", "auditor")
	add(max, "olu", "", "auditor")
	add(max, "flo", "Flo", "fleet-manager", "food-safety", "approver", "author")
	for _, tc := range []struct {
		who, method, reason, says string
	}{
		{"lea", update, "", "Lea Finch (lea)"}, {"lea", close, "", "Lea Finch (lea)"}, {"lea", reopen, "", "Lea Finch (lea)"}, {"max", update, "", "Max (max)"},
		{"lea", calendar, "ROLE_MISSING", "lea may not set a site's calendar: it needs the role fleet-manager or administrator; ask an administrator"},
		{"flo", calendar, "", "Flo (flo)"},
		{"olu", update, "ROLE_MISSING", "olu may not look after cases: it needs the role quality-lead or administrator; ask an administrator"},
		{"flo", close, "ROLE_MISSING", "flo may not look after cases: it needs the role quality-lead or administrator; ask an administrator"},
		{"olu", reopen, "ROLE_MISSING", "quality-lead or administrator"},
		{"nobody", update, "TOKEN_MISSING", "needs a person's token"}, {"a stranger", update, "TOKEN_UNKNOWN", "belongs to nobody"},
		{"nobody", list, "", ""}, {"nobody", pb.InsightService_QueryRollups_FullMethodName, "", ""},
	} {
		for where, authorise := range beside {
			who, err := authorise(calledFrom(t, "127.0.0.1", tokens[tc.who]), tc.method)
			if tc.reason == "" {
				if err != nil || who.String() != tc.says {
					t.Errorf("%s: %s by %s: %q, %v; want %q", where, tc.method, tc.who, who, err, tc.says)
				}
				continue
			}
			code := codes.Unauthenticated
			if tc.reason == "ROLE_MISSING" {
				code = codes.PermissionDenied
			}
			refused(t, err, code, tc.reason)
			if !strings.Contains(status.Convert(err).Message(), tc.says) {
				t.Errorf("%s: %s by %s: %v; want %q", where, tc.method, tc.who, err, tc.says)
			}
		}
	}
}

func TestQualityByItselfChangesNothingWhileTheAuthorityIsAway(t *testing.T) {
	o := openOffice(t)
	cc := o.dial(t, "")
	if err := cc.Close(); err != nil {
		t.Fatal(err)
	}
	authorise := AuthoriseElsewhere(pb.NewGovernanceServiceClient(cc), rpc.LoopbackOnly)
	_, err := authorise(calledFrom(t, "127.0.0.1", ""), pb.CaseService_UpdateCase_FullMethodName)
	refused(t, err, codes.Unavailable, "AUTHORITY_UNREACHABLE")
	if _, err := authorise(calledFrom(t, "127.0.0.1", ""), pb.CaseService_ListCases_FullMethodName); err != nil {
		t.Errorf("reading: %v", err)
	}
}
