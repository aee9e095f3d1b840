package station

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	// pendingMessages and pendingBytes bound what waits of a subscription.
	// What is dropped is read again: a push is only a bell.
	pendingMessages = 64
	pendingBytes    = 4 * bus.MaxPayloadBytes
	// idle is how long the follower waits when nothing is due.
	idle      = time.Hour
	maxDetail = 300
)

// follow takes what the centre signs as it is pushed, and reads what is missing
// where it stands: at every connect, when the centre names a newer version, and
// when an order names a release that is not held. There is no consumer, so that
// the bus keeps no state for a station and nothing waits for a redelivery.
func (a *Agent) follow(ctx context.Context, nc *nats.Conn, js jetstream.JetStream) {
	arrivals := make(chan *nats.Msg)
	ears := newEars(nc, a.log, func(m *nats.Msg) {
		select {
		case arrivals <- m:
		case <-ctx.Done():
		}
	})
	defer ears.tune(nil)
	var tries backoff
	need := true
	up, behind := a.up.wait(), a.behind.wait()
	for ctx.Err() == nil {
		ears.tune(a.subjects())
		wait := idle
		if need && nc.IsConnected() {
			err := a.sync(ctx, js)
			if need = err != nil; need && ctx.Err() == nil {
				a.complain(&tries, "what this station follows cannot be read in full", err)
				wait = tries.next()
			} else {
				tries = backoff{}
			}
		}
		if err := a.keep.advance(ctx); err != nil {
			a.log.Error("a release in force cannot be noted", zap.Error(err))
			wait = min(wait, backoffMost)
		}
		now := a.cfg.Now()
		if next := a.shelf.Next(now); next != nil {
			wait = min(wait, max(next.Start.Sub(now), time.Millisecond))
		}
		timer := time.NewTimer(wait)
		select {
		case m := <-arrivals:
			a.arrive(ctx, js, m)
			need = need || len(a.shelf.Missing(a.cfg.Now())) > 0 || a.keep.inDoubt.Load()
		case <-up:
			up = a.up.wait()
			a.keep.forgive(ctx)
			need = true
		case <-behind:
			behind = a.behind.wait()
			need = true
		case <-timer.C:
		case <-ctx.Done():
		}
		timer.Stop()
	}
}

// subjects are where the centre pushes to this station.
func (a *Agent) subjects() []string {
	if a.deaf {
		return nil
	}
	out := []string{bus.KeyListSubjects, bus.PlacementSubject(a.id.Site, a.id.Station), bus.StopListSubjects, bus.AssignmentSubject(a.id.Site)}
	for _, s := range a.keep.scopes() {
		out = append(out, bus.ReleaseSubjects(s))
	}
	return out
}

// taker is what takes the documents of a subject.
func (a *Agent) taker(subject string) func(context.Context, []byte) (bool, error) {
	under := func(all string) bool {
		prefix, _, _ := strings.Cut(all, "*")
		return strings.HasPrefix(subject, prefix)
	}
	switch {
	case under(bus.KeyListSubjects):
		return a.keep.takeKeyList
	case under(bus.PlacementSubjects):
		return a.keep.takePlacement
	case under(bus.StopListSubjects):
		return a.keep.takeStops
	case under(bus.AssignmentSubjects):
		return a.keep.takeAssignment
	}
	return a.keep.takeRelease
}

// arrive takes a document that was pushed. One that may only lack a key list is
// looked at again once that is read.
func (a *Agent) arrive(ctx context.Context, js jetstream.JetStream, m *nats.Msg) {
	if err := a.take(ctx, js, m.Subject, m.Data); err != nil && ctx.Err() == nil {
		a.log.Warn("a document that was pushed was not taken", zap.String("subject", m.Subject), zap.Error(err))
	}
}

// take takes a document; js may be nil, and then no key list is read. A refusal
// is kept and reported; any other error means that nothing was decided.
func (a *Agent) take(ctx context.Context, js jetstream.JetStream, subject string, data []byte) error {
	taker := a.taker(subject)
	changed, err := taker(ctx, data)
	if r, ok := errors.AsType[*release.Refusal](err); ok && js != nil && (r.Reason == release.UntrustedKey || r.Reason == release.Gap) {
		book, openErr := js.Stream(ctx, bus.StreamBook)
		if openErr == nil {
			_, openErr = a.syncKeyLists(ctx, book)
		}
		if openErr != nil {
			a.log.Debug("key lists cannot be read", zap.Error(openErr))
		}
		changed, err = taker(ctx, data)
	}
	if r, ok := errors.AsType[*release.Refusal](err); ok {
		a.refuse(ctx, r)
	}
	if changed {
		a.books.send()
		if strings.HasPrefix(subject, strings.TrimSuffix(bus.KeyListSubjects, "*")) {
			// What revoked keys signed is gone and has to be read anew.
			a.behind.send()
		}
	}
	return err
}

// refuse keeps a refusal for the presence.
func (a *Agent) refuse(ctx context.Context, r *release.Refusal) {
	out := &pb.Refusal{Release: r.Number, Reason: string(r.Reason), Detail: clip(r.Detail), RefusedTime: timestamppb.New(a.cfg.Now())}
	if r.Kind != "" {
		// The number is none of a release.
		out.Release, out.Detail = 0, clip(r.Kind+": "+r.Detail)
		if r.Number > 0 {
			out.Detail = clip(fmt.Sprintf("%s %d: %s", r.Kind, r.Number, r.Detail))
		}
	}
	a.log.Warn("refused", zap.String("reason", out.Reason), zap.Uint64("release", out.Release), zap.String("detail", out.Detail))
	if err := a.store.AddRefusal(ctx, out); err != nil {
		a.log.Error("a refusal cannot be kept", zap.Error(err))
	}
	a.books.send()
}

// sync reads what is newest: key lists, since all else hangs on them; the stop
// list, since it cannot wait; the placement; the assignment; and the releases
// that it names.
// An error means that something is still missing.
func (a *Agent) sync(ctx context.Context, js jetstream.JetStream) error {
	open, cancel := context.WithTimeout(ctx, sendDeadline)
	defer cancel()
	book, err := js.Stream(open, bus.StreamBook)
	if err != nil {
		return fmt.Errorf("open %s: %w", bus.StreamBook, err)
	}
	if _, err := a.syncKeyLists(ctx, book); err != nil {
		return err
	}
	if err := a.fetch(ctx, book, bus.StopListSubjects); err != nil && !errors.Is(err, jetstream.ErrMsgNotFound) {
		return err
	}
	if want := a.expected().GetStopList(); want > a.stopVersion() {
		// The last one sent need not be the newest.
		if err := a.fetch(ctx, book, bus.StopListSubject(want)); err != nil && !errors.Is(err, jetstream.ErrMsgNotFound) {
			return err
		}
	}
	if err := a.fetch(ctx, book, bus.PlacementSubject(a.id.Site, a.id.Station)); err != nil && !errors.Is(err, jetstream.ErrMsgNotFound) {
		return err
	}
	if err := a.fetch(ctx, book, bus.AssignmentSubject(a.id.Site)); err != nil && !errors.Is(err, jetstream.ErrMsgNotFound) {
		return err
	}
	a.keep.placed(ctx)
	var missing []error
	for _, o := range a.shelf.Missing(a.cfg.Now()) {
		if a.shelf.ByNumber(o.Release) != nil {
			continue
		}
		subject := bus.ReleaseSubject(o.Scope, o.Release)
		raw, err := last(ctx, book, subject)
		if err != nil {
			missing = append(missing, err)
			continue
		}
		err = a.take(ctx, nil, subject, raw)
		if r, ok := errors.AsType[*release.Refusal](err); ok {
			a.keep.spoilt(ctx, o, r)
		} else if err != nil {
			missing = append(missing, err)
		} else if a.shelf.ByNumber(o.Release) == nil {
			missing = append(missing, fmt.Errorf("%s holds something else", subject))
		}
	}
	return errors.Join(missing...)
}

// syncKeyLists reads the key lists one by one from the one after ours, since
// each is vouched for by the one before.
func (a *Agent) syncKeyLists(ctx context.Context, book jetstream.Stream) (changed bool, err error) {
	for {
		subject := bus.KeyListSubject(a.keep.version() + 1)
		raw, err := last(ctx, book, subject)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return changed, nil
		}
		if err != nil {
			return changed, err
		}
		before := a.keep.version()
		if err := a.take(ctx, nil, subject, raw); err != nil {
			if _, ok := errors.AsType[*release.Refusal](err); ok {
				return changed, nil
			}
			return changed, err
		}
		if a.keep.version() == before {
			return changed, nil
		}
		changed = true
	}
}

// fetch takes the last document of a subject; a refusal is kept and is no error
// here, since reading it again would not help.
func (a *Agent) fetch(ctx context.Context, book jetstream.Stream, subject string) error {
	raw, err := last(ctx, book, subject)
	if err != nil {
		return err
	}
	err = a.take(ctx, nil, subject, raw)
	if _, ok := errors.AsType[*release.Refusal](err); ok {
		return nil
	}
	return err
}

// last reads the last message of a subject, whatever server holds it.
func last(ctx context.Context, book jetstream.Stream, subject string) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, sendDeadline)
	defer cancel()
	m, err := book.GetLastMsgForSubject(ctx, subject)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", subject, err)
	}
	return m.Data, nil
}

// clip bounds a detail, at a rune's edge.
func clip(s string) string {
	if len(s) <= maxDetail {
		return s
	}
	cut := maxDetail
	for cut > 0 && s[cut]&0xC0 == 0x80 {
		cut--
	}
	return s[:cut] + "…"
}
