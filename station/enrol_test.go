package station

import (
	"context"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// fleet answers every enrolment with the same.
type fleet struct {
	pb.FleetServiceClient
	answer *pb.EnrolStationResponse
}

func (f fleet) EnrolStation(context.Context, *pb.EnrolStationRequest, ...grpc.CallOption) (*pb.EnrolStationResponse, error) {
	return f.answer, nil
}

func TestEnrol(t *testing.T) {
	list, first := firstList(t)
	_, second := nextList(t, list, release.KeyListEdit{Add: []*pb.SigningKey{signingKey(signerOf(1))}})
	good := &pb.EnrolStationResponse{
		Site: testSite, Station: testStation, Scopes: testScopes, KeyLists: [][]byte{first, second},
		BusUrl: "nats://127.0.0.1:4222", TimeZone: "Europe/London",
	}
	dir := t.TempDir()
	if err := Enrol(t.Context(), dir, fleet{answer: good}, "code"); err != nil {
		t.Fatal(err)
	}
	id, err := LoadIdentity(dir)
	if err != nil {
		t.Fatal(err)
	}
	want := &Identity{Version: 2, Site: testSite, Station: testStation, Scopes: testScopes,
		BusURL: "nats://127.0.0.1:4222", TimeZone: "Europe/London"}
	if diff := cmp.Diff(want, id); diff != "" {
		t.Error(diff)
	}
	for _, tc := range []struct {
		name   string
		change func(*pb.EnrolStationResponse)
		want   string
	}{
		{"another station's code", func(r *pb.EnrolStationResponse) { r.Station = "bar-2" }, "belongs to"},
		{"no key list", func(r *pb.EnrolStationResponse) { r.KeyLists = nil }, "key_lists"},
		{"an altered key list", func(r *pb.EnrolStationResponse) { r.KeyLists[0][40] ^= 1 }, "key_lists"},
		{"a gap in the key lists", func(r *pb.EnrolStationResponse) { r.KeyLists[1] = []byte("nothing") }, "key_lists[1]"},
		{"no scope", func(r *pb.EnrolStationResponse) { r.Scopes = nil }, "scopes"},
		{"a scope of no kind", func(r *pb.EnrolStationResponse) { r.Scopes = []string{"planet"} }, "scopes"},
		{"a site that is no slug", func(r *pb.EnrolStationResponse) { r.Site = "../etc" }, "site"},
	} {
		r := proto.Clone(good).(*pb.EnrolStationResponse)
		tc.change(r)
		if err := Enrol(t.Context(), dir, fleet{answer: r}, "code"); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: %v, want an error on %q", tc.name, err, tc.want)
		}
	}
	a := open(t, Config{Dir: dir})
	if v := a.Status().KeyList; v != 2 {
		t.Errorf("key list %d, want 2", v)
	}
	if err := Enrol(t.Context(), dir, fleet{answer: good}, "code"); err == nil || !strings.Contains(err.Error(), "another agent") {
		t.Errorf("enrolling under a running agent: %v", err)
	}
	if a.Identity().Site != testSite {
		t.Errorf("site %q", a.Identity().Site)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".tmp-") {
			t.Errorf("%s was left behind", e.Name())
		}
	}
}
