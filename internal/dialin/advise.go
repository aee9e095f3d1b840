package dialin

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"samecup.example/samecup/internal/drink"
)

// Target is the recipe that the grinder is set for, thousandths of s and g.
// Low and High belong to the accepted side.
type Target struct {
	Time  drink.Milli `json:"time_milli"`
	Low   drink.Milli `json:"low_milli"`
	High  drink.Milli `json:"high_milli"`
	Dose  drink.Milli `json:"dose_milli"`
	Yield drink.Milli `json:"yield_milli"`
}

// Action is what advice asks for.
type Action string

// The actions.
const (
	// Pull a shot before turning anything.
	Pull Action = "pull"
	// Probe: turn one step and pull again, so as to find out.
	Probe Action = "probe"
	// Turn by a number that the grinder's own shots carry.
	Turn Action = "turn"
	// Leave the grind.
	Leave Action = "leave"
)

// Advice on the grind.
type Advice struct {
	Action Action `json:"action"`
	// Steps to turn, thousandths, above 0 where there is one to make; Finer
	// says which way. Setting is the dial's after it.
	Steps   drink.Milli `json:"steps_milli,omitempty"`
	Finer   bool        `json:"finer,omitempty"`
	Setting drink.Milli `json:"setting_milli"`
	// Prediction at Setting, for the target's dose and yield; nil while the
	// grinder's own record carries none.
	Prediction *Prediction `json:"prediction,omitempty"`
	// Words for the person at the machine.
	Words string `json:"words"`
}

// Advise says how to set the grind for a target.
//
// Numbers are given only when the grinder's own shots carry them: 3 that counted,
// at 2 settings in full, one of them of the present coffee, and finer meaning
// slower with a chance of 90 % by those shots alone. A turn goes no
// more than 2 steps beyond settings already pulled.
func (r *Record) Advise(t Target, at time.Time) (Advice, error) {
	if t.Time <= 0 || t.Low > t.Time || t.High < t.Time || t.Low <= 0 || t.Dose <= 0 || t.Yield <= 0 {
		return Advice{}, fmt.Errorf("target: time %v s in %v to %v s, dose %v g, yield %v g; allowed: all above 0 and the time within its limits; take them from the serving",
			t.Time, t.Low, t.High, t.Dose, t.Yield)
	}
	s := &r.s
	now := Advice{Action: Pull, Setting: s.Setting}
	switch {
	case s.Last == nil:
		now.Words = "nothing is known of this grinder yet: pull a shot"
		return now, nil
	case s.SinceChange == 0:
		now.Words = "pull a shot: the first after a change is set aside"
		return now, nil
	case s.LastTaken.Weight == 0:
		now.Words = "pull again before you turn: the last shot was partly of the old setting"
		return now, nil
	}
	if !r.carries(at) {
		return r.probe(t), nil
	}
	p, err := r.Predict(s.Setting, t.Dose, t.Yield, at)
	if err != nil {
		return Advice{}, err
	}
	_, slope := s.Fit.line()
	steps := math.Log(t.Time.Float()/p.Expected) / slope
	turn, held := r.within(steps)
	if turn == 0 {
		now.Action, now.Prediction = Leave, &p
		now.Words = "leave the grind: " + p.words()
		if held {
			now.Action, now.Words = Probe, "a turn would go too far beyond this grinder's own record: pull again at this setting"
		}
		return now, nil
	}
	a := r.turn(turn)
	a.Action = Turn
	if p, err = r.Predict(a.Setting, t.Dose, t.Yield, at); err != nil {
		return Advice{}, err
	}
	a.Prediction = &p
	a.Words = fmt.Sprintf("turn %v %s: %s", a.Steps, direction(a.Finer), p.words())
	if held {
		a.Words += "; no farther, for this grinder's own record ends there: then pull twice and ask again"
	}
	return a, nil
}

// carries reports whether the grinder's own shots carry a number.
func (r *Record) carries(at time.Time) bool {
	s := &r.s
	own := s.Own
	own.drift(r.drift(at))
	if s.Shots < needShots || len(s.Settings) < needSettings || s.SinceLot == 0 || !own.known() || own.DF < 1 {
		return false
	}
	_, slope := own.line()
	_, guided := s.Fit.line()
	if slope <= 0 || guided <= 0 {
		return false
	}
	sd := math.Sqrt(own.noise() * own.slopeVariance())
	if sd == 0 { // shots that agree to the last digit
		return true
	}
	return distuv.StudentsT{Sigma: 1, Nu: own.DF}.CDF(slope/sd) >= needSign
}

// probe advises one step by the last shot alone.
func (r *Record) probe(t Target) Advice {
	const unknown = "not enough of this grinder's own record: "
	last := r.s.Last
	// As it would have run with the recipe's dose and yield.
	would := math.Exp(onReference(*last) + shift(t.Dose, t.Yield))
	switch {
	case would < t.Low.Float():
		a := r.turn(r.oneStep())
		a.Action, a.Words = Probe, unknown+fmt.Sprintf("turn %s finer and pull again", steps(a.Steps))
		return a
	case would > t.High.Float():
		a := r.turn(-r.oneStep())
		a.Action, a.Words = Probe, unknown+fmt.Sprintf("turn %s coarser and pull again", steps(a.Steps))
		return a
	}
	return Advice{Action: Pull, Setting: r.s.Setting, Words: unknown + "leave the grind and pull again"}
}

// oneStep is a step, or the least turn where that is more.
func (r *Record) oneStep() drink.Milli {
	inc := r.s.Grinder.Increment
	return max(inc, (1000+inc/2)/inc*inc)
}

// within rounds steps finer (coarser when below 0) to turns that can be made and
// to what lies near the record; held is true when that cut it.
func (r *Record) within(steps float64) (turn drink.Milli, held bool) {
	inc := r.s.Grinder.Increment
	lo, hi := r.x(r.s.Low), r.x(r.s.High)
	lo, hi = min(lo, hi)-farthest, max(lo, hi)+farthest
	x := r.x(r.s.Setting)
	cut := max(lo-x, min(steps, hi-x))
	whole := math.Round(cut * 1000 / float64(inc))
	if cut != steps {
		whole, held = math.Trunc(cut*1000/float64(inc)), true
	}
	return drink.Milli(whole) * inc, held
}

// turn is the advice to turn so many thousandths finer, coarser when below 0.
func (r *Record) turn(finer drink.Milli) Advice {
	a := Advice{Finer: finer > 0, Steps: max(finer, -finer)}
	if !r.s.Grinder.FinerUp {
		finer = -finer
	}
	a.Setting = r.s.Setting + finer
	return a
}

func direction(finer bool) string {
	if finer {
		return "finer"
	}
	return "coarser"
}

func steps(n drink.Milli) string {
	if n == 1000 {
		return "one step"
	}
	return n.String() + " steps"
}

// words rounds the interval outwards, so that it never says more than is known.
func (p Prediction) words() string {
	return fmt.Sprintf("expected %.0f s, 80 %% between %.0f and %.0f", p.Expected, math.Floor(p.Low), math.Ceil(p.High))
}
