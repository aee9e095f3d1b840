package console

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// officeAt is when the tests of head office begin: a quiet morning.
var officeAt = time.Date(2026, 10, 5, 8, 0, 0, 0, time.UTC)

// emptyChain is a chain on its first day: no site, no book, no person.
func emptyChain(t *testing.T) *chain {
	t.Helper()
	c, err := openChain(officeAt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.close(); err != nil {
			t.Error(err)
		}
	})
	return c
}

// officeChain has sites with two bars each, the counter book as edition 1, and
// somebody for each role.
func officeChain(t *testing.T) *chain {
	t.Helper()
	c := emptyChain(t)
	ctx := t.Context()
	if err := c.settleIn(ctx); err != nil {
		t.Fatal(err)
	}
	return c
}

func (c *chain) settleIn(ctx context.Context) error {
	fleet := pb.NewFleetServiceClient(c.cc)
	for _, s := range testSites {
		if _, err := fleet.CreateSite(ctx, &pb.CreateSiteRequest{Site: s}); err != nil {
			return err
		}
		for _, bar := range []string{"bar-1", "bar-2"} {
			code, err := fleet.CreateEnrolment(ctx, &pb.CreateEnrolmentRequest{Site: s.Id, Station: bar})
			if err == nil {
				_, err = fleet.EnrolStation(ctx, &pb.EnrolStationRequest{Code: code.Code})
			}
			if err != nil {
				return err
			}
		}
	}
	if err := c.publish(ctx); err != nil {
		return err
	}
	for _, p := range []struct{ id, name, role string }{{"admin", "Admin", "administrator"}, {"ada", "Ada Brook", "author"}, {"ben", "Ben Ode", "approver"},
		{"fay", "Fay Quill", "food-safety"}, {"flo", "Flo Marsh", "fleet-manager"}, {"lea", "Lea Finch", "quality-lead"}, {"olu", "Olu Stone", "auditor"}} {
		cc, err := rpc.Dial(c.addr, rpc.WithToken(c.tokens["admin"]))
		if err != nil {
			return err
		}
		res, err := pb.NewGovernanceServiceClient(cc).CreatePerson(ctx, &pb.CreatePersonRequest{RequestId: uuid.NewString(), PersonId: p.id, DisplayName: p.name, Roles: []string{p.role}})
		if err := errors.Join(err, cc.Close()); err != nil {
			return err
		}
		c.tokens[p.id] = res.Token
	}
	return nil
}

// heard has a station say what it follows; release 0 refuses the newest.
func (c *chain) heard(t *testing.T, site, station string, release uint64, used bool, refusals ...*pb.Refusal) {
	t.Helper()
	p := &pb.Presence{Site: site, Station: station, Release: release, SentTime: timestamppb.New(c.now()), LastBuildTime: timestamppb.New(c.now()), Refusals: refusals}
	if used {
		p.UsedReleases = []uint64{release}
	}
	data, err := proto.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(c.nc.Publish(bus.PresenceSubject(site, station), data), c.nc.Flush()); err != nil {
		t.Fatal(err)
	}
}

// tellConn changes what a service answered before the console reads it.
type tellConn struct {
	grpc.ClientConnInterface
	change func(reply any)
}

func (c *tellConn) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	if err := c.ClientConnInterface.Invoke(ctx, method, args, reply, opts...); err != nil {
		return err
	}
	c.change(reply)
	return nil
}

var hiddenField = regexp.MustCompile(`name="etag" value="([^"]*)"`)

// send fills in a form as the page at path has it and sends it there.
func (d *desk) send(path, act string, fields ...string) (*http.Response, string) {
	d.t.Helper()
	_, body := d.get(path)
	f := url.Values{"act": {act}, "request_id": {uuid.NewString()}}
	if m := hiddenField.FindStringSubmatch(body); m != nil {
		f.Set("etag", m[1])
	}
	for i := 0; i+1 < len(fields); i += 2 {
		f.Add(fields[i], fields[i+1])
	}
	return d.post(path, f)
}

// did sends a form and wants it done; it says where the page goes on.
func (d *desk) did(path, act string, fields ...string) string {
	d.t.Helper()
	res, body := d.send(path, act, fields...)
	if res.StatusCode != http.StatusSeeOther {
		d.t.Fatalf("%s at %s: %d\n%s", act, path, res.StatusCode, told(body))
	}
	return res.Header.Get("Location")
}

// refused sends a form and wants it refused in these words.
func (d *desk) refused(path string, code int, words []string, act string, fields ...string) string {
	d.t.Helper()
	res, body := d.send(path, act, fields...)
	if res.StatusCode != code {
		d.t.Errorf("%s at %s: %d, want %d\n%s", act, path, res.StatusCode, code, told(body))
	}
	for _, w := range words {
		if !strings.Contains(body, w) {
			d.t.Errorf("%s at %s: the answer lacks %q\n%s", act, path, w, told(body))
		}
	}
	return body
}

// told is what a page refuses, for messages of tests.
func told(body string) string {
	if _, after, ok := strings.Cut(body, `id="refused"`); ok {
		return after[:min(len(after), 600)]
	}
	if _, after, ok := strings.Cut(body, "<main"); ok {
		return after[:min(len(after), 600)]
	}
	return body
}

// people opens a desk for each who is named.
func people(t *testing.T, c *chain, change func(*Config), ids ...string) map[string]*desk {
	t.Helper()
	out := map[string]*desk{}
	for _, id := range ids {
		out[id] = openDesk(t, c, change).as(c.tokens[id])
	}
	return out
}

// ticks are the cautions of a review, each as a field to send.
func ticks(body string) (out []string) {
	for _, m := range regexp.MustCompile(`name="caution" value="([0-9a-f]{8})"`).FindAllStringSubmatch(body, -1) {
		out = append(out, "caution", m[1])
	}
	return out
}

func newID() string { return uuid.NewString() }

// asPerson lets a call ask as somebody.
func (c *chain) asPerson(ctx context.Context, id string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+c.tokens[id])
}

// countingRecord is a record of n entries.
type countingRecord struct {
	pb.GovernanceServiceClient
	n uint64
}

func (r countingRecord) StreamRecord(_ context.Context, req *pb.StreamRecordRequest, _ ...grpc.CallOption) (grpc.ServerStreamingClient[pb.StreamRecordResponse], error) {
	return &countingStream{next: req.After + 1, n: r.n}, nil
}

type countingStream struct {
	grpc.ClientStream
	next, n uint64
}

func (s *countingStream) Recv() (*pb.StreamRecordResponse, error) {
	if s.next > s.n {
		return nil, io.EOF
	}
	s.next++
	return &pb.StreamRecordResponse{Entry: &pb.RecordEntry{Number: s.next - 1}}, nil
}
