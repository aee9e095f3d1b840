package quality

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"net"
	"net/url"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// latte is a serving with 12 readings and 8 steps; its figures are invented.
func latte() drink.Serving {
	s := drink.Serving{ID: "latte/m/whole", Drink: "latte", DrinkName: "Latte", Size: "m", Milk: "whole", Vessel: "glass", Shots: 2}
	add := func(measure string, low, target, high drink.Milli, c drink.Criticality, times int) {
		s.Checks = append(s.Checks, drink.Check{ID: measure, Measure: measure, Low: low, Target: target, High: high,
			Criticality: c, Need: drink.WhenSampled, Occurrences: times, Resolution: drink.MeasureByCode(measure).Resolution})
	}
	add("dose", 19_500, 20_000, 20_500, drink.Quality, 2)
	add("yield", 38_000, 40_000, 42_000, drink.Quality, 2)
	add("shot_time", 26_000, 29_000, 32_000, drink.Quality, 2)
	add("milk_temp", 55_000, 60_000, 65_000, drink.Safety, 1)
	add("milk_volume", 200_000, 210_000, 220_000, drink.Quality, 1)
	add("froth_depth", 8_000, 10_000, 12_000, drink.Quality, 1)
	add("pour_height", 40_000, 50_000, 60_000, drink.Appearance, 1)
	add("cup_mass", 250_000, 260_000, 270_000, drink.Quality, 1)
	add("serve_temp", 50_000, 55_000, 60_000, drink.Safety, 1)
	for _, act := range []string{"warm", "pull", "add_milk", "steam", "wipe", "swirl", "pour", "garnish"} {
		s.Steps = append(s.Steps, drink.Step{ID: act, Act: act, Criticality: drink.Quality})
	}
	return s
}

// The keys of the tests' chain: the root signs key lists, signer all else.
var (
	root   = signerOf(1)
	signer = signerOf(0)
)

func signerOf(n byte) *release.Signer {
	seed := make([]byte, ed25519.SeedSize)
	seed[0] = n
	return release.NewSigner(ed25519.NewKeyFromSeed(seed))
}

func signingKey(s *release.Signer) *pb.SigningKey {
	return &pb.SigningKey{PublicKey: s.Public(), Label: "authority", Roles: []pb.KeyRole{pb.KeyRole_KEY_ROLE_RELEASE, pb.KeyRole_KEY_ROLE_ONLINE}}
}

// firstKeyList is key list 1, which names signer.
func firstKeyList(t testing.TB) (*pb.KeyList, []byte) {
	t.Helper()
	list, err := release.FirstKeyList(release.KeyListPlan{Roots: []ed25519.PublicKey{root.Public()}, Threshold: 1,
		Keys: []*pb.SigningKey{signingKey(signer)}, Issued: verdict.ExemplarStart, Lifetime: release.KeyListLifetime})
	if err != nil {
		t.Fatal(err)
	}
	return list, signKeyList(t, list)
}

// nextKeyList follows on list.
func nextKeyList(t testing.TB, list *pb.KeyList, edit release.KeyListEdit) (*pb.KeyList, []byte) {
	t.Helper()
	edit.Issued, edit.Lifetime = verdict.ExemplarStart, release.KeyListLifetime
	next, err := release.NextKeyList(list, edit)
	if err != nil {
		t.Fatal(err)
	}
	return next, signKeyList(t, next)
}

func signKeyList(t testing.TB, list *pb.KeyList) []byte {
	t.Helper()
	envelope, err := release.SignKeyList(list, root)
	if err != nil {
		t.Fatal(err)
	}
	return envelope
}

func testConfig(t testing.TB) Config {
	_, first := firstKeyList(t)
	return Config{KeyLists: [][]byte{first}}
}

// bookRelease signs a book that holds one serving.
func bookRelease(t testing.TB, number uint64, s drink.Serving) []byte {
	t.Helper()
	return releaseBy(t, signer, number, s)
}

func releaseBy(t testing.TB, signer *release.Signer, number uint64, s drink.Serving) []byte {
	t.Helper()
	book := &drink.Book{Chain: "Harbour & Finch", Drinks: []drink.Drink{{ID: s.Drink, Name: s.DrinkName, Servings: []drink.Serving{s}}}}
	envelope, _, err := signer.Sign(&pb.Release{Number: number, Scope: "chain", Book: wire.BookToProto(book),
		CreatedTime: timestamppb.New(verdict.ExemplarStart), EffectiveTime: timestamppb.New(verdict.ExemplarStart)})
	if err != nil {
		t.Fatal(err)
	}
	return envelope
}

// bar makes the chained log of one station.
type bar struct {
	t             testing.TB
	site, station string
	release       uint64
	sequence      uint64
	last          []byte
	set           *verdict.Set
}

func newBar(t testing.TB, site, station string) *bar {
	t.Helper()
	set, err := verdict.CompileBook([]drink.Serving{latte()})
	if err != nil {
		t.Fatal(err)
	}
	return &bar{t: t, site: site, station: station, release: 1, set: set}
}

// log makes one record after change; the station judges it as it is.
func (b *bar) log(change func(*drink.Build)) []byte {
	return b.write(b.record(change))
}

func (b *bar) record(change func(*drink.Build)) *pb.BuildRecord {
	s := latte()
	build := verdict.Exemplar(&s)
	b.sequence++
	build.ID = fmt.Sprintf("%s/%s/%08d", b.site, b.station, b.sequence)
	build.Site, build.Station, build.Release = b.site, b.station, b.release
	if change != nil {
		change(&build)
	}
	logged := build.FinishedAt
	var v verdict.Verdict
	b.set.Judge(&build, logged, &v)
	return &pb.BuildRecord{Build: wire.BuildToProto(&build), Verdict: wire.VerdictToProto(&v),
		Sequence: b.sequence, PreviousHash: b.last, LoggedTime: timestamppb.New(logged)}
}

func (b *bar) write(rec *pb.BuildRecord) []byte {
	data := marshal(b.t, rec)
	hash := sha256.Sum256(data)
	b.last = hash[:]
	return data
}

func fast(b *drink.Build) {
	for i := range b.Readings {
		if b.Readings[i].Check == "shot_time" {
			b.Readings[i].Value = 22_000
			return
		}
	}
}

func (b *bar) batch(records ...[]byte) []byte {
	return marshal(b.t, &pb.BuildBatch{Site: b.site, Station: b.station, Records: records})
}

func marshal(t testing.TB, m proto.Message) []byte {
	t.Helper()
	data, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// rig is an in-process bus with a quality service on it.
type rig struct {
	t      *testing.T
	dir    string
	busDir string
	server *bus.Server
	nc     *nats.Conn
	js     jetstream.JetStream

	svc    *Service
	client pb.QualityServiceClient
	stop   func()
	// sites is passed to the service.
	sites SiteSource
}

func newRig(t *testing.T) *rig {
	t.Helper()
	r := &rig{t: t, dir: t.TempDir(), busDir: t.TempDir(), stop: func() {}}
	r.startBus(-1)
	t.Cleanup(func() { r.server.Shutdown() })
	var err error
	if r.nc, err = bus.Connect(t.Context(), r.server.URL(), "test", zap.NewNop()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.nc.Close)
	if r.js, err = jetstream.New(r.nc); err != nil {
		t.Fatal(err)
	}
	if err := bus.EnsureStreams(t.Context(), r.js); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.stop() })
	return r
}

func (r *rig) startBus(port int) {
	r.t.Helper()
	var err error
	r.server, err = bus.StartServer(bus.ServerConfig{StoreDir: r.busDir, Port: port})
	if err != nil {
		r.t.Fatal(err)
	}
}

// busPort is the port that the bus listens on.
func (r *rig) busPort() int {
	r.t.Helper()
	u, err := url.Parse(r.server.URL())
	if err != nil {
		r.t.Fatal(err)
	}
	port, err := strconv.Atoi(u.Port())
	if err != nil {
		r.t.Fatal(err)
	}
	return port
}

// open opens the service without running it.
func (r *rig) open() {
	r.t.Helper()
	cfg := testConfig(r.t)
	cfg.Dir, cfg.NATS, cfg.Sites = r.dir, r.nc, r.sites
	var err error
	r.svc, err = Open(r.t.Context(), cfg)
	if err != nil {
		r.t.Fatal(err)
	}
	svc := r.svc
	r.stop = sync.OnceFunc(func() {
		if err := svc.Close(); err != nil {
			r.t.Error(err)
		}
	})
}

// start opens and runs the service until stop is called.
func (r *rig) start() {
	r.t.Helper()
	r.open()
	ctx, cancel := context.WithCancel(context.Background())
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		r.t.Fatal(err)
	}
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{})
	r.svc.Register(srv)
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := r.svc.Run(ctx); err != nil {
			r.t.Error(err)
		}
	})
	wg.Go(func() { _ = srv.Serve(lis) })
	cc, err := rpc.Dial(lis.Addr().String())
	if err != nil {
		r.t.Fatal(err)
	}
	r.client = pb.NewQualityServiceClient(cc)
	closeStore := r.stop
	r.stop = sync.OnceFunc(func() {
		cancel()
		_ = cc.Close()
		srv.Stop()
		wg.Wait()
		closeStore()
	})
}

func (r *rig) publish(subject string, data []byte) {
	r.t.Helper()
	if _, err := r.js.Publish(r.t.Context(), subject, data); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) publishRelease(number uint64) {
	r.t.Helper()
	r.publish(bus.ReleaseSubject("chain", number), bookRelease(r.t, number, latte()))
}

func (r *rig) builds(b *bar, records ...[]byte) {
	r.t.Helper()
	r.publish(bus.BuildSubject(b.site, b.station), b.batch(records...))
}

func (r *rig) deviation(b *bar, record []byte) {
	r.t.Helper()
	r.publish(bus.DeviationSubject(b.site, b.station), record)
}

// patience is long, since under the race detector and beside other tests a disk
// can be slow; nothing waits for all of it that does not fail.
const patience = 3 * time.Minute

// eventually polls until done returns "", else fails with what it returned.
func eventually(t *testing.T, done func() string) {
	t.Helper()
	ticker := time.NewTicker(5 * time.Millisecond)
	defer ticker.Stop()
	for end := time.Now().Add(patience); ; <-ticker.C {
		missing := done()
		if missing == "" {
			return
		}
		if time.Now().After(end) {
			t.Fatal(missing)
		}
	}
}

// drained waits until the bus has nothing left for the intake.
func (r *rig) drained() {
	r.t.Helper()
	eventually(r.t, func() string {
		for _, name := range []string{bus.StreamBuilds, bus.StreamDeviations} {
			s, err := r.js.Stream(r.t.Context(), name)
			if err != nil {
				return err.Error()
			}
			if n := s.CachedInfo().State.Msgs; n > 0 {
				return fmt.Sprintf("%d messages left in %s", n, name)
			}
		}
		c, err := r.js.Consumer(r.t.Context(), bus.StreamBook, consumerName)
		if err != nil {
			return err.Error()
		}
		if i := c.CachedInfo(); i.NumPending+uint64(i.NumAckPending) > 0 {
			return "releases are left in the stream of books"
		}
		return ""
	})
}

// counted compares the intake after the bus is drained, and again while it is
// another: the bus may tell of a message a moment after it took it.
func (r *rig) counted(quarantined uint64, want ...*pb.StationIntake) {
	r.t.Helper()
	r.drained()
	w := &pb.GetIntakeResponse{Stations: want, Quarantined: quarantined}
	eventually(r.t, func() string {
		got, err := r.client.GetIntake(r.t.Context(), &pb.GetIntakeRequest{})
		if err != nil {
			r.t.Fatal(err)
		}
		if proto.Equal(got, w) {
			return ""
		}
		return fmt.Sprintf("intake\n got %v\nwant %v", got, w)
	})
}
