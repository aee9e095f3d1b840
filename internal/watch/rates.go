package watch

import (
	"fmt"
	"math"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

// rate follows how often one finding is made at a station.
type rate struct {
	// X0 of N0 before the open shift.
	X0 int `json:"x0"`
	N0 int `json:"n0"`
	X  int `json:"x"` // this shift
	// Shifts counted, and the sum of squared standard scores over Scored of
	// them, by which more spread than chance is seen.
	Shifts int `json:"shifts"`
	// Often is the chart of a finding that is common: its share by shift, on
	// the angular scale.
	Often  chart   `json:"often"`
	Chi    float64 `json:"chi"`
	Scored int     `json:"scored"`
	Sum    float64 `json:"sum"`
	// Since the sum was last zero, and what was known then.
	SinceX int       `json:"since_x"`
	SinceN int       `json:"since_n"`
	FromX  int       `json:"from_x"`
	FromN  int       `json:"from_n"`
	At     time.Time `json:"at"`
	Said   bool      `json:"said"`
	// Times and Quiet are as those of a chart.
	Times int       `json:"times"`
	Quiet int       `json:"quiet"`
	Seen  time.Time `json:"seen"`
}

// findingKey names a finding by its kind and what it is about.
func findingKey(f *verdict.Finding) string {
	about := f.Measure
	if f.Step != "" {
		about = f.Step
	}
	switch f.Kind {
	case verdict.GarnishMissing:
		about = f.Expected
	case verdict.GarnishUnexpected, verdict.WrongMilk, verdict.WrongVessel, verdict.SubstitutionNotAllowed:
		about = f.Got
	}
	if about == "" {
		return f.Kind.String()
	}
	return f.Kind.String() + " " + about
}

// perReading says that a finding can be made once for each reading of its
// measure, and not once for each build.
func perReading(key string) (measure string, ok bool) {
	for _, k := range []verdict.Kind{verdict.BelowTolerance, verdict.AboveTolerance, verdict.Unconfirmed, verdict.ImpossibleValue} {
		if m, found := strings.CutPrefix(key, k.String()+" "); found {
			return m, true
		}
	}
	return "", false
}

const rateBaseline = 100 // drinks or readings before a share is charted

func (s *station) countFindings(b *Build) {
	if b.Sampled {
		s.Sampled.N++
		if b.Grade == verdict.OffSpec || b.Grade == verdict.Unsafe {
			s.Sampled.Bad++
		}
	}
	seen := make([]string, 0, 4)
	for i := range b.Findings {
		k := findingKey(&b.Findings[i])
		if kind := b.Findings[i].Kind; kind == verdict.BelowTolerance || kind == verdict.AboveTolerance {
			// The charts of level and spread see the same readings, and are not
			// fooled by a lot that moves the share past a limit.
			continue
		}
		if _, ok := perReading(k); !ok {
			// A build counts once, however many lines it broke.
			dup := false
			for _, o := range seen {
				dup = dup || o == k
			}
			if dup {
				continue
			}
			seen = append(seen, k)
		}
		r := s.Rates[k]
		if r == nil {
			if len(s.Rates) >= mostKeys {
				continue
			}
			r = &rate{N0: s.TotalBuilds, Shifts: s.Shifts}
			if m, ok := perReading(k); ok {
				r.N0 = s.TotalReads[m]
			}
			s.Rates[k] = r
		}
		r.X++
		r.Seen = later(r.Seen, b.Started)
	}
}

// closeRates charts the shares of the shift: exact for small numbers. With x0
// of n0 before, the chance of x or more of n is beta-binomial with the Jeffreys
// prior, so that a short past costs power and not false alarms; turned into a
// normal score, the one of x itself, it feeds a one-sided CUSUM. A share that
// varies more than chance from shift to shift has its counts divided by the
// factor seen. Source: the Q chart of Quesenberry, Journal of Quality
// Technology 23 (1991) 213-224 (from memory), with the exact tail in place of
// its plug-in one.
func (w *Watch) closeRates(s *station, at time.Time, out *Out) {
	for _, k := range sortedKeys(s.Rates) {
		r := s.Rates[k]
		n := s.Builds
		if m, ok := perReading(k); ok {
			n = max(s.Reads[m], r.X)
		}
		if n > 0 {
			w.closeRate(s, k, r, n, at, out)
		}
		if at.Sub(r.Seen) > groupLives {
			delete(s.Rates, k)
		}
	}
	for _, k := range sortedKeys(s.Safety) {
		out.Points = append(out.Points, Point{Kind: SignalSafety, Site: s.Site, Station: s.Name, Key: k, At: at, N: s.Builds, Bad: s.Safety[k]})
		s.Safety[k] = 0
	}
	s.TotalBuilds += s.Builds
	s.Builds = 0
	for m, n := range s.Reads {
		s.TotalReads[m] += n
	}
	clear(s.Reads)
}

func (w *Watch) closeRate(s *station, key string, r *rate, n int, at time.Time, out *Out) {
	x := min(r.X, n)
	r.X = 0
	r.Quiet = max(0, r.Quiet-1)
	if r.Said {
		out.Points = append(out.Points, Point{Kind: SignalRate, Site: s.Site, Station: s.Name, Key: key, At: at, N: n, Bad: x})
	}
	v := r.Often.step(math.Asin(math.Sqrt((float64(x)+0.375)/(float64(n)+0.75))), n, at, &w.design, w.cfg.Baseline, false)
	if float64(r.X0) >= oftenLeast*float64(max(r.Shifts, 1)) && r.Shifts >= w.cfg.Baseline {
		// Common: shifts differ by more than chance, as levels do.
		if v.dir != 0 {
			before, after := angular(v.before.Mean), angular(v.after)
			w.rateSignal(s, key, v.p, before, after, v.reads, int(math.Round(after*float64(v.reads))), v.began, at, r.Said, out)
			r.Said = true
		}
		r.X0, r.N0, r.Shifts, r.Sum = r.X0+x, r.N0+n, r.Shifts+1, 0
		return
	}
	if p := (float64(r.X0) + 0.5) / (float64(r.N0) + 1); r.N0 >= rateBaseline {
		if v := float64(n) * p * (1 - p); v >= 0.5 {
			d := float64(x) - float64(n)*p
			r.Chi += d * d / v
			r.Scored++
		}
	}
	if r.N0 < rateBaseline || r.Shifts < w.cfg.Baseline && r.X0 > 0 {
		r.X0, r.N0, r.Shifts = r.X0+x, r.N0+n, r.Shifts+1
		return
	}
	phi := 1.0
	if r.Scored >= 4 {
		phi = max(1, r.Chi/float64(r.Scored))
	}
	div := func(v int) int { return int(math.Floor(float64(v) / phi)) }
	tail := betaBinomialTail(div(x), max(div(n), div(x)), float64(r.X0)/phi+0.5, float64(r.N0-r.X0)/phi+0.5)
	q := fromTail(tail)
	if r.Sum == 0 {
		r.At, r.SinceX, r.SinceN, r.FromX, r.FromN = at, 0, 0, r.X0, r.N0
	}
	r.SinceX += x
	r.SinceN += n
	r.Sum = max(0, r.Sum+q-w.design.K)
	if r.Sum <= w.design.H1 && q <= w.design.L1 {
		r.X0, r.N0, r.Shifts = r.X0+x, r.N0+n, r.Shifts+1
		return
	}
	before := (float64(r.FromX) + 0.5) / (float64(r.FromN) + 1)
	after := float64(r.SinceX) / float64(r.SinceN)
	p := betaBinomialTail(div(r.SinceX), max(div(r.SinceN), div(r.SinceX)), float64(r.FromX)/phi+0.5, float64(r.FromN-r.FromX)/phi+0.5)
	if r.Quiet == 0 {
		w.rateSignal(s, key, p, before, after, r.SinceN, r.SinceX, r.At, at, r.Said, out)
		r.Quiet = min(againMost, againFirst<<min(r.Times, 8))
		r.Times++
	}
	// What came after the change is left out of what is normal.
	r.X0, r.N0, r.Sum, r.Said = r.FromX, r.FromN, 0, true
}

// oftenLeast is how many findings a shift make one common.
const oftenLeast = 5.0

// angular turns the angular scale back into a share.
func angular(x float64) float64 {
	s := math.Sin(min(math.Pi/2, max(0, x)))
	return s * s
}

func (w *Watch) rateSignal(s *station, key string, p, before, after float64, n, x int, began, at time.Time, again bool, out *Out) {
	sig := Signal{Kind: SignalRate, Method: "self-starting one-sided CUSUM on the share by shift: exact beta-binomial where it is rare, angular scale where common; spread beyond chance allowed for",
		Site: s.Site, Station: s.Name, Finding: key, CoffeeLot: s.CoffeeLot, MilkLot: s.MilkLot, Direction: 1, Began: began, Seen: at, N: n,
		Before: before, After: after, P: p, RunLength: w.design.RunLength, Again: again, Where: []Where{{s.Site, s.Name, before, after, 0}}}
	if m, ok := perReading(key); ok {
		sig.Measure = m
		if strings.HasPrefix(key, verdict.BelowTolerance.String()) {
			sig.Direction = -1
		}
	}
	sig.Words = fmt.Sprintf("%s: %q in %d of %d since about %s, %.1f %% before; %s (p %.1g)", placeName(s.Site, s.Name), key, x, n,
		began.Format("2006-01-02 15:04"), 100*before, sure(p), p)
	out.signal(sig)
}

// betaBinomialTail is P(X >= x) for X of n with a beta(a, b) share.
func betaBinomialTail(x, n int, a, b float64) float64 {
	if x <= 0 {
		return 1
	}
	lg := func(v float64) float64 { l, _ := math.Lgamma(v); return l }
	// The first term by logarithms, the others by their ratio.
	fx, fn := float64(x), float64(n)
	term := math.Exp(lg(fn+1) - lg(fx+1) - lg(fn-fx+1) + lg(fx+a) + lg(fn-fx+b) - lg(fn+a+b) + lg(a+b) - lg(a) - lg(b))
	sum := 0.0
	for k := fx; k <= fn; k++ {
		sum += term
		term *= (fn - k) / (k + 1) * (k + a) / (fn - k - 1 + b)
	}
	return min(1, sum)
}

// allergenKinds are the safety findings that change what is in the cup.
var allergenKinds = map[verdict.Kind]bool{verdict.WrongMilk: true, verdict.SubstitutionNotAllowed: true, verdict.GarnishMissing: true,
	verdict.GarnishUnexpected: true, verdict.ServingUnknown: true, verdict.StepMissing: true}

// safety makes a signal of each safety finding at once: such are never charted
// as shares.
func (w *Watch) safety(s *station, b *Build, late bool, out *Out) {
	said := map[string]bool{}
	for i := range b.Findings {
		f := &b.Findings[i]
		if f.Criticality != drink.Safety || b.Grade < verdict.Unknown {
			continue
		}
		k := findingKey(f)
		if said[k] {
			continue
		}
		said[k] = true
		if n, ok := s.Safety[k]; (ok || len(s.Safety) < mostKeys) && !late {
			s.Safety[k] = n + 1
		}
		sig := Signal{Kind: SignalSafety, Method: "rule: each safety finding is told at once", Rule: true, Sure: "certain: by rule",
			Site: b.Site, Station: b.Station, Barista: "", Serving: b.Serving, Measure: f.Measure, Finding: k, Release: b.Release,
			CoffeeLot: b.CoffeeLot, MilkLot: b.MilkLot, Began: b.Started.UTC(), Seen: later(b.Started.UTC(), b.Entered), N: 1, Before: 0, After: 1}
		verb := "unsafe"
		if b.Grade == verdict.Unknown {
			verb = "cannot be confirmed safe"
		}
		if allergenKinds[f.Kind] {
			verb += ", and bears on allergens"
		}
		sig.Words = fmt.Sprintf("%s: build %s of %s: %s; %s", placeName(b.Site, b.Station), b.ID, b.Serving, k, verb)
		out.signal(sig)
	}
}
