package watch

import (
	"fmt"
	"math"
	"time"
)

// retarget is a check whose target moved.
type retarget struct {
	Measure string  `json:"measure"`
	Old     float64 `json:"old"`
	New     float64 `json:"new"`
}

// oldSpec gathers the evidence that a station still makes a measure to the old
// target.
type oldSpec struct {
	// Of the shift: sums of squared steps, and of them times the share of the
	// way back to the old target.
	N    int     `json:"n"`
	W    float64 `json:"w"`
	WF   float64 `json:"wf"`
	Half float64 `json:"half"`
	// Offset is the station's own level before, in half-widths: who always
	// made it a little hot goes on doing so.
	Offset float64   `json:"offset"`
	Reads  int       `json:"reads"`
	Since  time.Time `json:"since"`
	Sum    float64   `json:"sum"` // of the shifts' shares
	Var    float64   `json:"var"` // and of their variances
	Shifts int       `json:"shifts"`
	Shift  int       `json:"shift"`
	Said   bool      `json:"said"`
}

// oldSure is the chance of error of either answer of the sequential test.
const oldSure = 0.001

// oldShifts is after how many shifts without an answer the question is let go.
const oldShifts = 60

// retarget notes a target that moved, begins the charts of the measure anew,
// and weighs the reading against both targets.
func (s *station) retarget(w *Watch, b *Build, r *Reading, out *Out) {
	check := r.Check
	if check == "" {
		check = r.Measure
	}
	targets := s.Targets[b.Serving]
	if targets == nil {
		targets = map[string]float64{}
		s.Targets[b.Serving] = targets
	}
	old, known := targets[check]
	if len(s.Changed) == 0 && known && old == r.Target {
		return
	}
	k := b.Serving + "|" + check
	if known && old != r.Target {
		if s.Old[r.Measure] == nil {
			s.restart(w, b.Started, out, true, func(m string) bool { return m == r.Measure })
			o := &oldSpec{Since: b.Started.UTC()}
			if c := s.Charts[r.Measure]; c != nil {
				o.Offset = c.Level.Base.Mean
			}
			s.Old[r.Measure] = o
		}
		s.Changed[k] = retarget{Measure: r.Measure, Old: old, New: r.Target}
	}
	if !known || old != r.Target {
		targets[check] = r.Target
	}
	c, changed := s.Changed[k]
	o := s.Old[r.Measure]
	if !changed || o == nil || c.Old == c.New {
		return
	}
	d := c.Old - c.New
	o.N++
	o.Reads++
	o.W += d * d
	o.WF += d * (r.Value - c.New - o.Offset*half(r))
	o.Half += half(r)
}

// closeOld moves the sequential tests on by the shift: the share f of the way
// back to the old target is 1 under the old spec and 0 under the new, with the
// spread of ordinary shifts and the uncertainty of the level before, taken as
// that of four shifts. Wald's bounds; source: Sequential Analysis, 1947.
func (w *Watch) closeOld(s *station, at time.Time, out *Out) {
	bound := math.Log((1 - oldSure) / oldSure)
	for _, m := range sortedKeys(s.Old) {
		o := s.Old[m]
		c := s.Charts[m]
		o.Shift++
		if o.N >= 2 && c != nil && c.Level.Base.DF >= 4 && c.Level.Base.SS > 0 && o.W > 0 {
			n := float64(o.N)
			sd := c.Level.Base.sd() * o.Half / n
			f, v := o.WF/o.W, sd*sd/(o.W/n)
			o.Sum += f
			o.Var += v
			o.Shifts++
			out.Points = append(out.Points, Point{Kind: SignalStale, Site: s.Site, Station: s.Name, Key: m, At: at, N: o.N, X: f})
		}
		o.N, o.W, o.WF, o.Half = 0, 0, 0, 0
		llr := 0.0
		if o.Shifts > 0 {
			// The level before is itself uncertain, and stays so.
			k := float64(o.Shifts)
			v := o.Var / k
			llr = (o.Sum/k - 0.5) / (v/k + v/4)
		}
		if llr > bound && !o.Said {
			out.signal(Signal{Kind: SignalStale, Method: "sequential probability ratio test of shift means between the old and the new target; normal shifts supposed",
				Site: s.Site, Station: s.Name, Measure: m, Release: s.Release, Began: o.Since, Seen: at, N: o.Reads, Before: 0, After: 1, SD: 0.25,
				P: oldSure, Sure: "very sure", Where: []Where{{s.Site, s.Name, 0, 1, 0.25}},
				Words: fmt.Sprintf("%s: %s is made to the target of the release before, %d readings since the change at about %s; very sure (chance of error %g)",
					placeName(s.Site, s.Name), label(m), o.Reads, o.Since.Format("2006-01-02 15:04"), oldSure)})
			o.Said = true
		} else if llr < -bound || o.Shift > oldShifts {
			delete(s.Old, m)
			for k, c := range s.Changed {
				if c.Measure == m {
					delete(s.Changed, k)
				}
			}
		}
	}
}

// behind tells stations that follow an older release than most of the others.
// A release in stages is not a fault: nothing is said before more than half of
// the other stations have it.
func (w *Watch) behind(keys []string, out *Out) {
	count := map[uint64]int{}
	active := 0
	for _, k := range keys {
		if s := w.st.Stations[k]; s.Behind.N > 0 && s.Release > 0 {
			active++
			count[s.Release]++
		}
	}
	most, have := uint64(0), 0
	for _, r := range sortedKeys(count) {
		above := 0
		for o, n := range count {
			if o >= r {
				above += n
			}
		}
		if 2*above > active {
			most, have = r, above
		}
	}
	if most > w.st.Majority {
		w.st.Majority, w.st.Since = most, w.st.Last
	}
	for _, k := range keys {
		s := w.st.Stations[k]
		n := s.Behind
		s.Behind = tally{}
		if n.N == 0 {
			continue
		}
		if s.SaidOld > 0 {
			out.Points = append(out.Points, Point{Kind: SignalStale, Site: s.Site, Station: s.Name, Key: "release", At: s.LastAt, N: n.N, Bad: n.Bad})
		}
		if s.Release >= w.st.Majority || n.Bad == 0 {
			continue
		}
		out.signal(Signal{Kind: SignalStale, Method: "rule: builds name an older release than most stations follow", Rule: true, Sure: "certain: by rule",
			Site: s.Site, Station: s.Name, Release: s.Release, Finding: "release", Began: w.st.Since, Seen: s.LastAt, N: n.Bad, Before: 0, After: 1,
			Again: s.SaidOld == w.st.Majority, Where: []Where{{s.Site, s.Name, 0, 1, 0}},
			Words: fmt.Sprintf("%s: %d of %d builds follow release %d where %d of %d stations follow release %d or later",
				placeName(s.Site, s.Name), n.Bad, n.N, s.Release, have, active, w.st.Majority)})
		s.SaidOld = w.st.Majority
	}
}
