package quality

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/services/quality/store"
)

// trust is which keys quality believes. Unlike a station it keeps no floors: it
// takes every release and every version of the stop list that a key once
// trusted signed, whatever their order, since builds of the past name them. A
// revoked key's are refused, but those that were stored before stay, for
// judging what was made by them.
type trust struct {
	store store.Store

	mu    sync.Mutex
	trust *release.Trust
}

// openTrust goes on from the stored state, or starts from the first of the
// lists, and leads it on to the last.
func openTrust(ctx context.Context, db store.Store, lists [][]byte) (*trust, error) {
	t := &trust{store: db}
	state, err := db.Trust(ctx)
	switch {
	case errors.Is(err, store.ErrNotFound):
		if len(lists) == 0 {
			return nil, errors.New("quality: KeyLists is empty; give the signed key lists, from version 1 on")
		}
		if t.trust, err = release.NewTrust(lists[0]); err != nil {
			return nil, fmt.Errorf("quality: the first key list: %w", err)
		}
	case err != nil:
		return nil, err
	default:
		if t.trust, err = release.Open(state); err != nil {
			return nil, fmt.Errorf("quality: %w", err)
		}
	}
	for i, l := range lists {
		// A list before the held one adds nothing, and once the root keys have
		// changed its own signers are no longer believed.
		if old, err := release.UnverifiedKeyList(l); err == nil && old.Version < t.trust.Version() {
			continue
		}
		_, err := t.trust.AddKeyList(l)
		if r, ok := errors.AsType[*release.Refusal](err); ok && r.Reason == release.Older {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("quality: key list %d of those given does not follow on those held in the database; give this database to the chain it is of, or another directory: %w", i+1, err)
		}
	}
	return t, t.keep(ctx)
}

func (t *trust) keep(ctx context.Context) error {
	state, err := t.trust.Marshal()
	if err != nil {
		return err
	}
	return t.store.Write(ctx, func(tx store.Tx) error { return tx.SaveTrust(state) })
}

func (t *trust) version() uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.trust.Version()
}

// keyList takes the next key list; an older one again is no error.
func (t *trust) keyList(ctx context.Context, data []byte) (release.KeyListChange, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	before := t.trust.Version()
	change, err := t.trust.AddKeyList(data)
	if r, ok := errors.AsType[*release.Refusal](err); ok && r.Reason == release.Older {
		return change, nil
	}
	if err != nil || change.Version == before {
		return change, err
	}
	return change, t.keep(ctx)
}

// release verifies one; a retired key counts, a revoked one does not.
func (t *trust) release(data []byte) (*release.Verified, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.trust.HeldRelease(data)
}

// stopList verifies a version against a copy, which gets the floor.
func (t *trust) stopList(data []byte) (*release.Listed, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	state, err := t.trust.Marshal()
	if err != nil {
		return nil, err
	}
	scratch, err := release.Open(state)
	if err != nil {
		return nil, err
	}
	return scratch.HeldStopList(data)
}
