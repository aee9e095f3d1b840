// Package stationtest answers one question: how does a test get a real station
// with a book, without a centre?
//
// A Rig is an enrolled directory with an agent on it, a clock that the test
// moves, and the keys that sign what the station is given.
package stationtest

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"io/fs"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station"
	"samecup.example/samecup/testdata"
)

// Site and Station are the rig's.
const (
	Site    = "tannery-row"
	Station = "bar-1"
)

// Start is when a rig's clock begins: a Monday morning in the site's zone.
var Start = time.Date(2026, 11, 2, 10, 0, 0, 0, time.UTC)

// Clock is one that a test moves. It is safe for concurrent use.
type Clock struct {
	mu  sync.Mutex
	now time.Time
}

// Now is the clock's time.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// Add moves the clock on, or back.
func (c *Clock) Add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

// Rig is a station for a test.
type Rig struct {
	tb    testing.TB
	Clock *Clock
	Dir   string
	Agent *station.Agent

	signer *release.Signer
	orders []*pb.Order
	serial uint64
	stops  uint64
}

// New enrols a station in a new directory and opens its agent, without a bus and
// without a release.
func New(tb testing.TB) *Rig {
	tb.Helper()
	r := &Rig{tb: tb, Clock: &Clock{now: Start}, Dir: tb.TempDir(), signer: signer(0)}
	root := signer(100)
	list, err := release.FirstKeyList(release.KeyListPlan{
		Roots: []ed25519.PublicKey{root.Public()}, Threshold: 1, Issued: Start.Add(-time.Hour), Lifetime: 400 * 24 * time.Hour,
		Keys: []*pb.SigningKey{{PublicKey: r.signer.Public(), Roles: []pb.KeyRole{pb.KeyRole_KEY_ROLE_RELEASE, pb.KeyRole_KEY_ROLE_ONLINE}}},
	})
	r.must(err)
	raw, err := release.SignKeyList(list, root)
	r.must(err)
	answer := &pb.EnrolStationResponse{Site: Site, Station: Station, Scopes: release.Scopes("north", Site), KeyLists: [][]byte{raw}, TimeZone: "Europe/London"}
	r.must(station.Enrol(tb.Context(), r.Dir, fleet{answer: answer}, "code"))
	r.open()
	tb.Cleanup(func() { r.must(r.Agent.Close()) })
	return r
}

func (r *Rig) open() {
	r.tb.Helper()
	a, err := station.Open(context.Background(), station.Config{Dir: r.Dir, Now: r.Clock.Now})
	r.must(err)
	r.Agent = a
}

// Restart closes the agent and opens it again. Close what uses it first.
func (r *Rig) Restart() {
	r.tb.Helper()
	r.must(r.Agent.Close())
	r.open()
}

// Crash goes on from a copy of the directory as it stands, as after a kill. What
// used the old agent is to be closed, and then the agent itself.
func (r *Rig) Crash() (closeOld func()) {
	r.tb.Helper()
	dir, old := r.tb.TempDir(), r.Agent
	r.must(os.CopyFS(dir, os.DirFS(r.Dir)))
	r.Dir = dir
	r.open()
	return func() { r.must(old.Close()) }
}

// Book is the small book of the invented chain, anew each time.
func Book(tb testing.TB) *drink.Book {
	tb.Helper()
	sub, err := fs.Sub(testdata.FS, "harbour-finch-counter")
	if err != nil {
		tb.Fatal(err)
	}
	book, problems := drink.LoadAndCheck(sub)
	if book == nil {
		tb.Fatal(problems)
	}
	return book
}

// Give hands the station a release in force from now on.
func (r *Rig) Give(number uint64, book *drink.Book) {
	r.tb.Helper()
	r.GiveAt(number, book, r.Clock.Now())
}

// GiveAt hands the station a release in force from a time on.
func (r *Rig) GiveAt(number uint64, book *drink.Book, at time.Time) {
	r.tb.Helper()
	env, _, err := r.signer.Seal(release.PayloadType, &pb.Release{
		Number: number, Edition: number, Scope: "chain", CreatedTime: timestamppb.New(Start.Add(-time.Hour)),
		EffectiveTime: timestamppb.New(at), Book: wire.BookToProto(book),
	})
	r.must(err)
	r.take(bus.ReleaseSubject("chain", number), env)
	var sealed pb.Envelope
	r.must(proto.Unmarshal(env, &sealed))
	sum := sha256.Sum256(sealed.Payload)
	r.orders = append(r.orders, &pb.Order{Release: number, Digest: sum[:], Scope: "chain", Edition: number, StartTime: timestamppb.New(at)})
	slices.SortStableFunc(r.orders, func(a, b *pb.Order) int { return a.StartTime.AsTime().Compare(b.StartTime.AsTime()) })
	now := r.Clock.Now()
	for len(r.orders) > 2 && !r.orders[2].StartTime.AsTime().After(now) {
		r.orders = r.orders[1:]
	}
	r.serial++
	env, _, err = r.signer.Seal(release.AssignmentPayloadType, &pb.Assignment{
		Site: Site, Serial: r.serial, IssuedTime: timestamppb.New(now), ExpireTime: timestamppb.New(now.Add(7 * 24 * time.Hour)), Orders: r.orders, KeyList: 1,
	})
	r.must(err)
	r.take(bus.AssignmentSubject(Site), env)
}

// Stop hands the station a list of stops.
func (r *Rig) Stop(stops ...*pb.Stop) {
	r.tb.Helper()
	r.stops++
	env, _, err := r.signer.Seal(release.StopsPayloadType, &pb.StopList{Version: r.stops, IssuedTime: timestamppb.New(r.Clock.Now()), Stops: stops})
	r.must(err)
	r.take(bus.StopListSubject(r.stops), env)
}

func (r *Rig) take(subject string, envelope []byte) {
	r.tb.Helper()
	r.must(r.Agent.TakeIn(context.Background(), subject, envelope))
}

func (r *Rig) must(err error) {
	r.tb.Helper()
	if err != nil {
		r.tb.Fatal(err)
	}
}

func signer(seed byte) *release.Signer {
	raw := make([]byte, ed25519.SeedSize)
	raw[0] = seed
	return release.NewSigner(ed25519.NewKeyFromSeed(raw))
}

// fleet answers an enrolment.
type fleet struct {
	pb.FleetServiceClient
	answer *pb.EnrolStationResponse
}

func (f fleet) EnrolStation(context.Context, *pb.EnrolStationRequest, ...grpc.CallOption) (*pb.EnrolStationResponse, error) {
	return f.answer, nil
}
