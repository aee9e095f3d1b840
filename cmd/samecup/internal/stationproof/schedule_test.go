package stationproof

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station"
)

var (
	schedules = flag.Int("schedules", 10, "random schedules of kills and cuts to play")
	seed      = flag.Uint64("seed", 1, "what the schedules are drawn from")
	workers   = flag.Int("workers", 4, "schedules that play side by side, each worker with a centre of its own")
)

const (
	patience = time.Minute
	// answerWithin bounds one call to the station.
	answerWithin = 5 * time.Second
)

// act is what happens to the chain.
type act int

const (
	killStation act = iota
	cutNetwork
	killAndCut
	restartQuality
	restartBus
	acts
)

func (a act) String() string {
	return [...]string{"kill the station", "cut the network", "kill the station and cut the network", "restart quality", "restart the bus"}[a]
}

// weights say how often each act is drawn.
var weights = [acts]int{8, 5, 3, 2, 1}

func draw(r *rand.Rand) act {
	total := 0
	for _, w := range weights {
		total += w
	}
	n := r.IntN(total)
	for a, w := range weights {
		if n -= w; n < 0 {
			return act(a)
		}
	}
	panic("unreachable")
}

// event happens once so many builds were answered, a moment later.
type event struct {
	act          act
	after        int
	late, outage time.Duration
}

// schedule is one station's day in small.
type schedule struct {
	id       int
	builds   []*pb.Build
	off      int // builds off spec
	baristas int
	events   []event
}

func newSchedule(seed uint64, id int) *schedule {
	r := rand.New(rand.NewPCG(seed, uint64(id)))
	s := &schedule{id: id, baristas: 1 + r.IntN(4)}
	serving := espresso()
	for range 20 + r.IntN(60) {
		b := verdict.Exemplar(&serving)
		b.ID, b.Site, b.Station, b.Release = uuid.NewString(), "", "", 0
		b.StartedAt = time.Now().Add(-time.Minute)
		b.FinishedAt = b.StartedAt.Add(40 * time.Second)
		for i := range b.Readings {
			b.Readings[i].MeasuredAt, b.Readings[i].EnteredAt, b.Readings[i].ReceivedAt = time.Time{}, time.Time{}, time.Time{}
		}
		m := wire.BuildToProto(&b)
		if r.IntN(5) == 0 {
			m.Readings[0].ValueMilli = 40_000
			s.off++
		}
		s.builds = append(s.builds, m)
	}
	for range 2 + r.IntN(5) {
		s.events = append(s.events, event{
			act: draw(r), after: r.IntN(len(s.builds) + 1),
			late: time.Duration(r.IntN(8000)) * time.Microsecond, outage: time.Duration(r.IntN(40)) * time.Millisecond,
		})
	}
	return s
}

// bar is the station of a schedule while it plays.
type bar struct {
	*schedule
	centre *centre
	dir    string
	net    *proxy

	mu       sync.Mutex
	child    *child
	answered atomic.Int64
	// again counts builds that were sent more than once.
	again atomic.Int64
}

func (b *bar) station() string { return fmt.Sprintf("bar-%d", b.id) }

// fleet answers every enrolment with the same.
type fleet struct {
	pb.FleetServiceClient
	answer *pb.EnrolStationResponse
}

func (f fleet) EnrolStation(context.Context, *pb.EnrolStationRequest, ...grpc.CallOption) (*pb.EnrolStationResponse, error) {
	return f.answer, nil
}

// play runs a schedule and checks what the centre has at its end.
func play(ctx context.Context, c *centre, dir string, s *schedule) (again int64, err error) {
	b := &bar{schedule: s, centre: c, dir: filepath.Join(dir, fmt.Sprint(s.id))}
	if b.net, err = startProxy(c.busAddr); err != nil {
		return 0, err
	}
	defer b.net.close()
	answer := &pb.EnrolStationResponse{Site: site, Station: b.station(), Scopes: release.Scopes("north", site), KeyLists: [][]byte{c.list}, BusUrl: b.net.url()}
	if err := station.Enrol(ctx, b.dir, fleet{answer: answer}, "code"); err != nil {
		return 0, err
	}
	if b.child, err = startChild(b.dir); err != nil {
		return 0, err
	}
	defer func() { b.child.kill() }()
	g, gctx := errgroup.WithContext(ctx)
	work := make(chan *pb.Build)
	g.Go(func() error {
		defer close(work)
		for _, m := range s.builds {
			select {
			case work <- m:
			case <-gctx.Done():
				return gctx.Err()
			}
		}
		return nil
	})
	for range s.baristas {
		g.Go(func() error {
			for m := range work {
				if err := b.log(gctx, m); err != nil {
					return err
				}
			}
			return nil
		})
	}
	for _, e := range s.events {
		g.Go(func() error { return b.happen(gctx, e) })
	}
	if err := g.Wait(); err != nil {
		return 0, err
	}
	return b.again.Load(), b.check(ctx)
}

// log sends a build until it is answered, as a tablet does.
func (b *bar) log(ctx context.Context, m *pb.Build) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	for try := 0; ; try++ {
		b.mu.Lock()
		client := b.child.client
		b.mu.Unlock()
		call, end := context.WithTimeout(ctx, answerWithin)
		_, err := client.LogBuild(call, &pb.LogBuildRequest{Build: m})
		end()
		if err == nil {
			b.answered.Add(1)
			return nil
		}
		if try == 1 {
			b.again.Add(1)
		}
		switch status.Code(err) {
		case codes.Unavailable, codes.DeadlineExceeded, codes.Canceled, codes.FailedPrecondition:
		default:
			return fmt.Errorf("build %s: %w", m.GetId(), err)
		}
		if err := pause(ctx, 2*time.Millisecond); err != nil {
			return fmt.Errorf("build %s was not answered: %w", m.GetId(), err)
		}
	}
}

func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// happen waits for an event's moment and makes it happen.
func (b *bar) happen(ctx context.Context, e event) error {
	for b.answered.Load() < int64(e.after) {
		if err := pause(ctx, time.Millisecond); err != nil {
			return err
		}
	}
	if err := pause(ctx, e.late); err != nil {
		return err
	}
	switch e.act {
	case killStation:
		return b.restart()
	case cutNetwork, killAndCut:
		b.net.cut()
		defer b.net.mend()
		if e.act == killAndCut {
			if err := b.restart(); err != nil {
				return err
			}
		}
		return pause(ctx, e.outage)
	case restartQuality:
		return b.centre.restartQuality(ctx)
	case restartBus:
		return b.centre.restartBus()
	}
	return fmt.Errorf("unknown act %d", e.act)
}

func (b *bar) restart() (err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.child.kill()
	b.child, err = startChild(b.dir)
	return err
}

// check waits until the centre has all, and compares it with what was answered.
func (b *bar) check(ctx context.Context) error {
	n := uint64(len(b.builds))
	want := &pb.StationIntake{Site: site, Station: b.station(), Builds: n, Deviations: uint64(b.off), WholeToSequence: n, HighestSequence: n}
	deadline := time.Now().Add(patience)
	var got *pb.StationIntake
	for {
		res, err := b.centre.client().GetIntake(ctx, &pb.GetIntakeRequest{})
		if err != nil {
			return err
		}
		if res.GetQuarantined() != 0 {
			return fmt.Errorf("%d records were set aside", res.GetQuarantined())
		}
		got = nil
		for _, s := range res.GetStations() {
			if s.GetStation() == b.station() {
				got = s
			}
		}
		if got.String() == want.String() {
			break
		}
		if got.GetBuilds() > n || got.GetChainBrokenAt() != 0 || got.GetDisputed() != 0 || time.Now().After(deadline) {
			return fmt.Errorf("the centre has %v, want %v", got, want)
		}
		if err := pause(ctx, 5*time.Millisecond); err != nil {
			return err
		}
	}
	for _, m := range b.builds {
		if _, err := b.centre.client().GetBuild(ctx, &pb.GetBuildRequest{Id: m.GetId()}); err != nil {
			return fmt.Errorf("build %s was answered, and at the centre: %w", m.GetId(), err)
		}
	}
	// What is sent twice must not count twice, so let the outbox run dry.
	for {
		st, err := b.child.client.GetStatus(ctx, &pb.GetStatusRequest{})
		if err != nil {
			return err
		}
		if st.GetOutboxDepth() == 0 {
			break
		}
		if time.Now().After(deadline) {
			return errors.New("the outbox does not run dry")
		}
		if err := pause(ctx, 5*time.Millisecond); err != nil {
			return err
		}
	}
	return nil
}

// Whatever is killed and cut when, nothing acknowledged is lost and nothing is
// counted twice.
func TestSchedulesOfKillsAndCuts(t *testing.T) {
	n := min(*workers, *schedules)
	dir := t.TempDir()
	var next, failed, events, builds, again atomic.Int64
	var wg sync.WaitGroup
	began := time.Now()
	for w := range n {
		wg.Go(func() {
			home := filepath.Join(dir, fmt.Sprint("worker-", w))
			c, err := startCentre(t.Context(), home)
			if err != nil {
				t.Error(err)
				return
			}
			for id := int(next.Add(1)); id <= *schedules; id = int(next.Add(1)) {
				s := newSchedule(*seed, id)
				twice, err := play(t.Context(), c, filepath.Join(home, "stations"), s)
				if err != nil {
					failed.Add(1)
					t.Errorf("seed %d, schedule %d (%d builds, %v): %v; this worker stops", *seed, id, len(s.builds), s.events, err)
					return
				}
				events.Add(int64(len(s.events)))
				builds.Add(int64(len(s.builds)))
				again.Add(twice)
				if id%100 == 0 {
					t.Logf("%d schedules in %s, %d failed", id, time.Since(began).Round(time.Second), failed.Load())
				}
			}
			// What every station sent again late must not have been counted.
			res, err := c.client().GetIntake(t.Context(), &pb.GetIntakeRequest{})
			if err != nil || res.GetQuarantined() != 0 {
				t.Errorf("at the end: %v, %v", res.GetQuarantined(), err)
			}
			for _, s := range res.GetStations() {
				if s.GetBuilds() != s.GetWholeToSequence() || s.GetBuilds() != s.GetHighestSequence() || s.GetChainBrokenAt() != 0 {
					t.Errorf("at the end the centre has %v", s)
				}
			}
			if err := c.close(); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	t.Logf("seed %d: %d schedules, %d events, %d builds (%d sent more than once), %d failed, in %s",
		*seed, *schedules, events.Load(), builds.Load(), again.Load(), failed.Load(), time.Since(began).Round(time.Second))
}
