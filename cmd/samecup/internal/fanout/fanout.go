// Package fanout measures how long a release takes to reach many stations,
// beside a raw NATS fan-out of the same bytes to the same connections.
//
// One process holds a bus that syncs each write, and as many connections over
// TCP on this machine as there are stations, one a station, each at a site of
// its own. Ours and the peers take turns on these connections in each round.
//
// Counted on our side: from the moment the signed bytes go out as the authority
// sends them (to the stream BOOK, which syncs and acknowledges each, the release
// and behind it one assignment a site, through the authority's own window) until
// the last station has received both. The next side begins once all of it is
// acknowledged.
//
// Counted on the peer's side: the same release and the same assignments, sent
// to the same connections by plain publishes, until the last subscriber has
// received both. Nothing is stored or acknowledged.
//
// A second figure goes on, on both sides, until the last station has verified
// the signatures of both against a trusted state of its own and found that its
// assignment puts these very bytes in force. All stations do that work on the
// cores of this one machine, which in a chain each does on its own; a third
// figure holds that of ours against the peer's first.
//
// Not counted on either side: checking and signing the book and the authority's
// commit to its database, which happen once whatever the number of stations;
// and a station's own writes to its disk and compiling of the book.
package fanout

import (
	"context"
	"crypto/ed25519"
	"fmt"
	"io/fs"
	"os"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/testdata"
)

const (
	maxStations = 5000
	scope       = "chain"
	// rawPrefix is where the peer publishes; no stream listens there.
	rawPrefix = "samecup-bench.raw."
	// pairs is how often a round measures the sides without the checks.
	pairs = 5
	// roundLimit bounds one side of a round.
	roundLimit = time.Minute
)

// fanout is a bus with its stations.
type fanout struct {
	dir          string
	srv          *bus.Server
	nc           *nats.Conn
	js           jetstream.JetStream
	signer       *release.Signer
	book         *pb.Book
	stations     []*follower
	number       uint64
	releaseBytes int
}

// result of a round, in milliseconds: ours until in force and the peer until
// checked; and, several times over, either until delivered.
type result struct {
	inForce, rawChecked float64
	delivered, raw      []float64
}

func siteID(i int) string { return fmt.Sprintf("site-%04d", i) }

func open(ctx context.Context, dir string, n int) (f *fanout, err error) {
	f = &fanout{}
	defer func() {
		if err != nil {
			f.close()
		}
	}()
	if f.dir, err = os.MkdirTemp(dir, "samecup-release-*"); err != nil {
		return nil, fmt.Errorf("make a work directory: %w", err)
	}
	if f.book, err = book(); err != nil {
		return nil, err
	}
	root, err := release.NewKey()
	if err != nil {
		return nil, err
	}
	if f.signer, err = release.NewKey(); err != nil {
		return nil, err
	}
	list, err := release.FirstKeyList(release.KeyListPlan{
		Roots: []ed25519.PublicKey{root.Public()}, Threshold: 1, Issued: time.Now(), Lifetime: release.KeyListLifetime,
		Keys: []*pb.SigningKey{{PublicKey: f.signer.Public(), Roles: []pb.KeyRole{pb.KeyRole_KEY_ROLE_RELEASE, pb.KeyRole_KEY_ROLE_ONLINE}, Label: "bench"}},
	})
	if err != nil {
		return nil, err
	}
	keys, err := release.SignKeyList(list, root)
	if err != nil {
		return nil, err
	}
	if f.srv, err = bus.StartServer(bus.ServerConfig{StoreDir: f.dir, Port: -1}); err != nil {
		return nil, err
	}
	if f.nc, err = bus.Connect(ctx, f.srv.URL(), "bench", zap.NewNop()); err != nil {
		return nil, err
	}
	if f.js, err = bus.JetStream(f.nc); err != nil {
		return nil, err
	}
	if err := bus.EnsureStreams(ctx, f.js); err != nil {
		return nil, err
	}
	for i := range n {
		s, err := follow(ctx, f.srv.URL(), siteID(i), keys)
		if err != nil {
			return nil, fmt.Errorf("station %d: %w", i, err)
		}
		f.stations = append(f.stations, s)
	}
	return f, nil
}

func book() (*pb.Book, error) {
	dir, err := fs.Sub(testdata.FS, "harbour-finch")
	if err != nil {
		return nil, fmt.Errorf("embedded book: %w", err)
	}
	b, problems := drink.Load(dir)
	if problems.HasErrors() {
		return nil, fmt.Errorf("embedded book: %s", problems[0])
	}
	return wire.BookToProto(b), nil
}

func (f *fanout) close() {
	for _, s := range f.stations {
		s.nc.Close()
	}
	if f.nc != nil {
		f.nc.Close()
	}
	if f.srv != nil {
		f.srv.Shutdown()
	}
	if f.dir != "" {
		_ = os.RemoveAll(f.dir)
	}
}

// documents are one release's, signed.
type documents struct {
	number      uint64
	release     []byte
	assignments [][]byte
}

func (f *fanout) sign() (documents, error) {
	f.number++
	now := timestamppb.Now()
	d := documents{number: f.number}
	var digest [32]byte
	var err error
	d.release, digest, err = f.signer.Sign(&pb.Release{Number: f.number, Edition: f.number, Scope: scope, CreatedTime: now, EffectiveTime: now, Book: f.book})
	if err != nil {
		return d, err
	}
	f.releaseBytes = len(d.release)
	orders := []*pb.Order{{Release: f.number, Digest: digest[:], Scope: scope, Edition: f.number, StartTime: now}}
	for i := range f.stations {
		raw, _, err := f.signer.Seal(release.AssignmentPayloadType, &pb.Assignment{
			Site: siteID(i), Serial: f.number, IssuedTime: now, ExpireTime: timestamppb.New(now.AsTime().Add(30 * 24 * time.Hour)), Orders: orders, KeyList: 1,
		})
		if err != nil {
			return d, err
		}
		d.assignments = append(d.assignments, raw)
	}
	return d, nil
}

// round measures the sides in turns, each time with a release of its own: with
// the checks once, which takes long, and without them pairs times.
func (f *fanout) round(ctx context.Context) (r result, err error) {
	if r.inForce, err = f.side(ctx, true, f.publish); err != nil {
		return r, fmt.Errorf("ours: %w", err)
	}
	if r.rawChecked, err = f.side(ctx, true, f.publishRaw); err != nil {
		return r, fmt.Errorf("the raw fan-out with the checks: %w", err)
	}
	for range pairs {
		ours, err := f.side(ctx, false, f.publish)
		if err != nil {
			return r, fmt.Errorf("ours without the checks: %w", err)
		}
		raw, err := f.side(ctx, false, f.publishRaw)
		if err != nil {
			return r, fmt.Errorf("the raw fan-out: %w", err)
		}
		r.delivered, r.raw = append(r.delivered, ours), append(r.raw, raw)
	}
	return r, nil
}

// side publishes a release and waits for all: until the last station has it in
// force, or, where they do not check, until it has received it.
func (f *fanout) side(ctx context.Context, checks bool, publish func(context.Context, documents) error) (ms float64, err error) {
	ctx, cancel := context.WithTimeout(ctx, roundLimit)
	defer cancel()
	d, err := f.sign()
	if err != nil {
		return 0, err
	}
	w := newWait(len(f.stations))
	for _, s := range f.stations {
		s.expect(d.number, checks, w)
	}
	began := time.Now()
	if err := publish(ctx, d); err != nil {
		return 0, err
	}
	select {
	case <-w.all:
		return float64(w.last.Sub(began)) / float64(time.Millisecond), nil
	case err := <-w.failed:
		return 0, err
	case <-ctx.Done():
		return 0, fmt.Errorf("%d stations of %d have it: %w", w.done.Load(), len(f.stations), ctx.Err())
	}
}

// alone is how long one station's checks take with nothing else going on, in
// microseconds: the best of several.
func (f *fanout) alone() (float64, error) {
	best := time.Hour
	for range 20 {
		d, err := f.sign()
		if err != nil {
			return 0, err
		}
		w := newWait(1)
		s := f.stations[0]
		s.expect(d.number, true, w)
		began := time.Now()
		s.onRelease(&nats.Msg{Data: d.release})
		s.onAssignment(&nats.Msg{Data: d.assignments[0]})
		best = min(best, time.Since(began))
		if w.done.Load() != 1 {
			return 0, fmt.Errorf("check alone: %w", <-w.failed)
		}
	}
	return float64(best) / float64(time.Microsecond), nil
}

// publish sends as the authority does, through the same window: the release, and
// behind it the assignments that name it.
func (f *fanout) publish(ctx context.Context, d documents) error {
	w := bus.NewWindow(f.js, roundLimit)
	put := func(subject, id string, body []byte) error {
		return w.Publish(ctx, bus.Event(subject, id, "bench", "/bench", time.Now(), body), func() {})
	}
	if err := put(bus.ReleaseSubject(scope, d.number), fmt.Sprintf("release-%d", d.number), d.release); err != nil {
		return fmt.Errorf("publish the release: %w", err)
	}
	for i, raw := range d.assignments {
		if err := put(bus.AssignmentSubject(siteID(i)), fmt.Sprintf("%s-%d", siteID(i), d.number), raw); err != nil {
			return fmt.Errorf("publish assignment %d: %w", i, err)
		}
	}
	if err := w.Wait(ctx); err != nil {
		return fmt.Errorf("publish the assignments: %w", err)
	}
	return nil
}

// publishRaw sends the same bytes where no stream listens.
func (f *fanout) publishRaw(_ context.Context, d documents) error {
	if err := f.nc.Publish(rawPrefix+"release", d.release); err != nil {
		return fmt.Errorf("publish the release: %w", err)
	}
	for i, raw := range d.assignments {
		if err := f.nc.Publish(rawPrefix+siteID(i), raw); err != nil {
			return fmt.Errorf("publish assignment %d: %w", i, err)
		}
	}
	return f.nc.Flush()
}
