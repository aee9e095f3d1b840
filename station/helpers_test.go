package station

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	testSite    = "tannery-row"
	testStation = "bar-1"
	patience    = 30 * time.Second
)

var (
	testScopes = release.Scopes("north", testSite)
	// testRoot vouches for testSigner, which signs releases and all else.
	testRoot   = signerOf(100)
	testSigner = signerOf(0)
	// opening is when the test releases come into force.
	opening = time.Date(2026, 11, 2, 7, 0, 0, 0, time.UTC)
)

// espresso is a serving with one check; its tolerance is a choice of the test.
func espresso(low drink.Milli) drink.Serving {
	return drink.Serving{
		ID: "espresso/cup", Drink: "espresso", DrinkName: "Espresso", Size: "cup", Vessel: "cup", Shots: 1,
		Steps: []drink.Step{{ID: "pull", Act: "pull", Criticality: drink.Quality}},
		Checks: []drink.Check{{
			ID: "shot_time", Measure: "shot_time", Target: 29_000, Low: low, High: 32_000,
			Criticality: drink.Quality, Need: drink.Always, Occurrences: 1, Resolution: 1_000,
		}},
	}
}

func testBook(low drink.Milli) *drink.Book {
	return &drink.Book{
		Chain:   "Harbour & Finch",
		House:   drink.House{Pull: drink.Pull{Basket: 20_000, StartEvent: "pump_on", SinglesPerPull: 2}},
		Vessels: []drink.Vessel{{ID: "cup", Name: "cup", Material: "china", Base: 50_000, Top: 80_000, Height: 60_000, Brim: 200_000}},
		Drinks:  []drink.Drink{{ID: "espresso", Name: "Espresso", Servings: []drink.Serving{espresso(low)}}},
	}
}

func signerOf(seed byte) *release.Signer {
	raw := make([]byte, ed25519.SeedSize)
	raw[0] = seed
	return release.NewSigner(ed25519.NewKeyFromSeed(raw))
}

func signingKey(s *release.Signer) *pb.SigningKey {
	return &pb.SigningKey{PublicKey: s.Public(), Roles: []pb.KeyRole{pb.KeyRole_KEY_ROLE_RELEASE, pb.KeyRole_KEY_ROLE_ONLINE}}
}

const keyListLifetime = 400 * 24 * time.Hour

// firstList is key list 1, which names testSigner.
func firstList(t testing.TB) (*pb.KeyList, []byte) {
	t.Helper()
	list, err := release.FirstKeyList(release.KeyListPlan{
		Roots: []ed25519.PublicKey{testRoot.Public()}, Threshold: 1, Keys: []*pb.SigningKey{signingKey(testSigner)},
		Issued: time.Now(), Lifetime: keyListLifetime,
	})
	if err != nil {
		t.Fatal(err)
	}
	return list, signList(t, list)
}

func signList(t testing.TB, list *pb.KeyList) []byte {
	t.Helper()
	raw, err := release.SignKeyList(list, testRoot)
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

func nextList(t testing.TB, list *pb.KeyList, e release.KeyListEdit) (*pb.KeyList, []byte) {
	t.Helper()
	e.Issued, e.Lifetime = time.Now(), keyListLifetime
	next, err := release.NextKeyList(list, e)
	if err != nil {
		t.Fatal(err)
	}
	return next, signList(t, next)
}

// sign makes a release; low tells the books of two releases apart.
func sign(t testing.TB, number uint64, scope string, effective time.Time, low drink.Milli) []byte {
	t.Helper()
	return signBy(t, testSigner, number, scope, effective, low)
}

func signBy(t testing.TB, by *release.Signer, number uint64, scope string, effective time.Time, low drink.Milli) []byte {
	t.Helper()
	return seal(t, by, release.PayloadType, &pb.Release{
		Number: number, Edition: number, Scope: scope, CreatedTime: timestamppb.New(opening), EffectiveTime: timestamppb.New(effective),
		Book: wire.BookToProto(testBook(low)),
	})
}

func seal(t testing.TB, by *release.Signer, payloadType string, m proto.Message) []byte {
	t.Helper()
	env, _, err := by.Seal(payloadType, m)
	if err != nil {
		t.Fatal(err)
	}
	return env
}

// orderOf orders a release from its effective time on.
func orderOf(t testing.TB, envelope []byte) *pb.Order {
	t.Helper()
	var env pb.Envelope
	var rel pb.Release
	if err := proto.Unmarshal(envelope, &env); err != nil {
		t.Fatal(err)
	}
	if err := proto.Unmarshal(env.Payload, &rel); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(env.Payload)
	return &pb.Order{Release: rel.Number, Digest: sum[:], Scope: rel.Scope, Edition: rel.Edition, StartTime: rel.EffectiveTime}
}

func assignment(serial uint64, orders ...*pb.Order) *pb.Assignment {
	now := time.Now()
	return &pb.Assignment{Site: testSite, Serial: serial, IssuedTime: timestamppb.New(now), ExpireTime: timestamppb.New(now.Add(7 * 24 * time.Hour)), Orders: orders, KeyList: 1}
}

func assign(t testing.TB, serial uint64, orders ...*pb.Order) []byte {
	t.Helper()
	return seal(t, testSigner, release.AssignmentPayloadType, assignment(serial, orders...))
}

func stopList(t testing.TB, version uint64, stops ...*pb.Stop) []byte {
	t.Helper()
	return seal(t, testSigner, release.StopsPayloadType, &pb.StopList{Version: version, IssuedTime: timestamppb.Now(), Stops: stops})
}

func stopDrink(id, drinkID string) *pb.Stop {
	return &pb.Stop{Id: id, Kind: pb.StopKind_STOP_KIND_DRINK, Target: drinkID, Reason: "undeclared nut", Scopes: []string{"chain"}}
}

// enrolled makes a station's directory.
func enrolled(t testing.TB, dir, busURL string) {
	t.Helper()
	_, list := firstList(t)
	answer := &pb.EnrolStationResponse{Site: testSite, Station: testStation, Scopes: testScopes, KeyLists: [][]byte{list}, BusUrl: busURL}
	if err := Enrol(t.Context(), dir, fleet{answer: answer}, "code"); err != nil {
		t.Fatal(err)
	}
}

func open(t testing.TB, cfg Config) *Agent {
	t.Helper()
	a, err := Open(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	})
	return a
}

// offline opens a fresh agent with release 1 and no bus.
func offline(t testing.TB) *Agent {
	t.Helper()
	dir := t.TempDir()
	enrolled(t, dir, "")
	a := open(t, Config{Dir: dir})
	give(t, a, sign(t, 1, "chain", opening, 26_000))
	return a
}

// give hands a release to the agent and orders it from its effective time on,
// as the centre would: the release, then an assignment that names the order
// before the one in force and all after it.
func give(t testing.TB, a *Agent, envelope []byte) {
	t.Helper()
	o := orderOf(t, envelope)
	takeIn(t, a, bus.ReleaseSubject(o.Scope, o.Release), envelope)
	var orders []*pb.Order
	if held, _ := a.shelf.Assigned(); held != nil {
		orders = held.Assignment.Orders
	}
	orders = addOrder(orders, o, a.cfg.Now())
	takeIn(t, a, bus.AssignmentSubject(testSite), assign(t, a.shelf.Serial()+1, orders...))
}

func addOrder(orders []*pb.Order, o *pb.Order, now time.Time) []*pb.Order {
	out := append(slices.Clone(orders), o)
	slices.SortStableFunc(out, func(a, b *pb.Order) int { return a.StartTime.AsTime().Compare(b.StartTime.AsTime()) })
	for len(out) > 2 && !out[2].StartTime.AsTime().After(now) {
		out = out[1:]
	}
	return out
}

func takeIn(t testing.TB, a *Agent, subject string, envelope []byte) {
	t.Helper()
	if err := a.take(t.Context(), nil, subject, envelope); err != nil {
		t.Fatal(err)
	}
}

// run starts the agent's Run and returns what ends it.
func run(t testing.TB, a *Agent) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
		})
	}
	t.Cleanup(stop)
	return stop
}

// build is an espresso made now, to the letter.
func build() *pb.Build {
	s := espresso(26_000)
	b := verdict.Exemplar(&s)
	b.ID, b.Release, b.Site, b.Station = uuid.NewString(), 0, "", ""
	b.StartedAt = time.Now().Add(-time.Minute)
	b.FinishedAt = b.StartedAt.Add(40 * time.Second)
	for i := range b.Readings {
		b.Readings[i].MeasuredAt, b.Readings[i].EnteredAt, b.Readings[i].ReceivedAt = time.Time{}, time.Time{}, time.Time{}
	}
	return wire.BuildToProto(&b)
}

// slow is a build whose shot ran long.
func slow() *pb.Build {
	b := build()
	b.Readings[0].ValueMilli = 40_000
	return b
}

func logOne(t testing.TB, a *Agent, b *pb.Build) *pb.LogBuildResponse {
	t.Helper()
	res, err := a.LogBuild(t.Context(), &pb.LogBuildRequest{Build: b})
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// until polls a condition.
func until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(patience)
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("still not after %s: %s", patience, what)
		}
		time.Sleep(5 * time.Millisecond)
	}
}
