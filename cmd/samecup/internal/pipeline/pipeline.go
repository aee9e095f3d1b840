// Package pipeline measures what a durable build costs from the station's
// acknowledgement to the centre's commit, beside the raw rate at which the
// same bytes can be published to the same streams.
//
// Both sides run in one process, in turn, on fresh stores of the same disk.
// Ours: concurrent callers log builds at a station, which judges each, chains
// it, syncs it and sends it; the bus syncs it; quality judges it again and
// commits it. The first peer publishes the very messages that ours sent, batches
// and deviations, with as many in flight as ours has; the second publishes each
// build as a message of its own, with many in flight, as a program without a
// log of its own would.
package pipeline

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority"
	"samecup.example/samecup/services/quality"
	"samecup.example/samecup/station"
)

const (
	site       = "tannery-row"
	stationID  = "bar-1"
	callers    = 512
	inFlight   = 256
	countEvery = 10 * time.Millisecond

	// What a station has under way on each of its two lanes.
	batchLane, deviationLane = 1, 32
)

// sent is what a station put on the bus.
type sent struct{ batches, deviations [][]byte }

// Result of one round, in builds per second.
type Result struct {
	// Ours is from the first call to the last build's commit at the centre.
	Ours float64
	// SameMessages is the peer that publishes the messages ours sent.
	SameMessages float64
	// MessageEach is the peer that publishes each build by itself.
	MessageEach float64
	// BatchMean is how many builds a message of ours carried.
	BatchMean float64
}

// Round logs n builds of the book's servings through a fresh chain in a
// temporary directory, then runs the peers.
func Round(ctx context.Context, files map[string][]byte, n int) (Result, error) {
	dir, err := os.MkdirTemp("", "samecup-pipeline-*")
	if err != nil {
		return Result{}, fmt.Errorf("make a work directory: %w", err)
	}
	defer os.RemoveAll(dir)
	res, sent, err := ours(ctx, filepath.Join(dir, "ours"), files, n)
	if err != nil {
		return res, err
	}
	res.BatchMean = float64(n) / float64(len(sent.batches))
	res.SameMessages, err = peer(ctx, filepath.Join(dir, "same"), n,
		lane{bus.BuildSubject(site, stationID), sent.batches, batchLane},
		lane{bus.DeviationSubject(site, stationID), sent.deviations, deviationLane})
	if err != nil {
		return res, err
	}
	var each [][]byte
	for _, b := range sent.batches {
		var batch pb.BuildBatch
		if err := proto.Unmarshal(b, &batch); err != nil {
			return res, fmt.Errorf("read back a batch: %w", err)
		}
		each = append(each, batch.Records...)
	}
	res.MessageEach, err = peer(ctx, filepath.Join(dir, "each"), n, lane{bus.BuildSubject(site, stationID), each, inFlight})
	return res, err
}

// lane is a run of messages to one subject with so many in flight.
type lane struct {
	subject  string
	messages [][]byte
	window   int
}

// peer publishes the lanes side by side to fresh streams of the same
// configuration and returns the rate for n builds.
func peer(ctx context.Context, dir string, n int, lanes ...lane) (float64, error) {
	srv, err := bus.StartServer(bus.ServerConfig{StoreDir: dir, Port: -1})
	if err != nil {
		return 0, err
	}
	defer srv.Shutdown()
	nc, err := bus.Connect(ctx, srv.URL(), "peer", zap.NewNop())
	if err != nil {
		return 0, err
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		return 0, fmt.Errorf("peer: %w", err)
	}
	if err := bus.EnsureStreams(ctx, js); err != nil {
		return 0, err
	}
	start := time.Now()
	g, ctx := errgroup.WithContext(ctx)
	for _, l := range lanes {
		g.Go(func() error { return l.publish(ctx, nc) })
	}
	if err := g.Wait(); err != nil {
		return 0, err
	}
	return float64(n) / time.Since(start).Seconds(), nil
}

func (l lane) publish(ctx context.Context, nc *nats.Conn) error {
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(l.window))
	if err != nil {
		return fmt.Errorf("peer: %w", err)
	}
	for i, data := range l.messages {
		msg := bus.Event(l.subject, fmt.Sprint(l.subject, "/", i), "samecup.v1.Peer", "/peer", time.Now(), data)
		if _, err := js.PublishMsgAsync(msg, jetstream.WithStallWait(time.Minute)); err != nil {
			return fmt.Errorf("peer publish %d: %w", i, err)
		}
	}
	select {
	case <-js.PublishAsyncComplete():
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// ours runs the chain and returns the messages that went over the bus.
func ours(ctx context.Context, dir string, files map[string][]byte, n int) (res Result, out sent, err error) {
	ctx, cancel := context.WithCancel(ctx)
	g, ctx := errgroup.WithContext(ctx)
	defer func() {
		cancel()
		if werr := g.Wait(); err == nil && werr != nil && !errors.Is(werr, context.Canceled) {
			err = werr
		}
	}()
	c, err := start(ctx, g, dir, files)
	if err != nil {
		return res, out, err
	}
	defer c.close()

	requests, err := c.requests(n)
	if err != nil {
		return res, out, err
	}
	batches, err := listen(c.nc, bus.BuildSubject(site, stationID))
	if err != nil {
		return res, out, err
	}
	deviations, err := listen(c.nc, bus.DeviationSubject(site, stationID))
	if err != nil {
		return res, out, err
	}
	began := time.Now()
	if err := logAll(ctx, c.agent, requests); err != nil {
		return res, out, err
	}
	if err := c.counted(ctx, uint64(n)); err != nil {
		return res, out, err
	}
	// Deviations may still be under way when the batches are in.
	if err := c.agent.Drained(ctx); err != nil {
		return res, out, err
	}
	res.Ours = float64(n) / time.Since(began).Seconds()
	if out.batches, err = batches(ctx); err != nil {
		return res, out, err
	}
	out.deviations, err = deviations(ctx)
	return res, out, err
}

// listen keeps a copy of each message on a subject until the function that it
// returns is called, which gives them all.
func listen(nc *nats.Conn, subject string) (func(context.Context) ([][]byte, error), error) {
	var got [][]byte
	closed := make(chan struct{})
	sub, err := nc.Subscribe(subject, func(m *nats.Msg) { got = append(got, slices.Clone(m.Data)) })
	if err != nil {
		return nil, fmt.Errorf("listen in on %s: %w", subject, err)
	}
	sub.SetClosedHandler(func(string) { close(closed) })
	if err := sub.SetPendingLimits(-1, -1); err != nil {
		return nil, fmt.Errorf("listen in on %s: %w", subject, err)
	}
	return func(ctx context.Context) ([][]byte, error) {
		if err := sub.Drain(); err != nil {
			return nil, fmt.Errorf("stop listening in on %s: %w", subject, err)
		}
		select {
		case <-closed:
			return got, nil
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}, nil
}

func logAll(ctx context.Context, agent *station.Agent, requests []*pb.LogBuildRequest) error {
	g, ctx := errgroup.WithContext(ctx)
	feed := make(chan *pb.LogBuildRequest, callers)
	for range callers {
		g.Go(func() error {
			for r := range feed {
				if _, err := agent.LogBuild(ctx, r); err != nil {
					return fmt.Errorf("log a build: %w", err)
				}
			}
			return nil
		})
	}
	g.Go(func() error {
		defer close(feed)
		for _, r := range requests {
			select {
			case feed <- r:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	return g.Wait()
}

// chain is one running installation.
type chain struct {
	bus     *bus.Server
	nc      *nats.Conn
	agent   *station.Agent
	book    *drink.Book
	quality pb.QualityServiceClient
	undo    []func()
}

func (c *chain) close() {
	for _, f := range slices.Backward(c.undo) {
		f()
	}
}

func start(ctx context.Context, g *errgroup.Group, dir string, files map[string][]byte) (_ *chain, err error) {
	c := &chain{}
	defer func() {
		if err != nil {
			c.close()
		}
	}()
	for _, sub := range []string{"bus", "authority", "quality", "station"} {
		if err := os.MkdirAll(filepath.Join(dir, sub), 0o700); err != nil {
			return nil, fmt.Errorf("make a work directory: %w", err)
		}
	}
	book, problems := drink.LoadFiles(files)
	if problems.HasErrors() {
		return nil, fmt.Errorf("the book has errors: %s", problems[0])
	}
	c.book = book
	log := zap.NewNop()
	if c.bus, err = bus.StartServer(bus.ServerConfig{StoreDir: filepath.Join(dir, "bus"), Port: -1}); err != nil {
		return nil, err
	}
	c.undo = append(c.undo, c.bus.Shutdown)
	if c.nc, err = bus.Connect(ctx, c.bus.URL(), "centre", log); err != nil {
		return nil, err
	}
	c.undo = append(c.undo, c.nc.Close)
	auth, err := authority.Open(ctx, authority.Config{Dir: filepath.Join(dir, "authority"), Log: log, NATS: c.nc, BusURL: c.bus.URL()})
	if err != nil {
		return nil, err
	}
	c.undo = append(c.undo, func() { auth.Close() })
	qual, err := quality.Open(ctx, quality.Config{Dir: filepath.Join(dir, "quality"), Log: log, NATS: c.nc, KeyLists: auth.KeyLists(), Sites: auth.Sites})
	if err != nil {
		return nil, err
	}
	c.undo = append(c.undo, func() { qual.Close() })

	srv := rpc.NewServer(log, rpc.Options{Authorise: auth.Authorise})
	auth.Register(srv)
	qual.Register(srv)
	lis, err := rpc.ListenLoopback("127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	g.Go(func() error { return rpc.Serve(ctx, srv, lis, log) })
	g.Go(func() error { return auth.Run(ctx) })
	g.Go(func() error { return qual.Run(ctx) })
	cc, err := rpc.Dial(lis.Addr().String())
	if err != nil {
		return nil, err
	}
	c.undo = append(c.undo, func() { cc.Close() })
	c.quality = pb.NewQualityServiceClient(cc)
	return c, c.addStation(ctx, g, filepath.Join(dir, "station"), pb.NewFleetServiceClient(cc), pb.NewBookServiceClient(cc), files)
}

func (c *chain) addStation(ctx context.Context, g *errgroup.Group, dir string, fleet pb.FleetServiceClient, books pb.BookServiceClient, files map[string][]byte) error {
	if _, err := fleet.CreateSite(ctx, &pb.CreateSiteRequest{Site: &pb.Site{Id: site, Name: "Tannery Row", Region: "harbour", TimeZone: "Europe/London"}}); err != nil {
		return fmt.Errorf("create the site: %w", err)
	}
	code, err := fleet.CreateEnrolment(ctx, &pb.CreateEnrolmentRequest{Site: site, Station: stationID})
	if err != nil {
		return fmt.Errorf("make an enrolment code: %w", err)
	}
	if err := station.Enrol(ctx, dir, fleet, code.Code); err != nil {
		return err
	}
	req := &pb.CreateReleaseRequest{RequestId: uuid.NewString(), Scope: "chain", Author: "bench"}
	for path, content := range files {
		req.Files = append(req.Files, &pb.SourceFile{Path: path, Content: content})
	}
	if _, err := books.CreateRelease(ctx, req); err != nil {
		return fmt.Errorf("publish the book: %w", err)
	}
	if c.agent, err = station.Open(ctx, station.Config{Dir: dir, Log: zap.NewNop()}); err != nil {
		return err
	}
	c.undo = append(c.undo, func() { c.agent.Close() })
	g.Go(func() error { return c.agent.Run(ctx) })
	return poll(ctx, func() (bool, error) { return c.agent.Status().Release > 0, nil })
}

// requests makes n builds of the book's servings in turn, one in twenty off
// spec.
func (c *chain) requests(n int) ([]*pb.LogBuildRequest, error) {
	servings := c.book.Servings()
	out := make([]*pb.LogBuildRequest, n)
	now := time.Now().Add(-time.Hour)
	for i := range out {
		b := verdict.Exemplar(&servings[i%len(servings)])
		id, err := uuid.NewV7()
		if err != nil {
			return nil, fmt.Errorf("make a build id: %w", err)
		}
		took := b.FinishedAt.Sub(b.StartedAt)
		b.ID, b.Site, b.Station = id.String(), site, stationID
		b.StartedAt = now.Add(time.Duration(i) * time.Millisecond)
		b.FinishedAt = b.StartedAt.Add(took)
		b.Release = c.agent.Status().Release
		if i%20 == 0 && len(b.Readings) > 0 {
			b.Readings[0].Value *= 2
		}
		out[i] = &pb.LogBuildRequest{Build: wire.BuildToProto(&b)}
	}
	return out, nil
}

// counted waits until the centre has committed n builds.
func (c *chain) counted(ctx context.Context, n uint64) error {
	return poll(ctx, func() (bool, error) {
		in, err := c.quality.GetIntake(ctx, &pb.GetIntakeRequest{})
		if err != nil {
			return false, fmt.Errorf("ask what was counted: %w", err)
		}
		var got uint64
		for _, s := range in.Stations {
			got += s.Builds
		}
		if got > n {
			return false, fmt.Errorf("counted %d builds of %d", got, n)
		}
		return got == n, nil
	})
}

func poll(ctx context.Context, done func() (bool, error)) error {
	t := time.NewTicker(countEvery)
	defer t.Stop()
	for {
		ok, err := done()
		if ok || err != nil {
			return err
		}
		select {
		case <-t.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
