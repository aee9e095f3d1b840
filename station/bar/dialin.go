package bar

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/dialin"
	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/shelf"
)

// routineState is a dial-in on its way as it stands on disk.
type routineState struct {
	Occasion dialin.Occasion `json:"occasion"`
	// Release that the target is of, and the start event that shots are timed by.
	Release    uint64          `json:"release"`
	StartEvent string          `json:"start_event"`
	Target     dialin.Target   `json:"target"`
	Routine    *dialin.Routine `json:"routine"`
}

func (r *routineState) over() bool {
	p := r.Routine.Phase()
	return p == dialin.Done || p == dialin.Stuck
}

// grinder is the record of this machine's grinder, timed from an event: shots
// that are timed from another are another record.
func (b *Bar) grinder(ctx context.Context, startEvent string) (*dialin.Record, error) {
	key := b.grinderKey(startEvent)
	if r := b.grinders[key]; r != nil {
		return r, nil
	}
	g := b.wiring.grinder(startEvent)
	r, err := dialin.NewRecord(g)
	if err != nil {
		return nil, err
	}
	var raw json.RawMessage
	has, err := b.db.get(ctx, key, &raw)
	if err != nil {
		return nil, err
	}
	if has {
		var kept dialin.Record
		if err := json.Unmarshal(raw, &kept); err != nil || kept.Grinder() != g {
			b.log.Warn("the grinder's record is of another wiring or cannot be used; it begins anew", zap.String("grinder", g.ID), zap.Error(err))
		} else {
			r = &kept
		}
	}
	b.grinders[key] = r
	return r, nil
}

// known is true once the dial's setting was seen or stated.
func known(r *dialin.Record) bool { return r.Shots() > 0 || r.Setting() != 0 }

func (b *Bar) grinderKey(startEvent string) string {
	return keyGrinder + b.wiring.Grinder.ID + "/" + startEvent
}

// forgetGrinders goes back to what is on disk.
func (b *Bar) forgetGrinders() { clear(b.grinders) }

// present is the grinder's record for the release in force; nil without one.
func (b *Bar) present(ctx context.Context) (*dialin.Record, *shelf.Held, error) {
	held, _ := b.agent.ReleaseInForce()
	if held == nil {
		return nil, nil, refuse("no_release", "", "this station holds no release yet: wait until one has arrived")
	}
	r, err := b.grinder(ctx, held.Book.House.Pull.StartEvent)
	if err != nil {
		return nil, nil, refuse("no_dial_in", "", "the grinder cannot be set by this book: %s", err)
	}
	return r, held, nil
}

func (b *Bar) grinderView() Grinder {
	rec, _, err := b.present(context.Background())
	if err != nil {
		return Grinder{Grinder: b.wiring.grinder("")}
	}
	return Grinder{Grinder: rec.Grinder(), Setting: rec.Setting(), Known: known(rec), Shots: rec.Shots()}
}

// BeginDialIn starts a routine. Its shots are not production: none is logged.
func (b *Bar) BeginDialIn(ctx context.Context, o dialin.Occasion) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.dial != nil && !b.dial.over() {
		return refuse("dial_in_runs", "", "a dial-in is on its way: end it first")
	}
	rec, held, err := b.present(ctx)
	if err != nil {
		return err
	}
	target, err := targetOf(held.Book)
	if err != nil {
		return err
	}
	now := b.cfg.Now()
	routine, err := dialin.Begin(o, dialin.DefaultSettings(o), target, rec, now)
	if err != nil {
		b.forgetGrinders()
		return refuse("no_dial_in", "occasion", "the dial-in cannot begin: %s", err)
	}
	d := &routineState{Occasion: o, Release: held.Number, StartEvent: held.Book.House.Pull.StartEvent, Target: target, Routine: routine}
	var event *pb.BarEvent
	switch o {
	case dialin.NewCoffee:
		event = &pb.BarEvent{Kind: "new_lot"}
	case dialin.NewBurrSet:
		event = &pb.BarEvent{Kind: "new_burrs"}
	}
	return b.keepDial(ctx, d, rec, now, "dial-in began: "+occasionWords(o), event, "began", string(o))
}

func occasionWords(o dialin.Occasion) string {
	switch o {
	case dialin.AfterLunch:
		return "after lunch"
	case dialin.NewCoffee:
		return "new coffee"
	case dialin.NewBurrSet:
		return "new burrs"
	}
	return "opening"
}

// targetOf takes the recipe from the house espresso.
func targetOf(book *drink.Book) (dialin.Target, error) {
	var t dialin.Target
	for i := range book.House.Pull.Checks {
		switch k := &book.House.Pull.Checks[i]; k.Measure {
		case "dose":
			t.Dose = k.Target
		case "yield":
			t.Yield = k.Target
		case "shot_time":
			t.Time, t.Low, t.High = k.Target, k.Low, k.High
		}
	}
	if t.Dose <= 0 || t.Yield <= 0 || t.Time <= 0 || t.Low <= 0 || t.High == drink.NoHigh {
		return t, refuse("no_recipe", "", "the book's house pull has no checks on dose, yield and shot time with both limits: there is nothing to dial in for")
	}
	return t, nil
}

// keepDial has a routine and the grinder's record on disk before they count.
func (b *Bar) keepDial(ctx context.Context, d *routineState, rec *dialin.Record, now time.Time, words string, event *pb.BarEvent, args ...string) error {
	err := b.save(ctx, func(t tx) error {
		if words != "" {
			if err := t.mark(now, b.day(now), markDialIn, words, args...); err != nil {
				return err
			}
		}
		if event != nil {
			event.Time, event.By = timestamppb.New(now), b.at.Person
			if err := t.event(event); err != nil {
				return err
			}
		}
		return errors.Join(t.put(keyDialIn, d), t.put(b.grinderKey(d.StartEvent), rec), b.seen(t, now))
	})
	if err != nil {
		b.forgetGrinders()
		return err
	}
	b.dial = d
	b.notify()
	return nil
}

// dialing is a copy of the routine on its way, and its grinder's record.
func (b *Bar) dialing(ctx context.Context) (*routineState, *dialin.Record, error) {
	if b.dial == nil || b.dial.over() {
		return nil, nil, refuse("no_dial_in_runs", "", "no dial-in is on its way: begin one")
	}
	rec, err := b.grinder(ctx, b.dial.StartEvent)
	if err != nil {
		return nil, nil, err
	}
	raw, err := json.Marshal(b.dial)
	if err != nil {
		return nil, nil, err
	}
	var d routineState
	return &d, rec, json.Unmarshal(raw, &d)
}

// PurgeDialIn takes a dose thrown away, g thousandths.
func (b *Bar) PurgeDialIn(ctx context.Context, dose drink.Milli) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	d, rec, err := b.dialing(ctx)
	if err != nil {
		return err
	}
	if err := d.Routine.Purge(dose); err != nil {
		return refuse("bad_purge", "dose", "it was not taken: %s", err)
	}
	return b.keepDial(ctx, d, rec, b.cfg.Now(), "", nil)
}

// DialInShot takes a shot that is not sold.
func (b *Bar) DialInShot(ctx context.Context, s DialInShot) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	d, rec, err := b.dialing(ctx)
	if err != nil {
		return err
	}
	now := b.cfg.Now()
	var event *pb.BarEvent
	words := ""
	if known(rec) && s.Setting != rec.Setting() {
		event, words = &pb.BarEvent{Kind: "adjusted", Detail: s.Setting.String()}, "grinder turned to "+s.Setting.String()
	}
	if _, err := d.Routine.Shot(dialin.Shot{At: now, Setting: s.Setting, Dose: s.Dose, Yield: s.Yield, Time: s.Time, StartEvent: d.StartEvent}, rec); err != nil {
		b.forgetGrinders()
		return refuse("bad_shot", "shot", "the shot was not taken: %s", err)
	}
	return b.keepDial(ctx, d, rec, now, words, event, "turned", s.Setting.String())
}

// DialInTasted ends the routine when it tasted right.
func (b *Bar) DialInTasted(ctx context.Context, right bool, note string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	d, rec, err := b.dialing(ctx)
	if err != nil {
		return err
	}
	now := b.cfg.Now()
	if err := d.Routine.Tasted(right, tidy(note), now); err != nil {
		return refuse("bad_taste", "note", "it was not taken: %s", err)
	}
	words := ""
	if d.over() {
		if words, err = d.Routine.Words(rec, now); err != nil {
			return err
		}
	}
	return b.keepDial(ctx, d, rec, now, words, nil, string(d.Routine.Phase()), strconv.Itoa(len(d.Routine.Pulled())))
}

// EndDialIn ends a routine early, or puts one away that is over.
func (b *Bar) EndDialIn(ctx context.Context, why string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.dial == nil {
		return refuse("no_dial_in_runs", "", "no dial-in is on its way: begin one")
	}
	why, err := reason(why)
	if err != nil {
		return err
	}
	now := b.cfg.Now()
	early := !b.dial.over()
	if err := b.save(ctx, func(t tx) error {
		if early {
			shots := len(b.dial.Routine.Pulled())
			words := fmt.Sprintf("dial-in ended after %d shots", shots)
			if why != "" {
				words += ": " + why
			}
			if err := t.mark(now, b.day(now), markDialIn, words, "ended", strconv.Itoa(shots), why); err != nil {
				return err
			}
		}
		return t.put(keyDialIn, nil)
	}); err != nil {
		return err
	}
	b.dial = nil
	b.notify()
	return nil
}

// TurnGrinder says that the dial was turned outside a routine.
func (b *Bar) TurnGrinder(ctx context.Context, setting drink.Milli) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	const most drink.Milli = 1_000_000
	if setting < -most || setting > most {
		return refuse("bad_setting", "setting", "a setting of %v is not possible: %v to %v steps", setting, -most, most)
	}
	rec, held, err := b.present(ctx)
	if err != nil {
		return err
	}
	rec.Set(setting)
	now := b.cfg.Now()
	if err := b.save(ctx, func(t tx) error {
		return errors.Join(
			t.put(b.grinderKey(held.Book.House.Pull.StartEvent), rec),
			t.mark(now, b.day(now), markTurned, "grinder turned to "+setting.String(), setting.String()),
			t.event(&pb.BarEvent{Kind: "adjusted", Time: timestamppb.New(now), Detail: setting.String(), By: b.at.Person}),
			b.seen(t, now))
	}); err != nil {
		b.forgetGrinders()
		return err
	}
	b.notify()
	return nil
}

func (b *Bar) dialView(now time.Time) *DialIn {
	d := b.dial
	if d == nil {
		return nil
	}
	out := &DialIn{Occasion: d.Occasion, Grinder: b.wiring.grinder(d.StartEvent), Phase: d.Routine.Phase(), Target: d.Target, Pulled: d.Routine.Pulled(), Coffee: d.Routine.Coffee()}
	rec, err := b.grinder(context.Background(), d.StartEvent)
	if err == nil {
		out.Setting = rec.Setting()
		out.Words, err = d.Routine.Words(rec, now)
	}
	if err == nil && out.Phase == dialin.Pulling {
		var a dialin.Advice
		if a, err = rec.Advise(d.Target, now); err == nil {
			out.Advice = &a
		}
	}
	if err != nil {
		b.log.Error("the dial-in cannot be shown", zap.Error(err))
	}
	return out
}

// learn adds the pulls of logged builds to the grinder's record where it knows
// its setting: dose, yield and time of one pull. What is returned writes it.
func (b *Bar) learn(list []*pb.BuildRecord) func(tx) error {
	touched := map[string]*dialin.Record{}
	for _, r := range list {
		held := b.agent.HeldRelease(r.GetBuild().GetRelease())
		// A correction is of a shot that was learnt from already.
		if held == nil || r.GetBuild().GetCorrects() != "" {
			continue
		}
		event := held.Book.House.Pull.StartEvent
		rec, err := b.grinder(context.Background(), event)
		if err != nil || !known(rec) {
			continue
		}
		for _, p := range pulls(held, r.GetBuild()) {
			p.Setting, p.StartEvent, p.At = rec.Setting(), event, r.GetLoggedTime().AsTime()
			if _, err := rec.Add(p); err != nil {
				b.log.Debug("a pull was not learnt from", zap.String("build", r.GetBuild().GetId()), zap.Error(err))
				continue
			}
			touched[b.grinderKey(event)] = rec
		}
	}
	return func(t tx) error {
		for key, rec := range touched {
			if err := t.put(key, rec); err != nil {
				return err
			}
		}
		return nil
	}
}

// pulls are those of a build whose dose, yield and time were all read.
func pulls(held *shelf.Held, b *pb.Build) []dialin.Shot {
	s := held.Serving(b.GetServing())
	if s == nil {
		return nil
	}
	measure := map[string]string{}
	for i := range s.Checks {
		measure[s.Checks[i].ID] = s.Checks[i].Measure
	}
	shots := map[int32]*dialin.Shot{}
	var order []int32
	for _, r := range b.GetReadings() {
		n := max(r.GetOccurrence(), 1)
		if shots[n] == nil {
			shots[n] = &dialin.Shot{}
			order = append(order, n)
		}
		switch v := drink.Milli(r.GetValueMilli()); measure[r.GetCheck()] {
		case "dose":
			shots[n].Dose = v
		case "yield":
			shots[n].Yield = v
		case "shot_time":
			shots[n].Time = v
		}
	}
	var out []dialin.Shot
	for _, n := range order {
		if p := shots[n]; p.Dose > 0 && p.Yield > 0 && p.Time > 0 {
			out = append(out, *p)
		}
	}
	return out
}
