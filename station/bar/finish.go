package bar

import (
	"context"
	"errors"
	"slices"
	"time"

	"github.com/google/uuid"
	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// Finish logs the open build and answers after build and verdict are on disk.
// The same build again gets the first answer.
func (b *Bar) Finish(ctx context.Context, build string) (*Logged, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.open == nil || b.open.ID != build {
		if err := b.follow(ctx); err != nil {
			return nil, err
		}
		if m, err := b.db.made(ctx, build); err != nil || m != nil {
			return b.loggedOrNil(m), err
		}
		return nil, b.isOpen(ctx, build)
	}
	if !b.open.Timer.IsZero() {
		return nil, refuse("timer_runs", "", "the timer runs: stop it first")
	}
	// What came to rest, such as a whole cup on the scale, is read off now.
	b.take(b.open, b.feed.Joiner.Close())
	rec, err := b.toLog(ctx)
	if err != nil {
		return nil, err
	}
	// A page that went away must not leave it open whether the build was logged.
	ctx = context.WithoutCancel(ctx)
	if _, err := b.agent.LogBuild(ctx, &pb.LogBuildRequest{Build: rec}); err != nil && status.Code(err) != codes.AlreadyExists {
		b.join()
		b.log.Error("a build was not logged", zap.String("build", build), zap.Error(err))
		return nil, refuse("not_logged", "", "the build was not logged: %s", status.Convert(err).Message())
	}
	if err := b.follow(ctx); err != nil {
		// It is in the log; the next look at it puts this right.
		b.log.Error("a logged build could not be read back", zap.String("build", build), zap.Error(err))
		return nil, refuse("disk", "", "the build is logged, but the bar's own database cannot be written: free some space")
	}
	m, err := b.db.made(ctx, build)
	if err == nil && m == nil {
		err = errors.New("it is not in the log")
	}
	if err != nil {
		b.log.Error("a logged build could not be read back", zap.String("build", build), zap.Error(err))
		return nil, refuse("disk", "", "the build is logged, but cannot be shown: look at the day's list")
	}
	return b.logged(m), nil
}

func (b *Bar) loggedOrNil(m *made) *Logged {
	if m == nil {
		return nil
	}
	return b.logged(m)
}

// toLog is the open build as it is sent to the log.
func (b *Bar) toLog(ctx context.Context) (*pb.Build, error) {
	events, err := b.db.events(ctx)
	if err != nil {
		return nil, err
	}
	o := b.open
	d := &drink.Build{
		ID: o.ID, Serving: o.Serving, Release: o.Release, StartedAt: o.StartedAt, FinishedAt: o.FinishedAt,
		Vessel: o.Vessel, Milk: o.Milk, Shots: o.Shots, Garnish: o.Garnish, Sampled: o.Sampled,
		Substitutions: o.Substitutions, By: o.By, How: o.how(), Lots: o.Lots, Corrects: o.Corrects,
	}
	if b.agent.HeldRelease(o.Release) == nil {
		// It was revoked since: the agent finds the one to judge by.
		d.Release = 0
	}
	if o.Corrects == "" {
		d.FinishedAt = b.cfg.Now()
		if n := len(o.Steps); n > 0 {
			d.FinishedAt = latest(d.FinishedAt, o.StartedAt.Add(o.Steps[n-1].At))
		}
		d.FinishedAt = latest(d.FinishedAt, o.StartedAt)
	}
	d.Steps = o.Steps
	if !o.Exact {
		d.Steps = o.allSteps(b.held.Serving(o.Serving), d.FinishedAt.Sub(o.StartedAt))
	}
	for _, r := range o.Readings {
		d.Readings = append(d.Readings, r.Reading)
	}
	out := wire.BuildToProto(d)
	out.Events = events
	return out, nil
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// how the log was made, for the build.
func (o *openState) how() string {
	typed, read := len(o.Readings) == 0, false
	for _, r := range o.Readings {
		if r.Instrument != "" && r.Instrument != timerName {
			read = true
		} else {
			typed = true
		}
	}
	switch {
	case typed && read:
		return "mixed"
	case read:
		return "instrument"
	}
	return "keypad"
}

// allSteps are the steps tapped and, since finishing a build says that it was
// made as the card has it, those that nobody touched: each before the first step
// that must follow it, at that step's time, else at the end. Left out are
// optional ones and those marked as not done.
func (o *openState) allSteps(s *drink.Serving, end time.Duration) []drink.StepLog {
	out := slices.Clone(o.Steps)
	follows := followers(s)
	for _, t := range s.Steps {
		logged := slices.ContainsFunc(out, func(l drink.StepLog) bool { return l.Step == t.ID })
		if logged || t.Optional || slices.Contains(o.NotDone, t.ID) {
			continue
		}
		i := slices.IndexFunc(out, func(l drink.StepLog) bool { return follows[t.ID][l.Step] })
		if i < 0 {
			out = append(out, drink.StepLog{Step: t.ID, At: end})
			continue
		}
		out = slices.Insert(out, i, drink.StepLog{Step: t.ID, At: out[i].At})
	}
	return out
}

// followers gives, by step, all steps that must come after it.
func followers(s *drink.Serving) map[string]map[string]bool {
	out := map[string]map[string]bool{}
	var add func(step, later string, depth int)
	add = func(step, later string, depth int) {
		if out[step] == nil {
			out[step] = map[string]bool{}
		}
		if out[step][later] || depth > drink.MaxSteps {
			return
		}
		out[step][later] = true
		for _, t := range s.Steps {
			if t.ID == step {
				for _, before := range t.After {
					add(before, later, depth+1)
				}
			}
		}
	}
	for _, t := range s.Steps {
		for _, before := range t.After {
			add(before, t.ID, 0)
		}
	}
	return out
}

// atOnce is how many records of the log one transaction takes over.
const atOnce = 200

// follow reads on in the agent's log, so that the day's view shows what was
// logged and nothing else, and closes the open build when it is there.
func (b *Bar) follow(ctx context.Context) error {
	for {
		list, err := b.agent.LoggedAfter(ctx, b.followed, atOnce)
		if err != nil || len(list) == 0 {
			return err
		}
		if err := b.takeOver(ctx, list); err != nil {
			return err
		}
	}
}

func (b *Bar) takeOver(ctx context.Context, list []*pb.BuildRecord) error {
	var mine *pb.BuildRecord
	for _, r := range list {
		if b.open != nil && r.GetBuild().GetId() == b.open.ID {
			mine = r
		}
	}
	if mine != nil {
		b.sampler.finished(b.open, b.held, mine.GetLoggedTime().AsTime())
	}
	grinder := b.learn(list)
	err := b.db.change(ctx, func(t tx) error {
		for _, r := range list {
			if err := t.addMade(r, b.day(r.GetLoggedTime().AsTime())); err != nil {
				return err
			}
		}
		if mine != nil {
			if err := errors.Join(t.put(keyOpen, nil), t.dropEvents(mine.GetBuild().GetEvents()), b.sampler.put(t)); err != nil {
				return err
			}
		}
		return errors.Join(grinder(t), t.put(keyFollowed, list[len(list)-1].GetSequence()))
	})
	if err != nil {
		if mine != nil {
			b.sampler.reload(ctx)
		}
		b.forgetGrinders()
		return err
	}
	b.followed = list[len(list)-1].GetSequence()
	if mine != nil {
		if b.open.Take != nil {
			b.lastTake, b.lastTaken = b.open.Take, b.open.ID
		}
		b.open, b.held = nil, nil
	}
	m, err := b.db.lastMade(ctx)
	if err != nil {
		return err
	}
	if m != nil {
		b.last = b.logged(m)
	}
	b.choices = choiceCache{}
	b.grow(list)
	b.grown = true
	b.notify()
	return nil
}

// logged is a record as a page shows it.
func (b *Bar) logged(m *made) *Logged {
	r := m.record
	v := verdictOf(r.GetVerdict())
	at := r.GetLoggedTime().AsTime()
	out := &Logged{
		ID: r.GetBuild().GetId(), Serving: r.GetBuild().GetServing(), Name: r.GetBuild().GetServing(),
		Sequence: r.GetSequence(), Release: r.GetBuild().GetRelease(), At: at, By: r.GetBuild().GetBy(), Corrects: r.GetBuild().GetCorrects(),
		Verdict: v, UndoUntil: at.Add(undoFor), CorrectedBy: m.correctedBy, Sampled: r.GetBuild().GetSampled(),
	}
	var s *drink.Serving
	if held := b.agent.HeldRelease(out.Release); held != nil {
		s = held.Serving(out.Serving)
		out.Name = b.name(held, out.Serving)
	}
	out.Findings = speakAll(v, s)
	for _, f := range out.Findings {
		out.Words = append(out.Words, f.English)
	}
	return out
}

// Abandon drops the open build; why is kept for the day's view.
func (b *Bar) Abandon(ctx context.Context, build, why string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.isOpen(ctx, build); err != nil {
		return err
	}
	why, err := reason(why)
	if err != nil {
		return err
	}
	now := b.cfg.Now()
	name := b.name(b.held, b.open.Serving)
	words, args := name+" abandoned", []string{name, why}
	if b.open.Corrects != "" {
		words, args = "correction of "+words, append(args, "correction")
	}
	if why != "" {
		words += ": " + why
	}
	b.sampler.skipped(b.open, "abandoned: "+why, now)
	b.sampler.notTasted(b.open, "abandoned: "+why, now)
	if err := b.save(ctx, func(t tx) error {
		return errors.Join(t.put(keyOpen, nil), t.mark(now, b.day(now), markAbandoned, words, args...), b.sampler.put(t))
	}); err != nil {
		b.sampler.reload(ctx)
		return err
	}
	b.feed.Joiner.Close()
	b.open, b.held = nil, nil
	b.notify()
	return nil
}

// SkipMeasuring says why a build that the plan chose will not be measured. It
// stays chosen: what is missing on it is seen at the centre.
func (b *Bar) SkipMeasuring(ctx context.Context, build, why string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.isOpen(ctx, build); err != nil {
		return err
	}
	if b.open.Take == nil {
		return refuse("not_taken", "", "the plan did not ask to measure this one")
	}
	why, err := reason(why)
	if err != nil {
		return err
	}
	if why == "" {
		why = "no reason given"
	}
	next, err := b.open.clone()
	if err != nil {
		return err
	}
	next.Skipped = why
	b.sampler.skipped(next, why, b.cfg.Now())
	if err := b.save(ctx, func(t tx) error { return errors.Join(t.put(keyOpen, next), b.sampler.put(t)) }); err != nil {
		b.sampler.reload(ctx)
		return err
	}
	b.open = next
	b.notify()
	return nil
}

// Undo opens a correction of a build logged within the last minute, filled in
// with what was logged. The original stays in the log.
func (b *Bar) Undo(ctx context.Context, build string) (*Open, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.open != nil {
		return nil, b.busy()
	}
	if err := b.follow(ctx); err != nil {
		return nil, err
	}
	m, err := b.db.made(ctx, build)
	if err != nil {
		return nil, err
	}
	if m == nil {
		return nil, refuse("not_known", "", "this build is not one of the last days at this machine")
	}
	now := b.cfg.Now()
	l := b.logged(m)
	if l.CorrectedBy != "" {
		return nil, refuse("corrected", "", "this build is corrected already: undo the correction")
	}
	if !b.undoable(l, now) {
		return nil, refuse("too_late", "", "a build can be undone for a minute: this one was logged at %s", l.At.In(b.zone).Format("15:04:05"))
	}
	held := b.agent.HeldRelease(l.Release)
	if held == nil || held.Serving(l.Serving) == nil {
		return nil, refuse("release_gone", "", "release %d is no longer held here: log the build anew", l.Release)
	}
	var d drink.Build
	if err := wire.BuildFromProto(m.record.GetBuild(), &d); err != nil {
		return nil, err
	}
	id, err := uuid.NewV7()
	if err != nil {
		return nil, err
	}
	o := correction(&d, held.Serving(l.Serving))
	o.ID = id.String()
	if b.at.Person != "" {
		o.By = b.at.Person
	}
	if b.lastTake != nil && b.lastTaken == build {
		o.Take = b.lastTake
	}
	// What was logged is shown now.
	b.sampler.shown(build)
	if err := b.save(ctx, func(t tx) error { return errors.Join(t.put(keyOpen, o), b.sampler.put(t), b.seen(t, now)) }); err != nil {
		b.sampler.reload(ctx)
		return nil, err
	}
	b.open, b.held = o, held
	b.notify()
	return b.view(), nil
}

// correction is an open build filled in with what was logged.
func correction(d *drink.Build, s *drink.Serving) *openState {
	o := &openState{
		Serving: d.Serving, Release: d.Release, StartedAt: d.StartedAt, FinishedAt: d.FinishedAt, By: d.By, Corrects: d.ID,
		Sampled: d.Sampled, Exact: true, Steps: slices.Clone(d.Steps), Vessel: d.Vessel, Milk: d.Milk, Shots: d.Shots,
		Garnish: slices.Clone(d.Garnish), Substitutions: slices.Clone(d.Substitutions), Lots: slices.Clone(d.Lots),
	}
	for _, r := range d.Readings {
		o.Readings = append(o.Readings, openReading{Reading: r, How: "as logged"})
	}
	for _, t := range s.Steps {
		if !slices.ContainsFunc(d.Steps, func(l drink.StepLog) bool { return l.Step == t.ID }) {
			o.NotDone = append(o.NotDone, t.ID)
		}
	}
	if d.Vessel != s.Vessel {
		o.Used.Vessel = d.Vessel
	}
	if d.Milk != s.Milk {
		o.Used.Milk = d.Milk
	}
	if d.Shots != s.Shots {
		o.Used.Shots = d.Shots
	}
	for _, id := range s.Garnish {
		if !slices.Contains(d.Garnish, id) {
			o.Used.Without = append(o.Used.Without, id)
		}
	}
	return o
}

// maxReason bounds what somebody types, bytes.
const maxReason = 180

func reason(why string) (string, error) {
	if len(why) > maxReason {
		return "", refuse("too_long", "why", "the reason has %d bytes: write at most %d", len(why), maxReason)
	}
	return tidy(why), nil
}
