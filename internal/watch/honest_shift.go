package watch

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"
)

// desk is what one person logs at one station in the open shift.
type desk struct {
	Typed map[string][]logged `json:"typed"`
	// Machine are the shot times that the machine logs by itself while the same
	// person works, as half-widths from the target: the person's own yardstick.
	Machine []float64     `json:"machine,omitempty"`
	Builds  []loggedBuild `json:"builds"`
}

const (
	deskMost     = 60  // readings of a measure in one shift
	machineMost  = 240 // shots
	machineLeast = 20
)

// session is what the screens keep of a desk when the shift is closed. Each
// screen is a sum over sessions, so that a few may be looked at together.
type session struct {
	Day     time.Time `json:"day"`
	No      int       `json:"no"`
	Station string    `json:"station"`
	// Chi is the sum of squares of what was typed against the least honest
	// spread, by measure, and Own that of typed shot times against the machine's;
	// with their degrees of freedom.
	Chi   [len(steadied)]float64 `json:"chi"`
	ChiDF [len(steadied)]int     `json:"chi_df"`
	Own   float64                `json:"own"`
	OwnDF int                    `json:"own_df"`
	// OwnOf is the degrees of freedom of the machine's spread.
	OwnOf float64 `json:"own_of"`
	// Sum and N are of the values typed, by measure of onTargetMeasures, in
	// half-widths from the target.
	Sum [len(onTargetMeasures)]float64 `json:"sum"`
	N   [len(onTargetMeasures)]int     `json:"n"`
	// Last digits, those that are 0 or 5, and how many of these are expected at
	// most; so for consecutive values and those that are equal.
	Digits     int     `json:"digits"`
	Heaped     int     `json:"heaped"`
	HeapedMost float64 `json:"heaped_most"`
	Pairs      int     `json:"pairs"`
	Tied       int     `json:"tied"`
	TiedMost   float64 `json:"tied_most"`
	// Together are rows typed in at once, of Typed.
	Together int `json:"together"`
	Typed    int `json:"typed"`
}

// steadied are the measures whose spread is looked at; typed shot times have the
// machine's beside them.
var steadied = [...]string{"dose", "yield", "milk_temp", "cup_mass", "froth_depth"}

func (s *session) order(o *session) int {
	return cmp.Or(s.Day.Compare(o.Day), cmp.Compare(s.No, o.No), strings.Compare(s.Station, o.Station))
}

// keepDesk notes a build for the look at the end of the shift.
func (s *station) keepDesk(key string, b *Build) {
	d := s.Desks[key]
	if d == nil {
		d = &desk{Typed: map[string][]logged{}}
		s.Desks[key] = d
	}
	weighed := weighedShots(b)
	for i := range b.Readings {
		r := &b.Readings[i]
		if !finite(r) {
			continue
		}
		hw := half(r)
		if byMachine(r, weighed) {
			if len(d.Machine) < machineMost {
				d.Machine = append(d.Machine, (r.Value-r.Target)/hw)
			}
		} else if b.Sampled && len(d.Typed[r.Measure]) < deskMost {
			d.Typed[r.Measure] = append(d.Typed[r.Measure], logged{V: r.Value, U: (r.Value - r.Target) / hw, Half: hw, Res: r.Resolution})
		}
	}
	if b.Sampled && len(d.Builds) < deskMost && !b.Entered.IsZero() {
		d.Builds = append(d.Builds, loggedBuild{place: place{b.Started.UTC(), b.ID}, Entered: b.Entered.UTC()})
	}
}

// weighedShots says that dose or yield was weighed, which a person does.
func weighedShots(b *Build) bool {
	return b.Sampled && slices.ContainsFunc(b.Readings, func(r Reading) bool { return r.Measure == "dose" || r.Measure == "yield" })
}

// byMachine says that a reading is one that the machine logs of every shot: the
// time of a shot of which nothing was weighed.
func byMachine(r *Reading, weighed bool) bool {
	return r.Measure == "shot_time" && !weighed
}

func finite(r *Reading) bool {
	return !math.IsNaN(r.Value) && !math.IsInf(r.Value, 0) && !math.IsNaN(r.Target) && !math.IsInf(r.Target, 0)
}

// closeDesks looks at what each person logged in the shift, alone: whoever
// writes down what was not measured mostly shows within one shift. What is
// usual is that of the day before, so that the order in which stations are
// heard does not matter.
func (w *Watch) closeDesks(s *station, at time.Time, out *Out) {
	var list []asking
	for _, k := range sortedKeys(s.Desks) {
		p := w.st.People[k]
		if p == nil {
			continue
		}
		e := s.Desks[k].session(w.st.Usual)
		e.Day, e.No, e.Station = s.Shift.Day, s.Shift.No, s.Name
		i, _ := slices.BinarySearchFunc(p.Sessions, &e, func(a session, b *session) int { return a.order(b) })
		p.Sessions = slices.Insert(p.Sessions, i, e)
		if len(p.Sessions) > sessionsMost {
			p.Sessions = slices.Delete(p.Sessions, 0, 1)
		}
		// What another station asked on the same day does not matter.
		if said := p.SaidDay; said.Before(s.Shift.Day) && p.asked(s.Shift.Day) {
			continue
		}
		list = append(list, asking{key: k, person: p, grounds: w.grounds([]session{e}, 1), n: e.Typed})
	}
	clear(s.Desks)
	for _, q := range w.ask(list) {
		out.signal(q.signal(s.Name, ShiftLook, s.Opened, at, s.Shift.Day))
	}
}

// ShiftLook marks the question of one shift alone, told when it is closed; the
// others are told when the day is.
const ShiftLook = "one shift"

// session sums a desk up. usual is the spread within shifts by measure.
func (d *desk) session(usual map[string]float64) session {
	var e session
	for _, m := range sortedKeys(d.Typed) {
		list, sd := d.Typed[m], usual[m]
		if sd <= 0 {
			continue
		}
		var all moments
		hw := 0.0
		for _, l := range list {
			all.take(l.U)
			hw += l.Half / float64(len(list))
		}
		least := leastSkill * sd
		if dev := deviceSD[m] / hw; dev > 0 {
			least = min(least, dev)
		}
		if i := slices.Index(onTargetMeasures[:], m); i >= 0 {
			e.Sum[i], e.N[i] = all.Mean*float64(all.N), all.N
		}
		if m == "shot_time" {
			e.own(list, d.Machine)
		} else if i := slices.Index(steadied[:], m); i >= 0 && all.N >= 2 {
			// What rounding hides is given back: two equal values are no wonder.
			df, step := float64(all.N-1), list[0].Res/hw
			e.Chi[i] += (all.M2 + df*step*step/12) / (least * least)
			e.ChiDF[i] += all.N - 1
		}
		own := 0.0
		if all.N > 1 {
			own = math.Sqrt(all.M2 / float64(all.N-1))
		}
		// The spread that the log itself has, within what is usual.
		e.digits(list, hw*min(sd, max(own, sd/2)))
	}
	e.together(d.Builds)
	return e
}

// quartileDF is the degrees of freedom of a quartile spread for each value: its
// relative standard error is 1.17/sqrt(n) (normal law), that of an SD of f
// degrees of freedom 1/sqrt(2f).
const quartileDF = 1 / (2 * 1.17 * 1.17)

// own compares typed shot times with those that the machine logged by itself.
// Both may hold channelled shots, which are far off: the yardstick is the
// quartile spread, and what is beyond 2.5 of it counts as that, which takes
// about a twentieth off the sum of squares of honest values (normal law).
func (e *session) own(list []logged, machine []float64) {
	if len(machine) < machineLeast || len(list) < 3 {
		return
	}
	sorted := slices.Sorted(slices.Values(machine))
	n := len(sorted)
	sd := (sorted[3*n/4] - sorted[n/4]) / 1.349
	if sd <= 0 {
		return
	}
	u := make([]float64, len(list))
	for i, l := range list {
		u[i] = l.U
	}
	mid := median(slices.Clone(u))
	var m moments
	for _, x := range u {
		m.take(min(2.5, max(-2.5, (x-mid)/sd)))
	}
	step := list[0].Res / list[0].Half / sd
	e.Own += m.M2/0.95 + float64(m.N-1)*step*step/12
	e.OwnDF += m.N - 1
	e.OwnOf += quartileDF * float64(n)
}

// digits counts last digits 0 and 5 and equal neighbours. sd is the honest
// spread in base units. For a normal law of SD s in steps the share of 0 and 5
// is at most (1 + 2 exp(-2 pi^2 s^2/25))/5, the first term of its Fourier
// series, and that of equal neighbours about 1/(2 sqrt(pi) s).
func (e *session) digits(list []logged, sd float64) {
	res := list[0].Res
	if res <= 0 {
		return
	}
	s := sd / res
	heap := (1 + 2*math.Exp(-2*math.Pi*math.Pi*s*s/25)) / 5
	tie := 1 / math.Sqrt(4*math.Pi*(s*s+1.0/12))
	for i, l := range list {
		if l.Res != res {
			return
		}
		step := math.Round(l.V / res)
		if heap <= heapedShare {
			e.Digits++
			e.HeapedMost += heap
			if math.Mod(step, 5) == 0 {
				e.Heaped++
			}
		}
		if i > 0 && tie < 0.5 && math.Abs((l.V-l.U*l.Half)-(list[i-1].V-list[i-1].U*list[i-1].Half)) < res/10 {
			e.Pairs++
			e.TiedMost += tie
			if step == math.Round(list[i-1].V/res) {
				e.Tied++
			}
		}
	}
}

// Rows typed in at once: so many, each so soon after the one before, of builds
// measured over more than that time. Nobody measures that fast, whatever the
// drinks. When the log was received plays no part.
const (
	rowsLeast    = 4
	rowsApart    = 15 * time.Second
	rowsMeasured = 15 * time.Minute
)

func (e *session) together(builds []loggedBuild) {
	e.Typed = len(builds)
	list := slices.Clone(builds)
	slices.SortStableFunc(list, func(a, b loggedBuild) int { return a.Entered.Compare(b.Entered) })
	for i := 0; i < len(list); {
		lo, hi := list[i].place.At, list[i].place.At
		j := i + 1
		for ; j < len(list) && list[j].Entered.Sub(list[j-1].Entered) <= rowsApart; j++ {
			if list[j].place.At.Before(lo) {
				lo = list[j].place.At
			}
			hi = later(hi, list[j].place.At)
		}
		if j-i >= rowsLeast && hi.Sub(lo) > rowsMeasured {
			e.Together += j - i
		}
		i = j
	}
}
