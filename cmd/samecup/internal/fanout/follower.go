package fanout

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
)

// wait counts stations until all are done; the first failure ends it.
type wait struct {
	n    int64
	done atomic.Int64
	// last is when the last one was done; set before all is closed.
	last   time.Time
	all    chan struct{}
	failed chan error
}

func newWait(n int) *wait {
	return &wait{n: int64(n), all: make(chan struct{}), failed: make(chan error, 1)}
}

func (w *wait) finish() {
	if w.done.Add(1) == w.n {
		w.last = time.Now()
		close(w.all)
	}
}

func (w *wait) fail(err error) {
	select {
	case w.failed <- err:
	default:
	}
}

// follower is a simulated station: a connection and a trusted state of its own.
type follower struct {
	site   string
	scopes []string
	nc     *nats.Conn

	mu     sync.Mutex
	trust  *release.Trust
	checks bool
	number uint64
	wait   *wait
	// What came of the release that is expected.
	release, assignment []byte
	verified            *release.Verified
	assigned            *release.Assigned
}

func follow(ctx context.Context, url, site string, keys []byte) (*follower, error) {
	trust, err := release.NewTrust(keys)
	if err != nil {
		return nil, err
	}
	f := &follower{site: site, scopes: release.Scopes("", site), trust: trust}
	if f.nc, err = bus.Connect(ctx, url, site, zap.NewNop()); err != nil {
		return nil, err
	}
	for subject, take := range map[string]nats.MsgHandler{
		bus.ReleaseSubjects(scope):  f.onRelease,
		bus.AssignmentSubject(site): f.onAssignment,
		rawPrefix + "release":       f.onRelease,
		rawPrefix + site:            f.onAssignment,
	} {
		if _, err := f.nc.Subscribe(subject, take); err != nil {
			f.nc.Close()
			return nil, fmt.Errorf("subscribe to %s: %w", subject, err)
		}
	}
	if err := f.nc.FlushTimeout(roundLimit); err != nil {
		f.nc.Close()
		return nil, fmt.Errorf("subscribe: %w", err)
	}
	return f, nil
}

// expect readies the station for the next release.
func (f *follower) expect(number uint64, checks bool, w *wait) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.number, f.checks, f.wait = number, checks, w
	f.release, f.assignment, f.verified, f.assigned = nil, nil, nil, nil
}

func (f *follower) onRelease(m *nats.Msg) {
	f.took(func() { f.release = m.Data }, func() (err error) {
		f.verified, err = f.trust.VerifyRelease(m.Data)
		return err
	})
}

func (f *follower) onAssignment(m *nats.Msg) {
	f.took(func() { f.assignment = m.Data }, func() (err error) {
		f.assigned, err = f.trust.VerifyAssignment(m.Data, f.site)
		return err
	})
}

// took keeps a document, checks it where stations check, and finishes once both
// are there.
func (f *follower) took(keep func(), check func() error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	keep()
	if !f.checks {
		if f.release != nil && f.assignment != nil {
			f.wait.finish()
		}
		return
	}
	if err := check(); err != nil {
		f.wait.fail(fmt.Errorf("%s: %w", f.site, err))
		return
	}
	if f.verified == nil || f.assigned == nil {
		return
	}
	order, err := f.trust.Follow(f.verified, f.assigned, f.scopes, time.Now())
	if err == nil && order.Release != f.number {
		err = errors.New("another release is in force")
	}
	if err != nil {
		f.wait.fail(fmt.Errorf("%s: release %d: %w", f.site, f.number, err))
		return
	}
	f.wait.finish()
}
