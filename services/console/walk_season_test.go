package console

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	seasonsim "samecup.example/samecup/internal/sim/season"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/watch"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
	"samecup.example/samecup/testdata"
)

// walkStart is the first day of the simulated seasons, and walkDays their length.
var walkStart = time.Date(2026, 10, 5, 0, 0, 0, 0, time.UTC)

const walkDays = 28

// faultSeason is a centre that a simulated season came in at.
type faultSeason struct {
	*chain
	truth seasonsim.Truth
	// book is what the season's servings come from.
	book   *drink.Book
	rows   *seasonRows
	builds int
}

// walkSeason plays a season into a centre of its own: the builds go straight
// into quality's store with the verdicts of the simulation, and quality finds
// from them what it finds. It waits until all was looked at.
func walkSeason(t *testing.T, cfg seasonsim.Config) *faultSeason {
	t.Helper()
	cfg.Start, cfg.Days = walkStart, walkDays
	c, err := openChain(walkStart.Add(-time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.close(); err != nil {
			t.Error(err)
		}
	})
	f := &faultSeason{chain: c}
	begun := time.Now()
	if err := f.fill(t.Context(), cfg); err != nil {
		t.Fatal(err)
	}
	t.Logf("fault %s, seed %d: %d builds were taken in and watched in %s", cfg.Fault, cfg.Seed, f.builds, time.Since(begun).Round(time.Second))
	return f
}

func (f *faultSeason) fill(ctx context.Context, cfg seasonsim.Config) error {
	if err := f.readBook(); err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Join(f.dir, "quality"), 0o750); err != nil {
		return err
	}
	db, err := store.OpenSQLite(ctx, filepath.Join(f.dir, "quality", "quality.db"))
	if err != nil {
		return err
	}
	f.undo = append(f.undo, db.Close)
	f.rows = &seasonRows{db: db, ctx: ctx, bars: map[string]*seasonBar{}, asked: map[asked]watch.Reading{}, milks: map[string]string{}}
	if f.truth, err = seasonsim.Run(cfg, seasonsim.Sink{Build: f.rows.build, Event: f.rows.event}); err != nil {
		return err
	}
	if err := f.rows.flush(); err != nil {
		return err
	}
	f.builds = f.truth.Builds
	if err := f.releases(ctx); err != nil {
		return err
	}
	f.set(walkStart.AddDate(0, 0, walkDays).Add(7 * time.Hour))
	if err := f.people(ctx); err != nil {
		return err
	}
	// A bus of its own: what the authority publishes is not what the season's
	// readings were asked by.
	srv, err := bus.StartServer(bus.ServerConfig{StoreDir: filepath.Join(f.dir, "walk-bus"), Port: -1})
	if err != nil {
		return err
	}
	f.undo = append(f.undo, func() error { srv.Shutdown(); return nil })
	nc, err := bus.Connect(ctx, srv.URL(), "walk", zap.NewNop())
	if err != nil {
		return err
	}
	f.undo = append(f.undo, func() error { nc.Close(); return nil })
	office := f.nc
	f.nc = nc
	err = f.serveQuality(ctx)
	f.nc = office
	if err != nil {
		return err
	}
	return eventually("the watch has seen the season", func() (bool, error) {
		st, err := db.LoadCasework(ctx)
		if err != nil {
			return false, err
		}
		pending, hours, err := db.PendingRollups(ctx)
		return st.Cursor == f.rows.last && pending == 0 && hours == 0, errors.Join(err, fmt.Errorf("%d of %d builds watched, %d not rolled up", st.Cursor, f.rows.last, pending))
	})
}

func (f *faultSeason) readBook() error {
	sub, err := fs.Sub(testdata.FS, "harbour-finch")
	if err != nil {
		return err
	}
	book, problems := drink.LoadAndCheck(sub)
	if book == nil {
		return problems.Err()
	}
	f.book = book
	return nil
}

// people and places of the authority, and a sign of life of each station.
func (f *faultSeason) people(ctx context.Context) error {
	fleet := pb.NewFleetServiceClient(f.cc)
	var sites []string
	for key := range f.rows.bars {
		site, _, _ := strings.Cut(key, "/")
		if !slices.Contains(sites, site) {
			sites = append(sites, site)
			if _, err := fleet.CreateSite(ctx, &pb.CreateSiteRequest{Site: &pb.Site{Id: site, Name: siteName(site), Region: "harbour", TimeZone: "UTC", DayCutMinutes: 6 * 60}}); err != nil {
				return err
			}
		}
	}
	for key := range f.rows.bars {
		site, station, _ := strings.Cut(key, "/")
		code, err := fleet.CreateEnrolment(ctx, &pb.CreateEnrolmentRequest{Site: site, Station: station})
		if err == nil {
			_, err = fleet.EnrolStation(ctx, &pb.EnrolStationRequest{Code: code.Code})
		}
		if err != nil {
			return err
		}
		data, err := proto.Marshal(&pb.Presence{Site: site, Station: station, Release: 1, SentTime: timestamppb.New(f.now()), LastBuildTime: timestamppb.New(f.now().Add(-9 * time.Hour)), UsedReleases: []uint64{1}})
		if err != nil {
			return err
		}
		if err := f.nc.Publish(bus.PresenceSubject(site, station), data); err != nil {
			return err
		}
	}
	if err := f.publishBook(ctx); err != nil {
		return err
	}
	return f.hire(ctx)
}

func (f *faultSeason) publishBook(ctx context.Context) error {
	sub, err := fs.Sub(testdata.FS, "harbour-finch")
	if err != nil {
		return err
	}
	files, problems := drink.ReadFiles(sub)
	if err := problems.Err(); err != nil {
		return err
	}
	req := &pb.CreateReleaseRequest{RequestId: uuid.NewString(), Scope: "chain", Note: "the book of the season", Author: "test"}
	for path, content := range files {
		req.Files = append(req.Files, &pb.SourceFile{Path: path, Content: content})
	}
	_, err = pb.NewBookServiceClient(f.cc).CreateRelease(ctx, req)
	return err
}

// releases puts the two books of the season into quality's store. It changes
// what the readings were asked by, as the season has it, and nothing else.
func (f *faultSeason) releases(ctx context.Context) error {
	return f.rows.db.Write(ctx, func(tx store.Tx) error {
		for number := uint64(1); number <= 2; number++ {
			payload, err := f.payload(number)
			if err != nil {
				return err
			}
			envelope, err := proto.Marshal(&pb.Envelope{Payload: payload})
			if err != nil {
				return err
			}
			sum := sha256.Sum256(payload)
			if _, err := tx.InsertRelease(store.Release{Number: number, Scope: "chain", Digest: sum[:], Envelope: envelope, Received: walkStart}); err != nil {
				return err
			}
		}
		return nil
	})
}

// payload is a release of the season's.
func (f *faultSeason) payload(number uint64) ([]byte, error) {
	book := wire.BookToProto(f.book)
	have := map[string]drink.Serving{}
	for _, s := range f.book.Servings() {
		have[s.ID] = s
	}
	for id, milk := range f.rows.milks {
		if _, ok := have[id]; ok {
			continue
		}
		// A plant milk that the book does not have the drink with.
		at := id[:strings.LastIndex(id, "/")]
		for _, s := range f.book.Servings() {
			if strings.HasPrefix(s.ID, at+"/") || s.ID == at {
				s.ID, s.Milk = id, milk
				have[id] = s
			}
		}
	}
	for id, s := range have {
		s.Checks = slices.Clone(s.Checks)
		for k, r := range f.rows.asked {
			if k.serving != id || k.release != number {
				continue
			}
			c := drink.Check{ID: r.Check, Measure: r.Measure, Target: milliOf(r.Target), Low: milliOf(r.Low), High: milliOf(r.High), HardHigh: drink.NoHigh,
				Criticality: drink.Quality, Occurrences: 1, Resolution: 1000, Need: drink.Optional}
			if i := slices.IndexFunc(s.Checks, func(o drink.Check) bool { return o.ID == r.Check }); i < 0 {
				s.Checks = append(s.Checks, c)
			} else {
				s.Checks[i].Target, s.Checks[i].Low, s.Checks[i].High = c.Target, c.Low, c.High
			}
		}
		have[id] = s
	}
	book.Servings = nil
	for _, d := range f.book.Drinks {
		for _, s := range have {
			if s.Drink == d.ID {
				book.Servings = append(book.Servings, wire.ServingToProto(&s))
			}
		}
	}
	return proto.Marshal(&pb.Release{Number: number, Scope: "chain", Book: book})
}

func milliOf(v float64) drink.Milli {
	switch {
	case math.IsInf(v, -1):
		return drink.NoLow
	case math.IsInf(v, 1):
		return drink.NoHigh
	}
	return drink.Milli(math.Round(v * 1000))
}

// told has the console read the season's books in the place of the authority's.
func (f *faultSeason) told(cfg *Config) {
	cfg.Authority = &seasonBooks{f.cc, f}
}

// seasonBooks answers both releases of the season, of which the authority has one.
type seasonBooks struct {
	grpc.ClientConnInterface
	f *faultSeason
}

func (c *seasonBooks) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	req, ok := args.(*pb.GetReleaseRequest)
	if !ok {
		return c.ClientConnInterface.Invoke(ctx, method, args, reply, opts...)
	}
	if err := c.ClientConnInterface.Invoke(ctx, method, &pb.GetReleaseRequest{Number: 1}, reply, opts...); err != nil {
		return err
	}
	payload, err := c.f.payload(req.Number)
	reply.(*pb.GetReleaseResponse).Envelope.Payload = payload
	return err
}

// asked names a check as a release has it.
type asked struct {
	release        uint64
	serving, check string
}

// seasonBar is a station's log.
type seasonBar struct {
	sequence uint64
	last     []byte
	waiting  []*pb.BarEvent
	builds   uint64
	off      uint64
}

// seasonRows writes builds into quality's store, a thousand at a time.
type seasonRows struct {
	db    *store.SQL
	ctx   context.Context
	bars  map[string]*seasonBar
	asked map[asked]watch.Reading
	milks map[string]string
	batch []*store.Build
	last  int64
}

func (r *seasonRows) bar(site, station string) *seasonBar {
	b := r.bars[site+"/"+station]
	if b == nil {
		b = &seasonBar{}
		r.bars[site+"/"+station] = b
	}
	return b
}

// event waits for the next build of its station, which tells of it.
func (r *seasonRows) event(e watch.Event) error {
	for key, b := range r.bars {
		site, station, _ := strings.Cut(key, "/")
		if site == e.Site && (e.Station == "" || e.Station == station) {
			b.waiting = append(b.waiting, &pb.BarEvent{Kind: string(e.Kind), Time: timestamppb.New(e.At), Detail: e.Detail, By: e.By})
			if e.Station == "" {
				break
			}
		}
	}
	return nil
}

func (r *seasonRows) build(w *watch.Build) error {
	bar := r.bar(w.Site, w.Station)
	b := drink.Build{ID: w.ID, Serving: w.Serving, Release: w.Release, Site: w.Site, Station: w.Station, StartedAt: w.Started, FinishedAt: w.Started.Add(time.Minute),
		Vessel: w.Vessel, Milk: w.Milk, Sampled: w.Sampled, By: w.By, How: "keypad"}
	if w.CoffeeLot != "" {
		b.Lots = append(b.Lots, "coffee:"+w.CoffeeLot)
	}
	if w.MilkLot != "" {
		b.Lots = append(b.Lots, "milk:"+w.MilkLot)
	}
	r.milks[w.Serving] = w.Milk
	for _, k := range w.Readings {
		r.asked[asked{w.Release, w.Serving, k.Check}] = k
		b.Readings = append(b.Readings, drink.Reading{Check: k.Check, Occurrence: k.Occurrence, Value: milliOf(k.Value), Unit: drink.MeasureByCode(k.Measure).Unit,
			Resolution: milliOf(k.Resolution), EnteredAt: k.Entered})
	}
	v := wire.VerdictToProto(&verdict.Verdict{Grade: w.Grade, Findings: w.Findings})
	bar.sequence++
	sent := wire.BuildToProto(&b)
	sent.Events, bar.waiting = bar.waiting, nil
	record, err := proto.Marshal(&pb.BuildRecord{Build: sent, Verdict: v, Sequence: bar.sequence, PreviousHash: bar.last, LoggedTime: timestamppb.New(w.Entered)})
	if err != nil {
		return err
	}
	row := &store.Build{ID: w.ID, Site: w.Site, Station: w.Station, Sequence: bar.sequence, Release: w.Release, Serving: w.Serving, Drink: w.Drink, Started: w.Started,
		Received: w.Entered.Add(time.Minute), Grade: int32(v.Grade), PreviousHash: bar.last, Record: record}
	if len(v.Findings) > 0 {
		if row.Verdict, err = proto.Marshal(v); err != nil {
			return err
		}
	}
	sum := sha256.Sum256(record)
	row.Hash, bar.last = sum[:], sum[:]
	bar.builds++
	if v.Grade != pb.Grade_GRADE_IN_SPEC {
		bar.off++
	}
	if r.batch = append(r.batch, row); len(r.batch) < 1000 {
		return nil
	}
	return r.flush()
}

func (r *seasonRows) flush() error {
	err := r.db.Write(r.ctx, func(tx store.Tx) error {
		stations := map[string]*store.Station{}
		for key, bar := range r.bars {
			site, station, _ := strings.Cut(key, "/")
			s, err := tx.Station(site, station)
			if err != nil {
				return err
			}
			s.Builds, s.Deviations, s.WholeTo, s.WholeHash, s.Highest = bar.builds, bar.off, bar.sequence, bar.last, bar.sequence
			stations[key] = s
		}
		var off []*store.Build
		for _, b := range r.batch {
			b.StationRef = stations[b.Site+"/"+b.Station].Ref
			if b.Grade != int32(pb.Grade_GRADE_IN_SPEC) {
				off = append(off, b)
			}
		}
		if err := tx.InsertBuilds(r.batch); err != nil {
			return err
		}
		for _, s := range stations {
			if err := tx.SaveStation(s); err != nil {
				return err
			}
		}
		return tx.AddDeviations(off)
	})
	if n := len(r.batch); n > 0 {
		r.last = r.batch[n-1].Ref
	}
	r.batch = r.batch[:0]
	return err
}
