package authority

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.uber.org/zap/zaptest"
	"google.golang.org/grpc/codes"

	"samecup.example/samecup/internal/govern"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestALostTokenIsRecoveredOnTheMachine(t *testing.T) {
	url, dir := startBus(t, t.TempDir()).URL(), t.TempDir()
	open := func() (*Service, error) {
		return Open(t.Context(), Config{Dir: dir, Log: zaptest.NewLogger(t), NATS: connect(t, url)})
	}
	recovered := func(person string) (string, error) {
		return RecoverPerson(t.Context(), dir, "", person, "root", time.Now(), zaptest.NewLogger(t))
	}
	if _, err := recovered("ada"); err == nil {
		t.Fatal("a directory without a database was taken for an authority's")
	}
	s := must(open())(t)
	office := governanceService{Service: s}
	person := func(id string, roles ...string) string {
		return must(office.CreatePerson(t.Context(), &pb.CreatePersonRequest{RequestId: uuid.NewString(), PersonId: id, Roles: roles}))(t).Token
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	_, err := recovered("ada")
	if r, ok := errors.AsType[*govern.Refused](err); !ok || r.Reason != "UNCLAIMED" {
		t.Fatalf("before anybody was added: %v", err)
	}
	s = must(open())(t)
	office = governanceService{Service: s}
	lost := person("ada", "administrator")
	before, _ := s.head()

	// While the authority runs nothing is touched, and a second one is refused.
	if _, err := recovered("ada"); !errors.Is(err, ErrInUse) {
		t.Fatalf("beside a running authority: %v", err)
	}
	if other, err := open(); !errors.Is(err, ErrInUse) {
		t.Fatalf("a second authority: %v, %v", other, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	_, err = recovered("eve")
	if r, ok := errors.AsType[*govern.Refused](err); !ok || r.Reason != "PERSON_NOT_FOUND" {
		t.Fatalf("nobody of that name: %v", err)
	}
	fresh := must(recovered("ada"))(t)

	s = must(open())(t)
	defer s.Close()
	s.view(func(st *govern.State) {
		if _, ok := st.ActorByToken(tokenHash(lost)); ok {
			t.Error("the lost token still works")
		}
		if a, ok := st.ActorByToken(tokenHash(fresh)); !ok || a.Person != "ada" {
			t.Errorf("the new token is %v's", a)
		}
	})
	if after, _ := s.head(); after != before+1 {
		t.Errorf("the record went from %d to %d", before, after)
	}
	for e, err := range s.store.Entries(t.Context(), before) {
		if err != nil {
			t.Fatal(err)
		}
		want := "Somebody at the authority's own machine recovered ada (ada) on this machine with a new token; every earlier one ended; done by the system's user root."
		if got := govern.Sentence(must(govern.Decode(e))(t)); got != want {
			t.Errorf("the record says %q", got)
		}
	}
	// It is no way in over the network.
	_, err = s.do(context.Background(), govern.Call{Actor: govern.Actor{Person: "ada", Roles: []govern.Role{govern.Administrator}}},
		func(t *turn) ([]govern.Act, error) { return t.RecoverPerson(t.Call, "ada", govern.Digest{1}, "") })
	wantStatus(t, err, codes.PermissionDenied, "NOT_ALLOWED")
}
