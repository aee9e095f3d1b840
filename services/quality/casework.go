package quality

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/watch"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

// The watch reads in batches and saves now and then. What a crash loses in
// memory is read again from the saved cursor and comes out the same, since the
// watch is determined by what it is given.
const (
	watchChunk = 500
	saveBuilds = 20_000
	saveEvery  = 2 * time.Second
	// saveShare: at most one part in so many of the time goes into saving, since
	// the watch's state is written to JSON as a whole to find what changed. A
	// chain of 1,000 stations so saves every few minutes, a small one every 2 s.
	saveShare = 50
)

// registerCases adds the CaseService to a server.
func (s *Service) registerCases(r grpc.ServiceRegistrar) {
	pb.RegisterCaseServiceServer(r, &caseServer{service: s})
}

// casework is the part of the store that keeps cases.
func (s *Service) casework() (store.Casework, error) {
	db, ok := s.store.(store.Casework)
	if !ok {
		return nil, fmt.Errorf("quality: %T keeps no cases; its store must meet store.Casework", s.store)
	}
	return db, nil
}

// runCasework has the watch follow the counted builds until ctx ends. It reads
// what was committed, so the intake waits for its short writes alone.
func (s *Service) runCasework(ctx context.Context) error {
	db, err := s.casework()
	if err != nil {
		return err
	}
	w := newCaseworker(db, s.log.Named("cases"))
	w.now, w.undo = s.cfg.Now, s.cfg.UndoWait
	return s.followBuilds(ctx, w)
}

func (s *Service) followBuilds(ctx context.Context, w *caseworker) error {
	wait := backoffLeast
	for {
		rang := s.taken.next()
		if err := w.run(ctx, false); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			w.drop()
			// Somebody acted on a case meanwhile: no fault.
			if !errors.Is(err, store.ErrStale) {
				s.log.Error("following the builds for cases failed; trying again", zap.Duration("in", wait), zap.Error(err))
				if !pause(ctx, wait) {
					return nil
				}
				wait = min(2*wait, backoffMost)
			}
			continue
		}
		wait = backoffLeast
		if w.dirty() {
			if !pause(ctx, w.untilSave()) {
				return nil
			}
		} else if !s.burst(ctx, rang, w.due()) {
			return nil
		}
	}
}

// caseworker holds the watch and the cases beside what is saved of them. It
// belongs to one goroutine.
type caseworker struct {
	db  store.Casework
	log *zap.Logger
	// most builds and every how long to save; share as saveShare.
	most  int
	every time.Duration
	share int
	// now is the centre's clock, undo how long a build logged just now is held back.
	now  func() time.Time
	undo time.Duration

	shelf  *shelf
	spans  *shiftSpans
	watch  *watch.Watch // nil where nothing is loaded
	cases  *watch.Cases
	recent recents
	passed passed
	saved  saved
	// held is for how long the first build that is held back still is, 0 for none.
	// searched is up to where those behind it were searched for unsafe ones, and
	// urgent the last of them.
	held             time.Duration
	searched, urgent int64
	// Since the last save.
	cursor   int64
	builds   int
	unjudged []int64
	judged   []int64
	signals  []store.SignalRow
	last     time.Time
	cost     time.Duration
}

func newCaseworker(db store.Casework, log *zap.Logger) *caseworker {
	return &caseworker{db: db, log: log, most: saveBuilds, every: saveEvery, share: saveShare, now: time.Now, shelf: newShelf(db)}
}

func (w *caseworker) dirty() bool {
	return w.watch != nil && (w.builds > 0 || w.cursor != w.saved.cursor)
}

func (w *caseworker) untilSave() time.Duration {
	return max(w.every, time.Duration(w.share)*w.cost) - time.Since(w.last)
}

// drop lets go of what is in memory; the next run loads what was saved.
func (w *caseworker) drop() {
	*w = caseworker{db: w.db, log: w.log, most: w.most, every: w.every, share: w.share, now: w.now, undo: w.undo, shelf: w.shelf, cost: w.cost}
}

// run takes all builds that wait but those that are held back, and saves where it
// is time to or where told.
func (w *caseworker) run(ctx context.Context, save bool) error {
	version, err := w.db.CaseVersion(ctx)
	if err != nil {
		return err
	}
	if w.watch != nil && version != w.saved.version {
		w.drop()
	}
	if w.watch == nil {
		if err := w.load(ctx); err != nil {
			return err
		}
	}
	if err := w.takeCalendars(ctx); err != nil {
		return err
	}
	if err := w.takeJudged(ctx); err != nil {
		return err
	}
	for {
		page, err := w.db.BuildsAfter(ctx, w.cursor, watchChunk)
		if err != nil {
			return err
		}
		ripe, err := w.ripe(ctx, page)
		if err != nil {
			return err
		}
		for i := range page[:ripe] {
			if page[i].Grade == 0 {
				w.unjudged = append(w.unjudged, page[i].Ref)
			} else if err := w.take(ctx, &page[i]); err != nil {
				return err
			}
			w.cursor = page[i].Ref
		}
		if w.builds+len(w.unjudged) >= w.most {
			if err := w.save(ctx); err != nil {
				return err
			}
		}
		if ripe < watchChunk {
			break
		}
	}
	if w.dirty() && (save || w.untilSave() <= 0) {
		return w.save(ctx)
	}
	return nil
}

// takeJudged takes builds whose release came after the cursor had passed them.
// Each page is saved at once, since it is the saving that takes them off the
// list.
func (w *caseworker) takeJudged(ctx context.Context) error {
	for {
		page, err := w.db.JudgedLater(ctx, watchChunk)
		if err != nil || len(page) == 0 {
			return err
		}
		for i := range page {
			if err := w.take(ctx, &page[i]); err != nil {
				return err
			}
			w.judged = append(w.judged, page[i].Ref)
		}
		if err := w.save(ctx); err != nil {
			return err
		}
	}
}

// take gives one judged build to the watch, and what it yields to the cases.
func (w *caseworker) take(ctx context.Context, row *store.WatchBuild) error {
	w.builds++
	b, before, err := w.build(ctx, row)
	if err != nil {
		return err
	}
	for _, e := range before {
		out, err := w.watch.Event(e)
		if err != nil {
			return fmt.Errorf("watch what happened before build %q: %w", row.ID, err)
		}
		w.cases.Event(e)
		if err := w.open(&out); err != nil {
			return err
		}
	}
	if b == nil {
		return nil
	}
	out, err := w.watch.Build(b)
	if err != nil {
		return fmt.Errorf("watch build %q: %w", row.ID, err)
	}
	w.recent.add(row.Ref, b)
	return w.open(&out)
}

// open gives what the watch yields to the cases.
func (w *caseworker) open(out *watch.Out) error {
	w.cases.Take(watch.Out{Points: out.Points})
	for i := range out.Signals {
		g := &out.Signals[i]
		// One by one, to learn which case took each.
		changes := w.cases.Take(watch.Out{Signals: out.Signals[i : i+1]})
		row, err := w.signalRow(g, changes)
		if err != nil {
			return err
		}
		w.signals = append(w.signals, row)
	}
	return nil
}
