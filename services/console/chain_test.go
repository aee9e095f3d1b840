package console

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/sim"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority"
	"samecup.example/samecup/services/quality"
	"samecup.example/samecup/testdata"
)

// patience is long, since under the race detector and beside other tests a season
// takes its time.
const patience = 3 * time.Minute

// chain is an authority and quality in this process, each at an address of its
// own, on one bus and with a clock that tests move.
type chain struct {
	dir    string
	mu     sync.Mutex
	at     time.Time
	srv    *bus.Server
	nc     *nats.Conn
	js     jetstream.JetStream
	auth   *authority.Service
	cc, qc *grpc.ClientConn
	addr   string
	undo   []func() error
	tokens map[string]string
}

func (c *chain) now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.at }

func (c *chain) set(t time.Time) { c.mu.Lock(); defer c.mu.Unlock(); c.at = t }

func openChain(at time.Time) (c *chain, err error) {
	dir, err := os.MkdirTemp("", "console-test-")
	if err != nil {
		return nil, err
	}
	ctx := context.Background()
	c = &chain{dir: dir, at: at, tokens: map[string]string{}}
	c.undo = append(c.undo, func() error { return os.RemoveAll(dir) })
	defer func() {
		if err != nil {
			err = errors.Join(err, c.close())
		}
	}()
	if c.srv, err = bus.StartServer(bus.ServerConfig{StoreDir: filepath.Join(dir, "bus"), Port: -1}); err != nil {
		return c, err
	}
	c.undo = append(c.undo, func() error { c.srv.Shutdown(); return nil })
	if c.nc, err = bus.Connect(ctx, c.srv.URL(), "test", zap.NewNop()); err != nil {
		return c, err
	}
	c.undo = append(c.undo, func() error { c.nc.Close(); return nil })
	if c.js, err = jetstream.New(c.nc); err != nil {
		return c, err
	}
	auth, err := authority.Open(ctx, authority.Config{Dir: filepath.Join(dir, "authority"), Now: c.now, NATS: c.nc, BusURL: c.srv.URL(), TickEvery: 100 * time.Millisecond})
	if err != nil {
		return c, err
	}
	c.undo = append(c.undo, auth.Close)
	c.auth = auth
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return c, err
	}
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{Authorise: auth.Authorise})
	auth.Register(srv)
	run, stop := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() { _ = auth.Run(run) })
	wg.Go(func() { _ = srv.Serve(lis) })
	c.undo = append(c.undo, func() error { stop(); srv.Stop(); wg.Wait(); return nil })
	c.addr = lis.Addr().String()
	if c.cc, err = rpc.Dial(c.addr); err != nil {
		return c, err
	}
	c.undo = append(c.undo, c.cc.Close)
	return c, nil
}

func (c *chain) openQuality(ctx context.Context) (*quality.Service, error) {
	return quality.Open(ctx, quality.Config{Dir: filepath.Join(c.dir, "quality"), Now: c.now, NATS: c.nc, KeyLists: c.auth.KeyLists(), Sites: c.auth.Sites, UndoWait: -1})
}

// take has quality take in what is on the bus, and ends it again. The watch saves
// rarely beside an intake; started anew, it reads all and saves at once.
func (c *chain) take(ctx context.Context) error {
	q, err := c.openQuality(ctx)
	if err != nil {
		return err
	}
	run, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- q.Run(run) }()
	err = eventually("the bus is drained", func() (bool, error) {
		s, err := c.js.Stream(ctx, bus.StreamBuilds)
		if err != nil {
			return false, err
		}
		n := s.CachedInfo().State.Msgs
		return n == 0, fmt.Errorf("%d messages wait", n)
	})
	stop()
	return errors.Join(err, <-ended, q.Close())
}

// serveQuality opens quality at an address of its own.
func (c *chain) serveQuality(ctx context.Context) error {
	q, err := c.openQuality(ctx)
	if err != nil {
		return err
	}
	c.undo = append(c.undo, q.Close)
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{Authorise: c.auth.Authorise})
	q.Register(srv)
	run, stop := context.WithCancel(context.WithoutCancel(ctx))
	var wg sync.WaitGroup
	wg.Go(func() { _ = q.Run(run) })
	wg.Go(func() { _ = srv.Serve(lis) })
	c.undo = append(c.undo, func() error { stop(); srv.Stop(); wg.Wait(); return nil })
	if c.qc, err = rpc.Dial(lis.Addr().String()); err != nil {
		return err
	}
	c.undo = append(c.undo, c.qc.Close)
	return nil
}

func (c *chain) close() error {
	var errs []error
	for i := len(c.undo) - 1; i >= 0; i-- {
		errs = append(errs, c.undo[i]())
	}
	c.undo = nil
	return errors.Join(errs...)
}

func eventually(what string, done func() (bool, error)) error {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	var last error
	for end := time.Now().Add(patience); time.Now().Before(end); <-tick.C {
		ok, err := done()
		if ok {
			return nil
		}
		last = err
	}
	return fmt.Errorf("not in time: %s: %w", what, last)
}

// The season of the tests: four sites with two bars each, 26 days; the shots of
// one bar run ever faster from day 17 on, as with worn burrs (common practice,
// no source). Day 26 is today.
var (
	firstDay  = time.Date(2026, 10, 1, 0, 0, 0, 0, time.UTC)
	testToday = time.Date(2026, 10, 27, 7, 40, 0, 0, time.UTC)
)

const (
	seasonDays = 26
	driftFrom  = 17
	perDay     = 26
	driftSite  = "tannery-row"
)

var testSites = []*pb.Site{
	{Id: "tannery-row", Name: "Tannery Row", Region: "harbour", TimeZone: "Europe/London"},
	{Id: "lantern-hill", Name: "Lantern Hill", Region: "harbour", TimeZone: "Europe/London"},
	{Id: "oyster-steps", Name: "Oyster Steps", Region: "finch", TimeZone: "Europe/Amsterdam"},
	{Id: "quillmaker-street", Name: "Quillmaker Street", Region: "finch", TimeZone: "Europe/Amsterdam"},
}

var (
	seasonOnce sync.Once
	season     *chain
	seasonErr  error
)

// seasonChain is the chain that most tests look at; it is filled once.
func seasonChain(t testing.TB) *chain {
	t.Helper()
	seasonOnce.Do(func() { season, seasonErr = fillSeason() })
	if seasonErr != nil {
		t.Fatal(seasonErr)
	}
	return season
}

func TestMain(m *testing.M) {
	code := m.Run()
	if season != nil {
		if err := season.close(); err != nil {
			fmt.Fprintln(os.Stderr, "close the season:", err)
			code = max(code, 1)
		}
	}
	os.Exit(code)
}

func fillSeason() (c *chain, err error) {
	if c, err = openChain(firstDay.Add(-time.Hour)); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, c.close())
		}
	}()
	ctx := context.Background()
	fleet := pb.NewFleetServiceClient(c.cc)
	for _, s := range testSites {
		if _, err := fleet.CreateSite(ctx, &pb.CreateSiteRequest{Site: s}); err != nil {
			return c, err
		}
		for _, bar := range []string{"bar-1", "bar-2"} {
			code, err := fleet.CreateEnrolment(ctx, &pb.CreateEnrolmentRequest{Site: s.Id, Station: bar})
			if err == nil {
				_, err = fleet.EnrolStation(ctx, &pb.EnrolStationRequest{Code: code.Code})
			}
			if err != nil {
				return c, err
			}
		}
	}
	if err := c.publish(ctx); err != nil {
		return c, err
	}
	if err := c.hire(ctx); err != nil {
		return c, err
	}
	// Quality takes a build that begins after its own clock for one of a clock
	// that runs ahead.
	c.set(testToday)
	builds, err := c.logSeason()
	if err != nil {
		return c, err
	}
	if err := c.presences(); err != nil {
		return c, err
	}
	if err := c.take(ctx); err != nil {
		return c, err
	}
	if err := c.serveQuality(ctx); err != nil {
		return c, err
	}
	return c, c.counted(ctx, builds)
}

// publish releases the counter book.
func (c *chain) publish(ctx context.Context) error {
	sub, err := fs.Sub(testdata.FS, "harbour-finch-counter")
	if err != nil {
		return err
	}
	files, problems := drink.ReadFiles(sub)
	if err := problems.Err(); err != nil {
		return err
	}
	req := &pb.CreateReleaseRequest{RequestId: uuid.NewString(), Scope: "chain", Note: "the autumn book", Author: "test"}
	for path, content := range files {
		req.Files = append(req.Files, &pb.SourceFile{Path: path, Content: content})
	}
	_, err = pb.NewBookServiceClient(c.cc).CreateRelease(ctx, req)
	return err
}

// hire adds people, the administrator first.
func (c *chain) hire(ctx context.Context) error {
	for _, p := range []struct {
		id, name string
		roles    []string
	}{{"admin", "Admin", []string{"administrator"}}, {"lea", "Lea", []string{"quality-lead"}}, {"ada", "Ada", []string{"author"}}, {"olu", "Olu", []string{"auditor"}}} {
		cc, err := rpc.Dial(c.addr, rpc.WithToken(c.tokens["admin"]))
		if err != nil {
			return err
		}
		res, err := pb.NewGovernanceServiceClient(cc).CreatePerson(ctx, &pb.CreatePersonRequest{RequestId: uuid.NewString(), PersonId: p.id, DisplayName: p.name, Roles: p.roles})
		if err := errors.Join(err, cc.Close()); err != nil {
			return err
		}
		c.tokens[p.id] = res.Token
	}
	return nil
}

// logSeason sends the logs of all bars and says how many builds they hold.
func (c *chain) logSeason() (int, error) {
	sub, err := fs.Sub(testdata.FS, "harbour-finch-counter")
	if err != nil {
		return 0, err
	}
	book, problems := drink.LoadAndCheck(sub)
	if problems.HasErrors() {
		return 0, problems.Err()
	}
	set, err := verdict.CompileBook(book.Servings())
	if err != nil {
		return 0, err
	}
	var bars []*loggedBar
	for i, s := range testSites {
		for _, station := range []string{"bar-1", "bar-2"} {
			rate := 0.03
			if i == 2 {
				rate = 0.1 // one site is worse than chance gives
			}
			bar, err := sim.NewBar(sim.Config{Seed: 7, Site: s.Id, Station: station, FaultRate: rate,
				Faults: []sim.Fault{sim.ShotSlow, sim.DoseOff, sim.YieldOff, sim.FrothThick, sim.FrothThin, sim.GarnishMissing}})
			if err == nil {
				err = bar.Use(1, book.Servings())
			}
			if err != nil {
				return 0, err
			}
			bars = append(bars, &loggedBar{bar: bar, site: s.Id, station: station})
		}
	}
	all := 0
	for day := range seasonDays + 1 {
		for _, b := range bars {
			data, n, err := b.log(day, set)
			if err != nil {
				return 0, err
			}
			if _, err := c.js.Publish(context.Background(), bus.BuildSubject(b.site, b.station), data); err != nil {
				return 0, err
			}
			all += n
		}
	}
	return all, nil
}

// loggedBar is a simulated bar with its chained log.
type loggedBar struct {
	bar           *sim.Bar
	site, station string
	sequence      uint64
	last          []byte
}

// log makes the batch of a day.
func (b *loggedBar) log(day int, set *verdict.Set) (data []byte, n int, err error) {
	batch := &pb.BuildBatch{Site: b.site, Station: b.station}
	for k := range perDay {
		at := firstDay.AddDate(0, 0, day).Add(6*time.Hour + time.Duration(k)*25*time.Minute)
		if at.After(testToday.Add(-20 * time.Minute)) {
			break
		}
		build, _ := b.bar.Make(at)
		if b.site == driftSite && b.station == "bar-1" && day >= driftFrom {
			for i := range build.Readings {
				if build.Readings[i].Check == "shot_time" {
					build.Readings[i].Value -= drink.Milli(700*(day-driftFrom+1)) / 1000 * 1000
				}
			}
		}
		if k%13 == 0 {
			build.Lots = []string{fmt.Sprintf("SO-%d", 40+day/9)}
		}
		var v verdict.Verdict
		set.Judge(&build, at, &v)
		b.sequence++
		sent := wire.BuildToProto(&build)
		if k == 9 && day%5 == 0 {
			sent.Events = []*pb.BarEvent{{Kind: "adjusted", Time: timestamppb.New(at.Add(-5 * time.Minute)), Detail: "2.4", By: build.By}}
		}
		raw, err := proto.Marshal(&pb.BuildRecord{Build: sent, Verdict: wire.VerdictToProto(&v), Sequence: b.sequence, PreviousHash: b.last, LoggedTime: timestamppb.New(at)})
		if err != nil {
			return nil, 0, err
		}
		sum := sha256.Sum256(raw)
		b.last = sum[:]
		batch.Records = append(batch.Records, raw)
	}
	data, err = proto.Marshal(batch)
	return data, len(batch.Records), err
}

// presences has all stations but one be heard; one follows nothing.
func (c *chain) presences() error {
	for _, s := range testSites {
		for _, station := range []string{"bar-1", "bar-2"} {
			p := &pb.Presence{Site: s.Id, Station: station, Release: 1, SentTime: timestamppb.New(testToday), LastBuildTime: timestamppb.New(testToday.Add(-20 * time.Minute)), UsedReleases: []uint64{1}}
			switch s.Id + "/" + station {
			case "quillmaker-street/bar-2":
				continue
			case "lantern-hill/bar-2":
				p.Release = 0
			}
			data, err := proto.Marshal(p)
			if err != nil {
				return err
			}
			if err := c.nc.Publish(bus.PresenceSubject(s.Id, station), data); err != nil {
				return err
			}
		}
	}
	return c.nc.Flush()
}

// counted waits until quality knows everything: builds, figures and the case.
func (c *chain) counted(ctx context.Context, builds int) error {
	ctx = c.asAdmin(ctx)
	q, in, k := pb.NewQualityServiceClient(c.qc), pb.NewInsightServiceClient(c.qc), pb.NewCaseServiceClient(c.qc)
	return eventually("quality counts the season", func() (bool, error) {
		res, err := q.GetIntake(ctx, &pb.GetIntakeRequest{})
		if err != nil {
			return false, err
		}
		n := 0
		for _, s := range res.Stations {
			n += int(s.Builds)
		}
		if n < builds {
			return false, fmt.Errorf("%d of %d builds", n, builds)
		}
		roll, err := in.QueryRollups(ctx, &pb.QueryRollupsRequest{Filter: &pb.RollupFilter{FirstDay: "2026-09-30", LastDay: "2026-10-31"}})
		if err != nil || roll.PendingBuilds > 0 {
			return false, fmt.Errorf("%d builds pend: %w", roll.GetPendingBuilds(), err)
		}
		sig, err := k.ListSignals(ctx, &pb.ListSignalsRequest{PageSize: 500})
		if err != nil {
			return false, err
		}
		if sig.WaitingBuilds > 0 {
			return false, fmt.Errorf("the watch has not read %d builds", sig.WaitingBuilds)
		}
		for _, s := range sig.Signals {
			if s.Site == driftSite && s.Measure == "shot_time" {
				return true, nil
			}
		}
		return false, fmt.Errorf("no signal of the drift among %d", len(sig.Signals))
	})
}

// asAdmin lets a call ask as the administrator.
func (c *chain) asAdmin(ctx context.Context) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+c.tokens["admin"])
}

// cutConn is a connection on which calls whose method holds a word fail.
type cutConn struct {
	grpc.ClientConnInterface
	mu   sync.Mutex
	word string
	err  error
}

func (c *cutConn) fail(word string, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.word, c.err = word, err
}

func (c *cutConn) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	c.mu.Lock()
	word, err := c.word, c.err
	c.mu.Unlock()
	if err != nil && strings.Contains(method, word) {
		return err
	}
	return c.ClientConnInterface.Invoke(ctx, method, args, reply, opts...)
}
