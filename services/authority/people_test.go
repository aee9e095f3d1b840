package authority

import (
	"context"
	"net"
	"testing"

	"github.com/google/uuid"
	"go.uber.org/zap/zaptest"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/test/bufconn"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// desk is one person's view of the authority.
type desk struct {
	drafts   pb.DraftServiceClient
	overlays pb.OverlayServiceClient
	rollouts pb.RolloutServiceClient
	stops    pb.StopServiceClient
	office   pb.GovernanceServiceClient
	fleet    pb.FleetServiceClient
	books    pb.BookServiceClient
}

// headOffice is an authority whose callers are told apart.
type headOffice struct {
	*harness
	lis *bufconn.Listener
}

func openOffice(t *testing.T) *headOffice {
	t.Helper()
	o := &headOffice{harness: start(t), lis: bufconn.Listen(1 << 20)}
	srv := rpc.NewServer(zaptest.NewLogger(t), rpc.Options{Authorise: o.Authorise})
	o.Register(srv)
	served := make(chan error, 1)
	go func() { served <- srv.Serve(o.lis) }()
	t.Cleanup(func() {
		srv.Stop()
		if err := <-served; err != nil {
			t.Errorf("serve: %v", err)
		}
	})
	return o
}

func (o *headOffice) dial(t *testing.T, token string) *grpc.ClientConn {
	t.Helper()
	cc, err := grpc.NewClient("passthrough:///office", rpc.WithToken(token), grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return o.lis.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cc.Close() })
	return cc
}

func (o *headOffice) desk(t *testing.T, token string) *desk {
	t.Helper()
	cc := o.dial(t, token)
	return &desk{pb.NewDraftServiceClient(cc), pb.NewOverlayServiceClient(cc), pb.NewRolloutServiceClient(cc), pb.NewStopServiceClient(cc),
		pb.NewGovernanceServiceClient(cc), pb.NewFleetServiceClient(cc), pb.NewBookServiceClient(cc)}
}

// hire adds a person and returns their desk.
func (o *headOffice) hire(t *testing.T, by *desk, id string, roles ...string) *desk {
	t.Helper()
	res := must(by.office.CreatePerson(t.Context(), &pb.CreatePersonRequest{RequestId: uuid.NewString(), PersonId: id, Roles: roles}))(t)
	return o.desk(t, res.Token)
}

// must fails the test on an error.
func must[T any](v T, err error) func(*testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func refused(t *testing.T, err error, code codes.Code, reason string) map[string]string {
	t.Helper()
	if err == nil {
		t.Fatalf("it was allowed; %s is wanted", reason)
	}
	return wantStatus(t, err, code, reason)
}

func TestTheFirstPersonClaimsTheInstallation(t *testing.T) {
	o := openOffice(t)
	local := o.desk(t, "")
	if me := must(local.office.GetMe(t.Context(), &pb.GetMeRequest{}))(t); !me.Unclaimed || me.Person.Name != "people/local" {
		t.Fatalf("before: %v", me)
	}
	_, err := local.office.CreatePerson(t.Context(), &pb.CreatePersonRequest{RequestId: uuid.NewString(), PersonId: "ada", Roles: []string{"author"}})
	refused(t, err, codes.FailedPrecondition, "FIRST_MUST_ADMINISTER")
	ada := o.hire(t, local, "ada", "administrator")

	// From now on a call without a token reads and does no more.
	if people := must(local.office.ListPeople(t.Context(), &pb.ListPeopleRequest{}))(t); len(people.People) != 1 {
		t.Fatalf("people: %v", people)
	}
	_, err = local.office.CreatePerson(t.Context(), &pb.CreatePersonRequest{RequestId: uuid.NewString(), PersonId: "eve", Roles: []string{"administrator"}})
	refused(t, err, codes.Unauthenticated, "TOKEN_MISSING")
	_, err = o.desk(t, "sct_wrong").office.ListPeople(t.Context(), &pb.ListPeopleRequest{})
	refused(t, err, codes.Unauthenticated, "TOKEN_UNKNOWN")
	_, err = local.books.CreateRelease(t.Context(), request(bookFiles(t)))
	refused(t, err, codes.Unauthenticated, "TOKEN_MISSING")
	_, err = ada.books.CreateRelease(t.Context(), request(bookFiles(t)))
	refused(t, err, codes.FailedPrecondition, "NEEDS_APPROVAL")

	// A new token ends the old one.
	renewed := must(ada.office.UpdatePerson(t.Context(), &pb.UpdatePersonRequest{RequestId: uuid.NewString(), Name: "people/ada", RenewToken: true}))(t)
	_, err = ada.office.GetMe(t.Context(), &pb.GetMeRequest{})
	refused(t, err, codes.Unauthenticated, "TOKEN_UNKNOWN")
	ada = o.desk(t, renewed.Token)
	_, err = ada.office.UpdatePerson(t.Context(), &pb.UpdatePersonRequest{RequestId: uuid.NewString(), Name: "people/ada", Disable: true})
	refused(t, err, codes.FailedPrecondition, "LAST_ADMINISTRATOR")
	_, err = ada.office.UpdatePerson(t.Context(), &pb.UpdatePersonRequest{RequestId: uuid.NewString(), Name: "people/bob", Disable: true})
	refused(t, err, codes.NotFound, "PERSON_NOT_FOUND")
}

func TestARequestThatComesAgainIsAnsweredAndNotRepeated(t *testing.T) {
	o := openOffice(t)
	ada := o.hire(t, o.desk(t, ""), "ada", "administrator")
	req := &pb.CreatePersonRequest{RequestId: uuid.NewString(), PersonId: "ben", Roles: []string{"approver"}}
	first := must(ada.office.CreatePerson(t.Context(), req))(t)
	again := must(ada.office.CreatePerson(t.Context(), req))(t)
	if first.Token == "" || again.Token != "" || again.Person.Name != "people/ben" {
		t.Fatalf("first %v, again %v; the token is shown once", first, again)
	}
	req.Roles = []string{"auditor"}
	_, err := ada.office.CreatePerson(t.Context(), req)
	refused(t, err, codes.AlreadyExists, "REQUEST_REUSED")
	req.RequestId = "one"
	_, err = ada.office.CreatePerson(t.Context(), req)
	if fields := refused(t, err, codes.InvalidArgument, "BAD_REQUEST"); !hasField(fields, "request_id") {
		t.Fatal(fields)
	}
}

func TestWhereACallWithoutATokenMayComeFrom(t *testing.T) {
	o := openOffice(t)
	away := peer.NewContext(t.Context(), &peer.Peer{Addr: &net.TCPAddr{IP: net.ParseIP("192.0.2.1"), Port: 1}})
	here := peer.NewContext(t.Context(), &peer.Peer{Addr: &net.TCPAddr{IP: net.ParseIP("127.0.0.1"), Port: 1}})
	res := must(o.desk(t, "").office.CreatePerson(t.Context(), &pb.CreatePersonRequest{RequestId: uuid.NewString(), PersonId: "ada", Roles: []string{"administrator"}}))(t)
	withToken := func(ctx context.Context) context.Context {
		return metadata.NewIncomingContext(ctx, metadata.Pairs("authorization", "Bearer "+res.Token))
	}
	for _, c := range []struct {
		ctx    context.Context
		method string
		ok     bool
	}{
		{here, "/samecup.v1.DraftService/ListDrafts", true},
		{here, "/samecup.v1.RolloutService/WatchRollout", true},
		{here, "/samecup.v1.FleetService/EnrolStation", true},
		{here, "/samecup.v1.DraftService/UpdateDraft", false},
		{here, "/samecup.v1.RolloutService/RollBack", false},
		{away, "/samecup.v1.DraftService/ListDrafts", false},
		{away, "/samecup.v1.FleetService/EnrolStation", false},
		{withToken(away), "/samecup.v1.DraftService/ListDrafts", true},
		{withToken(away), "/samecup.v1.DraftService/UpdateDraft", true},
	} {
		if _, err := o.Authorise(c.ctx, c.method); (err == nil) != c.ok {
			t.Errorf("%s: %v, wanted %v", c.method, err, c.ok)
		}
	}
}
