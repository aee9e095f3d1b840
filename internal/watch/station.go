package watch

import (
	"math"
	"strconv"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
)

// station is what is kept of one machine and its grinder.
type station struct {
	Site      string    `json:"site"`
	Name      string    `json:"name"`
	Open      bool      `json:"open"`
	Closed    bool      `json:"closed"` // some shift was closed
	Shift     Shift     `json:"shift"`  // open now
	Last      Shift     `json:"last"`   // closed last
	LastAt    time.Time `json:"last_at"`
	Opened    time.Time `json:"opened"` // first build of the open shift
	Release   uint64    `json:"release"`
	CoffeeLot string    `json:"coffee_lot"`
	MilkLot   string    `json:"milk_lot"` // of the milk used most
	// MilkLots is by milk, MilkReads counts the readings of each.
	MilkLots  map[string]string  `json:"milk_lots"`
	MilkReads map[string]int     `json:"milk_reads"`
	Grace     int                `json:"grace"` // shots still to set aside
	Adjusted  time.Time          `json:"adjusted"`
	Acc       map[string]*acc    `json:"acc"`
	Charts    map[string]*charts `json:"charts"`
	// Builds and Reads count the shift, TotalBuilds and TotalReads the shifts
	// before.
	Builds      int              `json:"builds"`
	Reads       map[string]int   `json:"reads"`
	Shifts      int              `json:"shifts"` // closed so far
	TotalBuilds int              `json:"total_builds"`
	TotalReads  map[string]int   `json:"total_reads"`
	Sampled     tally            `json:"sampled"` // measured builds and those off spec
	Rates       map[string]*rate `json:"rates"`
	Safety      map[string]int   `json:"safety"` // unsafe builds of the shift by finding
	// Setting is the grinder's dial, Turned the sum of its changes this shift.
	Setting  *float64                      `json:"setting,omitempty"`
	Turned   float64                       `json:"turned"`
	Dial     chart                         `json:"dial"`
	Targets  map[string]map[string]float64 `json:"targets"` // by serving and check
	Changed  map[string]retarget           `json:"changed"`
	Old      map[string]*oldSpec           `json:"old"` // by measure
	SaidOld  uint64                        `json:"said_old"`
	Behind   tally                         `json:"behind"` // builds since the day's start, Bad behind
	Lots     map[string]*forerun           `json:"lots"`   // by measure
	Releases map[string]*forerun           `json:"releases"`
	Desks    map[string]*desk              `json:"desks,omitempty"` // by person, of the open shift
}

func (s *station) fill() {
	if s.MilkLots == nil {
		s.MilkLots = map[string]string{}
	}
	if s.MilkReads == nil {
		s.MilkReads = map[string]int{}
	}
	if s.Acc == nil {
		s.Acc = map[string]*acc{}
	}
	if s.Charts == nil {
		s.Charts = map[string]*charts{}
	}
	if s.Reads == nil {
		s.Reads = map[string]int{}
	}
	if s.TotalReads == nil {
		s.TotalReads = map[string]int{}
	}
	if s.Rates == nil {
		s.Rates = map[string]*rate{}
	}
	if s.Safety == nil {
		s.Safety = map[string]int{}
	}
	if s.Targets == nil {
		s.Targets = map[string]map[string]float64{}
	}
	if s.Changed == nil {
		s.Changed = map[string]retarget{}
	}
	if s.Old == nil {
		s.Old = map[string]*oldSpec{}
	}
	if s.Lots == nil {
		s.Lots = map[string]*forerun{}
	}
	if s.Desks == nil {
		s.Desks = map[string]*desk{}
	}
	if s.Releases == nil {
		s.Releases = map[string]*forerun{}
	}
}

func (s *station) key() string { return s.Site + "/" + s.Name }

// charts are those of one measure at one station.
type charts struct {
	Level  chart `json:"level"`
	Spread chart `json:"spread"`
	Trend  chart `json:"trend"`
	// WithinSS and WithinDF pool the spread within subgroups.
	// Groups counts the subgroups and Reads their readings.
	Groups int `json:"groups"`
	Reads  int `json:"reads"`
	// Sxx is the usual sum of squares of hours behind a slope, of Slopes shifts.
	Sxx      float64 `json:"sxx"`
	Slopes   int     `json:"slopes"`
	WithinSS float64 `json:"within_ss"`
	WithinDF int     `json:"within_df"`
}

// moments are a running mean and sum of squares (Welford).
type moments struct {
	N    int     `json:"n"`
	Mean float64 `json:"mean"`
	M2   float64 `json:"m2"`
}

func (m *moments) take(x float64) {
	m.N++
	d := x - m.Mean
	m.Mean += d / float64(m.N)
	m.M2 += d * (x - m.Mean)
}

// acc gathers one subgroup.
type acc struct {
	moments
	Half float64             `json:"half"` // sum of half-widths
	By   map[string]*moments `json:"by"`
	// Milk is by kind of milk, for what milk moves; Shifts counts the shifts
	// closed since it began.
	Milk   map[string]*moments `json:"milk,omitempty"`
	Shifts int                 `json:"shifts"`
	// Run is the readings since the last adjustment, Sxx and Sxy the sums of
	// runs that are over, Slopes their degrees of freedom.
	Run    regress `json:"run"`
	Sxx    float64 `json:"sxx"`
	Sxy    float64 `json:"sxy"`
	Slopes int     `json:"slopes"`
}

// regress gathers value on hours.
type regress struct {
	N        int     `json:"n"`
	X, Y     float64 // means
	Sxx, Sxy float64
}

func (r *regress) take(x, y float64) {
	r.N++
	dx := x - r.X
	r.X += dx / float64(r.N)
	r.Y += (y - r.Y) / float64(r.N)
	r.Sxx += dx * (x - r.X)
	r.Sxy += dx * (y - r.Y)
}

func (a *acc) endRun() {
	if a.Run.N > 1 {
		a.Sxx += a.Run.Sxx
		a.Sxy += a.Run.Sxy
		a.Slopes += a.Run.N - 1
	}
	a.Run = regress{}
}

// coffee and milk are the measures that a grinder, a coffee lot or a milk lot
// moves.
var (
	coffee = map[string]bool{"dose": true, "yield": true, "shot_time": true, "tds": true, "grind_setting": true, "brew_temp": true}
	milky  = map[string]bool{"milk_temp": true, "milk_volume": true, "froth_depth": true, "froth_above_rim": true, "cup_mass": true}
)

// byLot are the measures that another coffee or milk moves. What is weighed or
// steamed to a mark is not among them: a lot does not restart its chart.
var byLot = map[string]bool{"shot_time": true, "tds": true, "grind_setting": true, "froth_depth": true, "froth_above_rim": true, "cup_mass": true, "milk_volume": true}

// withSyrup marks a measure of servings with syrup.
const withSyrup = "@syrup"

func bare(measure string) string { return strings.TrimSuffix(measure, withSyrup) }

// half is the yardstick of a reading: the half-width of its tolerance, so that
// drinks of unlike targets can share a chart. One-sided tolerances give the
// distance to the limit that there is.
func half(r *Reading) float64 {
	lo, hi := r.Target-r.Low, r.High-r.Target
	okLo, okHi := lo > 0 && !math.IsInf(lo, 0), hi > 0 && !math.IsInf(hi, 0)
	switch {
	case okLo && okHi:
		return (lo + hi) / 2
	case okHi:
		return hi
	case okLo:
		return lo
	}
	if m := drink.MeasureByCode(r.Measure); m != nil && m.Resolution > 0 {
		return 3 * m.Resolution.Float()
	}
	return 1
}

// take charts a build of the open shift.
func (s *station) take(w *Watch, b *Build, out *Out) {
	if b.Release != s.Release && b.Release > 0 {
		s.Release = b.Release
	}
	if b.CoffeeLot != "" && b.CoffeeLot != s.CoffeeLot {
		s.newLot(w, b.CoffeeLot, true, b.Started, out)
	}
	if b.MilkLot != "" {
		s.milkLot(w, b.Milk, b.MilkLot, b.Started, out)
	}
	s.LastAt = later(s.LastAt, b.Started)
	if s.Builds == 0 {
		s.Opened = b.Started.UTC()
	}
	s.Builds++
	s.Behind.N++
	if w.st.Majority > 0 && b.Release < w.st.Majority && b.Started.Sub(w.st.Since) > w.cfg.StaleAfter {
		s.Behind.Bad++
	}
	s.countFindings(b)
	syrup := false
	for i := range b.Readings {
		syrup = syrup || b.Readings[i].Measure == "syrup_pumps"
	}
	graced := false
	for i := range b.Readings {
		r := &b.Readings[i]
		if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || math.IsNaN(r.Target) || math.IsInf(r.Target, 0) {
			continue // judged elsewhere; nothing to chart
		}
		if b.Audited {
			// An auditor's instruments say nothing of the station's own.
			continue
		}
		if coffee[r.Measure] && s.Grace > 0 && b.Started.After(s.Adjusted) {
			graced = true
			continue
		}
		s.reading(w, b, r, syrup, out)
	}
	if graced {
		s.Grace--
	}
}

func (s *station) reading(w *Watch, b *Build, r *Reading, syrup bool, out *Out) {
	s.retarget(w, b, r, out)
	measure := r.Measure
	s.Reads[measure]++
	if syrup && measure == "cup_mass" {
		// A pump that gives short shows only where there is syrup.
		measure += withSyrup
	}
	hw := half(r)
	u := min(unitsMost, max(-unitsMost, (r.Value-r.Target)/hw))
	a := s.Acc[measure]
	if a == nil {
		a = &acc{By: map[string]*moments{}, Milk: map[string]*moments{}}
		s.Acc[measure] = a
	}
	a.take(u)
	a.Half += hw
	w.places(s, b, r, u, hw)
	if b.By != "" {
		takeBy(a.By, b.By, u)
	}
	if b.Milk != "" && milky[bare(measure)] {
		takeBy(a.Milk, b.Milk, u)
		s.MilkReads[b.Milk]++
	}
	if measure == "shot_time" && !s.Adjusted.IsZero() {
		a.Run.take(b.Started.Sub(s.Adjusted).Hours(), u)
	}
}

func takeBy(m map[string]*moments, k string, x float64) {
	if m[k] == nil {
		m[k] = &moments{}
	}
	m[k].take(x)
}

// mainMilk is the milk with the most readings; charts of milk mix all milks,
// each from its own target, and begin anew with a lot of this one only.
func (s *station) mainMilk() string {
	best := ""
	for k, n := range s.MilkReads {
		if best == "" || n > s.MilkReads[best] || n == s.MilkReads[best] && k < best {
			best = k
		}
	}
	return best
}

// milkLot notes which lot of a milk is poured.
func (s *station) milkLot(w *Watch, milk, lot string, at time.Time, out *Out) {
	old, known := s.MilkLots[milk]
	if known && old == lot {
		return
	}
	main := s.mainMilk()
	if known && milk == main {
		s.restart(w, at, out, true, func(m string) bool { return milky[m] && byLot[m] })
	} else if known {
		for _, a := range s.Acc {
			delete(a.Milk, milk) // two lots in one mean say nothing of either
		}
	}
	s.MilkLots[milk] = lot
	if milk == main || main == "" {
		s.MilkLot = lot
	}
}

// event changes what the charts take for granted.
func (s *station) event(w *Watch, e Event, out *Out) {
	switch e.Kind {
	case Adjusted:
		// The drift begins anew and the first shots are set aside. Levels by
		// shift go on: that the grinder is set is part of every shift, and a
		// fault that is set away each time shows in the dial.
		if a := s.Acc["shot_time"]; a != nil {
			a.endRun()
		}
		s.Adjusted, s.Grace = e.At.UTC(), w.cfg.Grace
		if v, err := strconv.ParseFloat(strings.TrimSpace(e.Detail), 64); err == nil && !math.IsNaN(v) && !math.IsInf(v, 0) {
			if s.Setting != nil {
				s.Turned += v - *s.Setting
			}
			s.Setting = &v
		}
	case NewLot:
		if e.Detail != s.CoffeeLot {
			s.newLot(w, e.Detail, true, e.At, out)
		}
	case NewMilkLot:
		// Builds that name their lot say which milk it is; the event does not.
		if len(s.MilkLots) == 0 && e.Detail != s.MilkLot {
			s.newLot(w, e.Detail, false, e.At, out)
		}
	case NewBurrs:
		s.restart(w, e.At, out, false, func(m string) bool { return coffee[m] })
	case Serviced:
		s.restart(w, e.At, out, false, func(string) bool { return true })
	}
}

func (s *station) newLot(w *Watch, lot string, isCoffee bool, at time.Time, out *Out) {
	which, of := &s.MilkLot, milky
	if isCoffee {
		which, of = &s.CoffeeLot, coffee
	}
	known := *which != ""
	if known {
		// Another coffee is dialled in anew: nothing is known of its level.
		s.restart(w, at, out, !isCoffee, func(m string) bool { return of[m] && byLot[m] })
	}
	*which = lot
}

// restart closes the subgroups of the measures chosen and begins new segments:
// soft ones after a milk lot or a release, which seldom move a level far.
func (s *station) restart(w *Watch, at time.Time, out *Out, soft bool, chosen func(string) bool) {
	for _, m := range sortedKeys(s.Acc) {
		if chosen(bare(m)) {
			w.flush(s, m, at, out)
			delete(s.Acc, m)
		}
	}
	begin := (*chart).restart
	if soft {
		begin = (*chart).soften
	}
	for m, c := range s.Charts {
		if chosen(bare(m)) {
			begin(&c.Level)
			begin(&c.Spread)
			begin(&c.Trend)
		}
	}
	for k, r := range s.Rates {
		if m, ok := perReading(k); ok && chosen(m) {
			begin(&r.Often)
			r.Sum = 0
		}
	}
	if chosen("grind_setting") {
		begin(&s.Dial)
		s.Setting, s.Turned = nil, 0
	}
}
