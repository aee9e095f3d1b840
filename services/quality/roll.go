package quality

import (
	"context"
	"time"

	"go.uber.org/zap"
)

const (
	// rollChunk of builds are added to the roll-ups in one transaction: large
	// enough that cells are written once for many builds, small enough that the
	// intake, which shares the one writer, waits for tens of milliseconds.
	rollChunk = 1000
	// The roller lets a burst pass: it waits until the intake was quiet for
	// rollQuiet, but no longer than rollLatest.
	rollQuiet  = 250 * time.Millisecond
	rollLatest = 2 * time.Second
)

// rollUp keeps the roll-ups after the builds until ctx ends. Where it stops,
// also by a crash, it goes on from the durable cursor.
func (s *Service) rollUp(ctx context.Context) error {
	wait := backoffLeast
	for {
		// Before reading, so that what is committed meanwhile rings again.
		rang := s.taken.next()
		if err := s.rollAll(ctx); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			s.log.Error("rolling up failed; trying again", zap.Duration("in", wait), zap.Error(err))
			if !pause(ctx, wait) {
				return nil
			}
			wait = min(2*wait, backoffMost)
			continue
		}
		wait = backoffLeast
		if !s.burst(ctx, rang, nil) {
			return nil
		}
	}
}

// rollAll rolls up all that waits.
func (s *Service) rollAll(ctx context.Context) error {
	for {
		done, err := s.store.Roll(ctx, rollChunk)
		if err != nil || !done.More {
			return err
		}
	}
}

// burst waits for builds and then for the intake to be quiet, or until due, which
// may be nil; false where ctx has ended.
func (s *Service) burst(ctx context.Context, rang <-chan struct{}, due <-chan time.Time) bool {
	select {
	case <-rang:
	case <-due:
		return true
	case <-ctx.Done():
		return false
	}
	latest := time.NewTimer(rollLatest)
	defer latest.Stop()
	for {
		quiet := time.NewTimer(rollQuiet)
		select {
		case <-s.taken.next():
			quiet.Stop()
		case <-quiet.C:
			return true
		case <-latest.C:
			quiet.Stop()
			return true
		case <-ctx.Done():
			quiet.Stop()
			return false
		}
	}
}

func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
