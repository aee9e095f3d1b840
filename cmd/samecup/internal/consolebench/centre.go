package consolebench

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
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
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
	"samecup.example/samecup/services/console"
	"samecup.example/samecup/services/quality"
	"samecup.example/samecup/services/quality/store"
	"samecup.example/samecup/testdata"
)

const (
	// realSites have builds at both their stations, realDays long: buildsADay at
	// the station whose day is shown, fewADay at the others.
	realSites, realDays = 2, 28
	fewADay             = 90
	// buildsADay at a station, in the 14 hours that it is open.
	buildsADay = 400
	regionEach = 25
	// patience bounds the wait for quality's own work.
	patience = 10 * time.Minute
)

func siteID(i int) string    { return fmt.Sprintf("site-%04d", i+1) }
func stationID(k int) string { return fmt.Sprintf("bar-%d", k+1) }

// centre is all that runs.
type centre struct {
	o    Options
	now  time.Time
	undo []func() error

	nc     *nats.Conn
	book   *drink.Book
	auth   *authority.Service
	cc, qc *grpc.ClientConn
	addr   string
	token  string
	base   string
	// last is the newest build's row.
	last int64
}

func (c *centre) clock() time.Time { return c.now }

func (c *centre) sites() int { return c.o.Stations / 2 }

func (c *centre) qualityDB() string { return filepath.Join(c.o.Dir, "quality", "quality.db") }

func (c *centre) close() error {
	var errs []error
	for i := len(c.undo) - 1; i >= 0; i-- {
		errs = append(errs, c.undo[i]())
	}
	return errors.Join(errs...)
}

// serve runs a gRPC server and what must run beside it, and dials it.
func (c *centre) serve(ctx context.Context, register func(grpc.ServiceRegistrar), run func(context.Context) error) (*grpc.ClientConn, string, error) {
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, "", fmt.Errorf("listen: %w", err)
	}
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{Authorise: c.auth.Authorise})
	register(srv)
	ctx, stop := context.WithCancel(context.WithoutCancel(ctx))
	var wg sync.WaitGroup
	if run != nil {
		wg.Go(func() { _ = run(ctx) }) // nil once it is stopped
	}
	wg.Go(func() { _ = srv.Serve(lis) })
	c.undo = append(c.undo, func() error { stop(); srv.Stop(); wg.Wait(); return nil })
	cc, err := rpc.Dial(lis.Addr().String())
	if err != nil {
		return nil, "", err
	}
	c.undo = append(c.undo, cc.Close)
	return cc, lis.Addr().String(), nil
}

// openAuthority starts the bus and the authority, publishes a book, and enrols
// and hears every station.
func (c *centre) openAuthority(ctx context.Context) error {
	srv, err := bus.StartServer(bus.ServerConfig{StoreDir: filepath.Join(c.o.Dir, "bus"), Port: -1})
	if err != nil {
		return err
	}
	c.undo = append(c.undo, func() error { srv.Shutdown(); return nil })
	if c.nc, err = bus.Connect(ctx, srv.URL(), "bench", zap.NewNop()); err != nil {
		return err
	}
	c.undo = append(c.undo, func() error { c.nc.Close(); return nil })
	if c.auth, err = authority.Open(ctx, authority.Config{Dir: filepath.Join(c.o.Dir, "authority"), Now: c.clock, NATS: c.nc, BusURL: srv.URL()}); err != nil {
		return err
	}
	c.undo = append(c.undo, c.auth.Close)
	if c.cc, c.addr, err = c.serve(ctx, c.auth.Register, c.auth.Run); err != nil {
		return err
	}
	if err := c.publish(ctx); err != nil {
		return err
	}
	fleet := pb.NewFleetServiceClient(c.cc)
	for i := range c.sites() {
		if _, err := fleet.CreateSite(ctx, &pb.CreateSiteRequest{Site: &pb.Site{Id: siteID(i), Name: fmt.Sprintf("Site %04d", i+1), Region: fmt.Sprintf("region-%02d", i/regionEach+1), TimeZone: "Europe/London"}}); err != nil {
			return err
		}
		for k := range 2 {
			code, err := fleet.CreateEnrolment(ctx, &pb.CreateEnrolmentRequest{Site: siteID(i), Station: stationID(k)})
			if err == nil {
				_, err = fleet.EnrolStation(ctx, &pb.EnrolStationRequest{Code: code.Code})
			}
			if err != nil {
				return err
			}
		}
	}
	if err := c.hear(); err != nil {
		return err
	}
	return c.hire(ctx)
}

// hear has all stations but one in fifty say that they are there.
func (c *centre) hear() error {
	for n := range c.o.Stations {
		site, station := siteID(n/2), stationID(n%2)
		if n%50 == 49 {
			continue
		}
		data, err := proto.Marshal(&pb.Presence{Site: site, Station: station, Release: 1, SentTime: timestamppb.New(c.now), LastBuildTime: timestamppb.New(c.now.Add(-10 * time.Minute)), UsedReleases: []uint64{1}})
		if err != nil {
			return fmt.Errorf("write a presence: %w", err)
		}
		if err := c.nc.Publish(bus.PresenceSubject(site, station), data); err != nil {
			return fmt.Errorf("send a presence: %w", err)
		}
	}
	return c.nc.Flush()
}

func (c *centre) publish(ctx context.Context) error {
	sub, err := fs.Sub(testdata.FS, "harbour-finch")
	if err != nil {
		return fmt.Errorf("open the book: %w", err)
	}
	files, problems := drink.ReadFiles(sub)
	if err := problems.Err(); err != nil {
		return err
	}
	if c.book, problems = drink.LoadAndCheck(sub); c.book == nil {
		return problems.Err()
	}
	req := &pb.CreateReleaseRequest{RequestId: uuid.NewString(), Scope: "chain", Note: "the book of the bench", Author: "bench"}
	for path, content := range files {
		req.Files = append(req.Files, &pb.SourceFile{Path: path, Content: content})
	}
	_, err = pb.NewBookServiceClient(c.cc).CreateRelease(ctx, req)
	return err
}

// hire adds somebody who may do everything, so that pages offer all that they can.
func (c *centre) hire(ctx context.Context) error {
	res, err := pb.NewGovernanceServiceClient(c.cc).CreatePerson(ctx, &pb.CreatePersonRequest{RequestId: uuid.NewString(), PersonId: "lea", DisplayName: "Lea",
		Roles: []string{"administrator", "quality-lead", "author", "approver", "fleet-manager", "food-safety"}})
	if err != nil {
		return err
	}
	c.token = res.Token
	_, err = pb.NewDraftServiceClient(c.cc).CreateDraft(c.signed(ctx), &pb.CreateDraftRequest{RequestId: uuid.NewString(), Title: "Winter menu"})
	return err
}

func (c *centre) signed(ctx context.Context) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+c.token)
}

// logBuilds simulates the builds of the first sites and puts them into quality's
// database as its intake does, without their way over the bus.
func (c *centre) logBuilds(ctx context.Context) (err error) {
	if err := os.MkdirAll(filepath.Dir(c.qualityDB()), 0o750); err != nil {
		return fmt.Errorf("make the quality directory: %w", err)
	}
	db, err := store.OpenSQLite(ctx, c.qualityDB())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	set, err := verdict.CompileBook(c.book.Servings())
	if err != nil {
		return fmt.Errorf("compile the book: %w", err)
	}
	for i := range realSites {
		for k := range 2 {
			if err := c.logStation(ctx, db, set, siteID(i), stationID(k)); err != nil {
				return err
			}
		}
	}
	return nil
}

func (c *centre) logStation(ctx context.Context, db *store.SQL, set *verdict.Set, site, station string) error {
	bar, err := sim.NewBar(sim.Config{Seed: 7, Site: site, Station: station, FaultRate: 0.05})
	if err == nil {
		err = bar.Use(1, c.book.Servings())
	}
	if err != nil {
		return err
	}
	log := stationLog{site: site, station: station}
	today := c.now.Truncate(24 * time.Hour)
	daily := fewADay
	if site == siteID(0) && station == stationID(1) {
		daily = buildsADay
	}
	for day := range realDays {
		for n := range daily {
			at := today.AddDate(0, 0, day-realDays+1).Add(6*time.Hour + time.Duration(n)*14*time.Hour/time.Duration(daily))
			if at.After(c.now.Add(-10 * time.Minute)) {
				break
			}
			b, _ := bar.Make(at)
			if site == siteID(0) && station == stationID(0) {
				drift(&b, day)
			}
			var v verdict.Verdict
			set.Judge(&b, at, &v)
			if err := log.add(&b, &v); err != nil {
				return err
			}
		}
		if err := db.Write(ctx, log.save); err != nil {
			return err
		}
	}
	c.last = max(c.last, log.ref)
	return nil
}

// drift makes the shots of a bar run ever faster in the second half, so that
// there is a case to open.
func drift(b *drink.Build, day int) {
	for i := range b.Readings {
		if r := &b.Readings[i]; r.Check == "shot_time" && day > realDays/2 {
			r.Value -= drink.Milli(day-realDays/2) * 500 / 1000 * 1000
		}
	}
}

// stationLog chains a station's records.
type stationLog struct {
	site, station string
	sequence      uint64
	last          []byte
	all, off      uint64
	rows          []*store.Build
	ref           int64
}

func (l *stationLog) add(b *drink.Build, v *verdict.Verdict) error {
	l.sequence++
	told := wire.VerdictToProto(v)
	record, err := proto.Marshal(&pb.BuildRecord{Build: wire.BuildToProto(b), Verdict: told, Sequence: l.sequence, PreviousHash: l.last, LoggedTime: timestamppb.New(b.FinishedAt)})
	if err != nil {
		return fmt.Errorf("write a record: %w", err)
	}
	name, _, _ := strings.Cut(b.Serving, "/")
	row := &store.Build{ID: b.ID, Site: l.site, Station: l.station, Sequence: l.sequence, Release: b.Release, Serving: b.Serving, Drink: name, Started: b.StartedAt,
		Received: b.FinishedAt, Grade: int32(told.Grade), PreviousHash: l.last, Record: record}
	if len(told.Findings) > 0 {
		if row.Verdict, err = proto.Marshal(told); err != nil {
			return fmt.Errorf("write a verdict: %w", err)
		}
	}
	sum := sha256.Sum256(record)
	row.Hash, l.last = sum[:], sum[:]
	l.rows = append(l.rows, row)
	return nil
}

// save writes what was added since.
func (l *stationLog) save(tx store.Tx) error {
	if len(l.rows) == 0 {
		return nil
	}
	s, err := tx.Station(l.site, l.station)
	if err != nil {
		return err
	}
	var off []*store.Build
	for _, b := range l.rows {
		b.StationRef = s.Ref
		if b.Grade != int32(pb.Grade_GRADE_IN_SPEC) {
			off = append(off, b)
		}
	}
	l.all, l.off = l.all+uint64(len(l.rows)), l.off+uint64(len(off))
	s.Builds, s.Deviations, s.WholeTo, s.WholeHash, s.Highest = l.all, l.off, l.sequence, l.last, l.sequence
	if err := tx.InsertBuilds(l.rows); err != nil {
		return err
	}
	l.ref = l.rows[len(l.rows)-1].Ref
	l.rows = l.rows[:0]
	if err := tx.SaveStation(s); err != nil {
		return err
	}
	return tx.AddDeviations(off)
}

func (c *centre) openQuality(ctx context.Context) (*quality.Service, error) {
	return quality.Open(ctx, quality.Config{Dir: filepath.Dir(c.qualityDB()), Now: c.clock, NATS: c.nc, KeyLists: c.auth.KeyLists(), Sites: c.auth.Sites, UndoWait: -1})
}

// watchBuilds has quality roll the builds up and open its cases.
func (c *centre) watchBuilds(ctx context.Context) (err error) {
	q, err := c.openQuality(ctx)
	if err != nil {
		return err
	}
	run, stop := context.WithTimeout(ctx, patience)
	ended := make(chan error, 1)
	go func() { ended <- q.Run(run) }()
	defer func() { stop(); err = errors.Join(err, <-ended, q.Close()) }()
	db, err := store.OpenSQLite(ctx, c.qualityDB())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	for {
		pending, hours, err := db.PendingRollups(run)
		if err != nil {
			return err
		}
		st, err := db.LoadCasework(run)
		if err != nil {
			return err
		}
		if pending == 0 && hours == 0 && st.Cursor >= c.last {
			return nil
		}
		select {
		case <-tick.C:
		case <-run.Done():
			return fmt.Errorf("%d builds wait for the roll-ups, and the watch has seen %d of %d: %w", pending, st.Cursor, c.last, run.Err())
		}
	}
}

// openConsole serves quality and the console over what was made.
func (c *centre) openConsole(ctx context.Context) error {
	q, err := c.openQuality(ctx)
	if err != nil {
		return err
	}
	c.undo = append(c.undo, q.Close)
	if c.qc, _, err = c.serve(ctx, q.Register, q.Run); err != nil {
		return err
	}
	con, err := console.New(console.Config{Authority: c.cc, Quality: c.qc, Token: c.token})
	if err != nil {
		return err
	}
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return fmt.Errorf("listen: %w", err)
	}
	run, stop := context.WithCancel(context.WithoutCancel(ctx))
	ended := make(chan error, 1)
	go func() { ended <- con.Serve(run, lis) }()
	c.undo = append(c.undo, func() error { stop(); return <-ended })
	c.base = "http://" + lis.Addr().String()
	return nil
}
