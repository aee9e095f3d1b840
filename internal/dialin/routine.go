package dialin

import (
	"encoding/json"
	"fmt"
	"time"

	"samecup.example/samecup/internal/drink"
)

// Occasion is why a grinder is dialled in.
type Occasion string

// The occasions.
const (
	Opening    Occasion = "opening"
	AfterLunch Occasion = "after_lunch"
	NewCoffee  Occasion = "new_lot"
	NewBurrSet Occasion = "new_burrs"
)

// Phase is what a routine waits for.
type Phase string

// The phases.
const (
	// Purging: throw away what the grinder held.
	Purging Phase = "purge"
	// Pulling: pull, weigh and time a shot that is not sold.
	Pulling Phase = "pull"
	// Tasting: the last shots are inside; taste before opening.
	Tasting Phase = "taste"
	// Done: open.
	Done Phase = "done"
	// Stuck: too many shots; call the shift lead.
	Stuck Phase = "stuck"
)

// Settings of a routine. The defaults are common practice, no source.
type Settings struct {
	// Purges is how many doses are thrown away first.
	Purges int `json:"purges"`
	// Inside is how many shots running must be inside tolerance.
	Inside int `json:"inside"`
	// MostShots ends it as stuck.
	MostShots int `json:"most_shots"`
	// DoseWithin and YieldWithin are tolerances, thousandths of g.
	DoseWithin  drink.Milli `json:"dose_within_milli"`
	YieldWithin drink.Milli `json:"yield_within_milli"`
}

// DefaultSettings are those of the occasion: two doses purged on a cold start or
// other coffee, one after lunch; two shots running inside; ten shots at most.
func DefaultSettings(o Occasion) Settings {
	s := Settings{Purges: 2, Inside: 2, MostShots: 10, DoseWithin: 300, YieldWithin: 1500}
	if o == AfterLunch {
		s.Purges = 1
	}
	return s
}

// Pulled is one shot of a routine. None is production: each costs coffee and
// counts for no drink and no chart.
type Pulled struct {
	Shot  Shot  `json:"shot"`
	Taken Taken `json:"taken"`
	// Inside is true when dose, yield and time were inside tolerance and the
	// shot was not set aside; otherwise Why says what was not.
	Inside bool   `json:"inside"`
	Why    string `json:"why,omitempty"`
}

// Routine leads through one dial-in. It is not safe for concurrent use; its JSON
// form is its whole state. The grinder's record is kept beside it, not in it.
type Routine struct{ s routineState }

type routineState struct {
	Version  int         `json:"version"`
	Occasion Occasion    `json:"occasion"`
	Settings Settings    `json:"settings"`
	Target   Target      `json:"target"`
	Phase    Phase       `json:"phase"`
	Purged   int         `json:"purged"`
	Coffee   drink.Milli `json:"coffee_milli"`
	Pulled   []Pulled    `json:"pulled,omitempty"`
	Began    time.Time   `json:"began"`
	Ended    time.Time   `json:"ended"`
	Note     string      `json:"note,omitempty"`
}

// Begin starts a routine. New coffee and new burrs are told to the record here.
func Begin(o Occasion, set Settings, t Target, rec *Record, at time.Time) (*Routine, error) {
	switch o {
	case Opening, AfterLunch:
	case NewCoffee:
		rec.NewLot()
	case NewBurrSet:
		rec.NewBurrs()
	default:
		return nil, fmt.Errorf("dial-in: occasion is %q, allowed: %s, %s, %s, %s", o, Opening, AfterLunch, NewCoffee, NewBurrSet)
	}
	if err := set.usable(); err != nil {
		return nil, err
	}
	if _, err := rec.Advise(t, at); err != nil {
		return nil, fmt.Errorf("dial-in: %w", err)
	}
	r := &Routine{routineState{Version: routineVersion, Occasion: o, Settings: set, Target: t, Phase: Purging, Began: at}}
	if set.Purges == 0 {
		r.s.Phase = Pulling
	}
	return r, nil
}

const routineVersion = 1

func (s Settings) usable() error {
	if s.Purges < 0 || s.Purges > 10 || s.Inside < 1 || s.Inside > 10 || s.MostShots < s.Inside || s.MostShots > 50 || s.DoseWithin < 0 || s.YieldWithin < 0 {
		return fmt.Errorf("dial-in settings: %+v; allowed: 0 to 10 purges, 1 to 10 shots inside, at most 50 shots in all, tolerances of 0 and more", s)
	}
	return nil
}

// Phase is what the routine waits for.
func (r *Routine) Phase() Phase { return r.s.Phase }

// Pulled lists the shots so far; none is production.
func (r *Routine) Pulled() []Pulled { return r.s.Pulled }

// Coffee used so far, g thousandths.
func (r *Routine) Coffee() drink.Milli { return r.s.Coffee }

// Purge takes one dose thrown away, g thousandths.
func (r *Routine) Purge(dose drink.Milli) error {
	if r.s.Phase == Done || r.s.Phase == Stuck {
		return r.wrong("a purge")
	}
	if most := drink.MeasureByCode("dose").Most; dose < 0 || dose > 5*most {
		return fmt.Errorf("purge: dose is %v g, allowed: 0 to %v g; weigh it again", dose, 5*most)
	}
	r.s.Purged++
	r.s.Coffee += dose
	if r.s.Phase == Purging && r.s.Purged >= r.s.Settings.Purges {
		r.s.Phase = Pulling
	}
	return nil
}

// Shot takes one shot, adds it to the grinder's record and moves on.
func (r *Routine) Shot(s Shot, rec *Record) (Pulled, error) {
	if r.s.Phase != Pulling && r.s.Phase != Tasting {
		return Pulled{}, r.wrong("a shot")
	}
	taken, err := rec.Add(s)
	if err != nil {
		return Pulled{}, err
	}
	p := Pulled{Shot: s, Taken: taken}
	p.Why = r.outside(s, taken)
	p.Inside = p.Why == ""
	r.s.Coffee += s.Dose
	r.s.Pulled = append(r.s.Pulled, p)
	switch {
	case r.running() >= r.s.Settings.Inside:
		r.s.Phase = Tasting
	case len(r.s.Pulled) >= r.s.Settings.MostShots:
		r.s.Phase, r.s.Ended = Stuck, s.At
	default:
		r.s.Phase = Pulling
	}
	return p, nil
}

// outside says why a shot does not count towards opening; empty when it does.
func (r *Routine) outside(s Shot, taken Taken) string {
	t, set := r.s.Target, r.s.Settings
	switch {
	case taken.Weight == 0:
		return taken.Why
	case s.Dose < t.Dose-set.DoseWithin || s.Dose > t.Dose+set.DoseWithin:
		return fmt.Sprintf("dose %v g, wanted %v to %v: weigh it before you judge the grind", s.Dose, t.Dose-set.DoseWithin, t.Dose+set.DoseWithin)
	case s.Yield < t.Yield-set.YieldWithin || s.Yield > t.Yield+set.YieldWithin:
		return fmt.Sprintf("yield %v g, wanted %v to %v", s.Yield, t.Yield-set.YieldWithin, t.Yield+set.YieldWithin)
	case s.Time < t.Low:
		return fmt.Sprintf("%v s fast", t.Low-s.Time)
	case s.Time > t.High:
		return fmt.Sprintf("%v s slow", s.Time-t.High)
	}
	return ""
}

// running counts the shots inside at the end, all at one setting.
func (r *Routine) running() int {
	n := 0
	for i := len(r.s.Pulled) - 1; i >= 0; i-- {
		p := r.s.Pulled[i]
		if !p.Inside || p.Shot.Setting != r.s.Pulled[len(r.s.Pulled)-1].Shot.Setting {
			break
		}
		n++
	}
	return n
}

// Tasted ends the routine when it tasted right; otherwise it goes on pulling.
func (r *Routine) Tasted(right bool, note string, at time.Time) error {
	if r.s.Phase != Tasting {
		return r.wrong("a taste")
	}
	if len(note) > 500 {
		return fmt.Errorf("taste: the note has %d bytes, allowed: 500; shorten it", len(note))
	}
	r.s.Note = note
	if right {
		r.s.Phase, r.s.Ended = Done, at
		return nil
	}
	// The run is broken: what was inside must be shown again.
	last := &r.s.Pulled[len(r.s.Pulled)-1]
	last.Inside, last.Why = false, "did not taste right"
	r.s.Phase = Pulling
	if len(r.s.Pulled) >= r.s.Settings.MostShots {
		r.s.Phase, r.s.Ended = Stuck, at
	}
	return nil
}

// Words tells the person what to do now.
func (r *Routine) Words(rec *Record, at time.Time) (string, error) {
	switch r.s.Phase {
	case Purging:
		return fmt.Sprintf("purge a dose: %d of %d", r.s.Purged+1, r.s.Settings.Purges), nil
	case Tasting:
		return fmt.Sprintf("%d shots running are inside: taste the last", r.running()), nil
	case Done:
		return fmt.Sprintf("dialled in: %d shots, %v g of coffee, none of it production", len(r.s.Pulled), r.s.Coffee), nil
	case Stuck:
		return fmt.Sprintf("%d shots and not inside: stop, and call the shift lead", len(r.s.Pulled)), nil
	}
	if n := len(r.s.Pulled); n > 0 && r.s.Pulled[n-1].Inside {
		return fmt.Sprintf("inside: leave the grind and pull again, %d of %d", r.running()+1, r.s.Settings.Inside), nil
	}
	a, err := rec.Advise(r.s.Target, at)
	return a.Words, err
}

func (r *Routine) wrong(what string) error {
	return fmt.Errorf("dial-in: %s came in phase %q; do what the routine asks for, or begin another", what, r.s.Phase)
}

// MarshalJSON writes the whole state.
func (r *Routine) MarshalJSON() ([]byte, error) { return json.Marshal(&r.s) }

// UnmarshalJSON reads what MarshalJSON wrote; anything else is refused.
func (r *Routine) UnmarshalJSON(b []byte) error {
	var s routineState
	if err := json.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("reading a dial-in: %w", err)
	}
	if s.Version != routineVersion {
		return fmt.Errorf("dial-in: version is %d, allowed: %d; begin another", s.Version, routineVersion)
	}
	if err := s.Settings.usable(); err != nil {
		return err
	}
	switch s.Phase {
	case Purging, Pulling, Tasting, Done, Stuck:
	default:
		return fmt.Errorf("dial-in: phase is %q; begin another", s.Phase)
	}
	if n := len(s.Pulled); n > s.Settings.MostShots+1 || n == 0 && s.Phase == Tasting {
		return fmt.Errorf("dial-in: %d shots in phase %q; begin another", n, s.Phase)
	}
	r.s = s
	return nil
}
