package authority

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"sync"
	"time"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/record"
	"samecup.example/samecup/services/authority/store"
)

const (
	// snapshotEvery is how many entries a start replays at most, more or less.
	snapshotEvery = 256
	// commitTries bounds how often a decision is taken anew because the record
	// moved on.
	commitTries = 4
	// reloadWait bounds reading the state again; it may not end with the call
	// that made it necessary.
	reloadWait = 30 * time.Second
)

// ledger is the authority's memory and its only writer. What it holds is what
// the store's record says; a decision is committed before it is applied.
type ledger struct {
	mu    sync.RWMutex
	state *govern.State
	chain record.Chain
	// lost is set while the state may not be what the store holds.
	lost bool
	// saved is the entry that the stored snapshot stands after.
	saved uint64
	// moved is closed and replaced at each change.
	moved chan struct{}
}

// turn is what a decision sees and what it wants stored with its acts. A
// decision may be taken twice; it must put nothing anywhere but here.
type turn struct {
	// State must not be changed and not be kept.
	*govern.State
	// Call with its time filled in.
	Call govern.Call
	// Head is the hash of the last entry, zero for none.
	Head record.Hash

	commit store.Commit
}

// At is the time that the acts of this turn get.
func (t *turn) At() time.Time {
	at := t.Call.At.UTC().Truncate(time.Microsecond)
	if last := t.State.At(); at.Before(last) {
		return last
	}
	return at
}

// blob keeps a source under its SHA-256.
func (t *turn) blob(body []byte) govern.Digest {
	t.commit.Blobs = append(t.commit.Blobs, body)
	return sha256.Sum256(body)
}

func (t *turn) release(r store.SealedRelease) { t.commit.Releases = append(t.commit.Releases, r) }

// site keeps the columns of a site that SQL joins on.
func (t *turn) site(v govern.Site) {
	t.commit.Sites = append(t.commit.Sites, store.Site{ID: v.ID, Name: v.Name, Region: v.Region, TimeZone: v.Zone})
}

// outcome is what became of a decision.
type outcome struct {
	// Acts that were stored, none when there was nothing to do or the request
	// was answered before.
	Acts []govern.Act
	// First is the number of the first act that answered the request, now or
	// then; 0 when there was nothing to do.
	First uint64
	// Before tells that the request id was answered by an earlier call: read
	// the acts from First on to answer the same again.
	Before bool
}

// do takes a decision: what decide returns is stored, all or nothing, then
// applied, then published. One decision is taken at a time. A request id that
// was answered with the same digest is not decided again. Errors are statuses:
// those of decide go through refusal.
func (s *Service) do(ctx context.Context, call govern.Call, decide func(*turn) ([]govern.Act, error)) (outcome, error) {
	if call.At.IsZero() {
		call.At = s.now()
	}
	out, releases, err := s.decide(ctx, call, decide)
	if err != nil {
		return outcome{}, refusal(err)
	}
	if len(out.Acts) > 0 {
		for _, a := range out.Acts {
			s.log.Debug("act", zap.Uint64("number", a.Number), zap.String("kind", a.Kind()), zap.String("by", a.By))
		}
		s.pub.want(releases)
	}
	return out, nil
}

func (s *Service) decide(ctx context.Context, call govern.Call, decide func(*turn) ([]govern.Act, error)) (outcome, []uint64, error) {
	l := &s.ledger
	l.mu.Lock()
	defer l.mu.Unlock()
	for range commitTries {
		if l.lost {
			if err := s.reload(ctx); err != nil {
				return outcome{}, nil, err
			}
		}
		if out, done, err := l.answered(call); done {
			return out, nil, err
		}
		t := &turn{State: l.state, Call: call, Head: l.chain.Head()}
		t.commit.After = l.chain.Len()
		acts, err := decide(t)
		if err != nil || len(acts) == 0 {
			return outcome{}, nil, err
		}
		next := l.chain
		for _, a := range acts {
			e, err := govern.Append(&next, a)
			if err != nil {
				return outcome{}, nil, err
			}
			t.commit.Entries = append(t.commit.Entries, e)
		}
		switch err := s.store.Commit(ctx, t.commit); {
		case errors.Is(err, store.ErrRecordMoved):
			l.lost = true
			continue
		case err != nil:
			// It may have been stored all the same: the disk knows.
			l.lost = true
			if s.reload(ctx) != nil || l.chain.Len() != next.Len() || l.chain.Head() != next.Head() {
				return outcome{}, nil, fmt.Errorf("store what was decided: %w", err)
			}
		default:
			if err := l.follow(next, acts); err != nil {
				l.lost = true
				return outcome{}, nil, err
			}
		}
		close(l.moved)
		l.moved = make(chan struct{})
		s.maybeSnapshot(ctx)
		releases := make([]uint64, len(t.commit.Releases))
		for i, r := range t.commit.Releases {
			releases[i] = r.Number
		}
		return outcome{Acts: acts, First: acts[0].Number}, releases, nil
	}
	return outcome{}, nil, fmt.Errorf("store what was decided: another process wrote to this record %d times; one authority owns a data directory, stop the other", commitTries)
}

// answered tells whether the call's request id has its answer.
func (l *ledger) answered(call govern.Call) (outcome, bool, error) {
	if call.RequestID == "" {
		return outcome{}, false, nil
	}
	act, digest, ok := l.state.Answered(call.RequestID)
	switch {
	case !ok:
		return outcome{}, false, nil
	case digest != call.RequestDigest:
		return outcome{}, true, &govern.Refused{Code: govern.AlreadyExists, Reason: "REQUEST_REUSED", Field: "request_id",
			Text: "is " + call.RequestID + ", which stands for another request already; use a fresh UUID for each"}
	}
	return outcome{First: act, Before: true}, true, nil
}

func (l *ledger) follow(next record.Chain, acts []govern.Act) error {
	for _, a := range acts {
		if err := l.state.Apply(a); err != nil {
			return err
		}
	}
	l.chain = next
	return nil
}

// view reads the state. It must not be kept beyond f, and f must not call do.
func (s *Service) view(f func(*govern.State)) {
	s.ledger.mu.RLock()
	defer s.ledger.mu.RUnlock()
	f(s.ledger.state)
}

// replay tells whether a call was answered before, for a handler that has
// costly checks to do ahead of its decision. An error is for refusal.
func (s *Service) replay(call govern.Call) (outcome, bool, error) {
	s.ledger.mu.RLock()
	defer s.ledger.mu.RUnlock()
	return s.ledger.answered(call)
}

// head is the record's last entry and its hash.
func (s *Service) head() (number uint64, hash record.Hash) {
	s.ledger.mu.RLock()
	defer s.ledger.mu.RUnlock()
	return s.ledger.chain.Len(), s.ledger.chain.Head()
}

// changed returns a channel that is closed at the next change of the state.
func (s *Service) changed() <-chan struct{} {
	s.ledger.mu.RLock()
	defer s.ledger.mu.RUnlock()
	return s.ledger.moved
}

// answer reads back the acts of an outcome that was Before: those from the
// first on that carry its request.
func (s *Service) answer(ctx context.Context, first uint64) ([]govern.Act, error) {
	var acts []govern.Act
	for e, err := range s.store.Entries(ctx, first-1) {
		if err != nil {
			return nil, err
		}
		a, err := govern.Decode(e)
		if err != nil {
			return nil, err
		}
		if len(acts) > 0 && (a.Request != nil || a.By != acts[0].By || !a.At.Equal(acts[0].At)) {
			break
		}
		acts = append(acts, a)
	}
	if len(acts) == 0 {
		return nil, fmt.Errorf("entry %d is not in the record", first)
	}
	return acts, nil
}

// reload reads the state from the store; the ledger must be locked.
func (s *Service) reload(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), reloadWait)
	defer cancel()
	state, chain, saved, err := loadState(ctx, s.store, s.log)
	if err != nil {
		return fmt.Errorf("read the record: %w", err)
	}
	l := &s.ledger
	l.state, l.chain, l.saved, l.lost = state, chain, saved, false
	return nil
}

// loadState restores the snapshot and replays what came since, checking each
// entry's hash on the way.
func loadState(ctx context.Context, db store.Store, log *zap.Logger) (*govern.State, record.Chain, uint64, error) {
	state, chain, saved := govern.New(), record.Chain{}, uint64(0)
	snap, err := db.Snapshot(ctx)
	switch {
	case errors.Is(err, store.ErrNotFound):
	case err != nil:
		return nil, chain, 0, err
	default:
		restored, err := restore(ctx, db, snap)
		if err != nil {
			return nil, chain, 0, err
		}
		if restored == nil {
			log.Warn("the snapshot is of another version; replaying the record", zap.Uint64("entry", snap.Number))
			break
		}
		state, chain, saved = restored, record.Resume(snap.Number, snap.Head), snap.Number
	}
	for e, err := range db.Entries(ctx, chain.Len()) {
		if err != nil {
			return nil, chain, 0, err
		}
		if err := chain.Follow(e); err != nil {
			return nil, chain, 0, fmt.Errorf("%w; restore the database from a copy", err)
		}
		act, err := govern.Decode(e)
		if err != nil {
			return nil, chain, 0, err
		}
		if err := state.Apply(act); err != nil {
			return nil, chain, 0, err
		}
	}
	return state, chain, saved, nil
}

// restore reads a snapshot that stands after an entry which the record still
// has; nil where this version cannot read it.
func restore(ctx context.Context, db store.Store, snap store.Snapshot) (*govern.State, error) {
	if snap.Number == 0 {
		return nil, nil
	}
	for e, err := range db.Entries(ctx, snap.Number-1) {
		if err != nil {
			return nil, err
		}
		if e.Number != snap.Number || e.Hash != snap.Head {
			break
		}
		state, err := govern.Restore(snap.Body)
		if err != nil || state.Number() != snap.Number {
			return nil, nil //nolint:nilerr // the record is there to be replayed
		}
		return state, nil
	}
	return nil, fmt.Errorf("%w or rewritten: the snapshot stands after entry %d, which is not there as it was; restore the database from a copy",
		record.ErrCut, snap.Number)
}

// maybeSnapshot bounds what the next start has to replay; the ledger must be
// locked. To fail costs only time.
func (s *Service) maybeSnapshot(ctx context.Context) {
	l := &s.ledger
	if l.chain.Len() < l.saved+snapshotEvery {
		return
	}
	body, err := l.state.Snapshot()
	if err == nil {
		err = s.store.SaveSnapshot(ctx, store.Snapshot{Number: l.chain.Len(), Head: l.chain.Head(), Body: body})
	}
	if err != nil {
		s.log.Warn("no snapshot of the state saved; the next start replays more of the record", zap.Error(err))
		return
	}
	l.saved = l.chain.Len()
}
