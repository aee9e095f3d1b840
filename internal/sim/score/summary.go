package score

import (
	"math"
	"slices"

	"samecup.example/samecup/internal/sim/season"
	"samecup.example/samecup/internal/stat"
)

// conf is the confidence of all intervals.
const conf = 0.95

// Share is x of n with its Wilson interval.
type Share struct {
	X     int         `json:"x"`
	N     int         `json:"n"`
	Bound stat.Bounds `json:"interval"`
}

// share makes a share; with n 0 it has no interval.
func share(x, n int) Share {
	b, err := stat.Wilson(x, n, conf)
	if err != nil {
		return Share{X: x, N: n}
	}
	return Share{x, n, b}
}

// Rate is a mean over runs, weighted by their months, with an interval from the
// spread between runs.
type Rate struct {
	Mean   float64     `json:"mean"`
	Months float64     `json:"months"`
	Runs   int         `json:"runs"`
	Bound  stat.Bounds `json:"interval"`
}

// rate is the ratio estimate sum x / sum months; its standard error is that of
// the residuals between runs (Cochran, Sampling Techniques, 3rd ed. 1977,
// chapter 6, from memory). Runs are independent; alarms within one are not.
func rate(x, months []float64) Rate {
	r := Rate{Runs: len(x)}
	sum := 0.0
	for i := range x {
		sum += x[i]
		r.Months += months[i]
	}
	if r.Months <= 0 {
		return r
	}
	r.Mean = sum / r.Months
	if n := float64(len(x)); n > 1 {
		ss := 0.0
		for i := range x {
			e := x[i] - r.Mean*months[i]
			ss += e * e
		}
		half := 1.96 * math.Sqrt(ss/(n-1)*n) / r.Months
		r.Bound = stat.Bounds{Lower: max(0, r.Mean-half), Upper: r.Mean + half}
	}
	return r
}

// Quartiles of delays in shifts over all runs: a run in which nothing was told
// counts as longer than any other, and is Never.
type Quartiles struct {
	Low    int `json:"q1"`
	Median int `json:"median"`
	High   int `json:"q3"`
}

// Never stands for a delay that no alarm ended.
const Never = math.MaxInt32

// quartiles takes the smallest delay by which a quarter, half and three
// quarters of the runs had been told.
func quartiles(delays []int) Quartiles {
	if len(delays) == 0 {
		return Quartiles{Never, Never, Never}
	}
	d := slices.Sorted(slices.Values(delays))
	at := func(p float64) int { return d[int(math.Ceil(p*float64(len(d))))-1] }
	return Quartiles{at(0.25), at(0.5), at(0.75)}
}

// Detector is how one detector did on one fault.
type Detector struct {
	Name        string `json:"name"`
	Sensitivity Share  `json:"sensitivity"`
	// Chance is the share of runs without the fault, of the same seeds, in
	// which the same rule would have called an alarm a hit.
	Chance    Share     `json:"by_chance"`
	Delay     Quartiles `json:"delay_shifts"`
	Exact     Share     `json:"localised"`
	Elsewhere Rate      `json:"episodes_elsewhere_per_station_month"`
	// Within is the share told within the shifts of the target, where the
	// fault has one.
	Within *Share `json:"within_target,omitempty"`
	// FromFull counts the delay from the fault's whole size; F1 only.
	FromFull *Quartiles `json:"delay_from_full_shifts,omitempty"`
	// Sooner compares the watch with this chart run by run: the watch was
	// sooner in X of the N runs in which one of them was.
	Sooner *Share `json:"watch_sooner,omitempty"`
}

// FaultScore is the score of one fault.
type FaultScore struct {
	Fault season.Fault `json:"fault"`
	Cause string       `json:"cause"`
	Runs  int          `json:"runs"`
	// Right is the share of detected runs whose case names the right cause
	// first.
	Right     Share      `json:"right_cause"`
	Detectors []Detector `json:"detectors"`
}

// Accusations are questions put about honest logs.
type Accusations struct {
	// Outlier is the share of F11 runs in which the steady hand was asked;
	// Months are from onset to end, PerMonth the share as of a whole month.
	Outlier  Share       `json:"outlier_asked"`
	Months   float64     `json:"months"`
	PerMonth float64     `json:"per_month"`
	Bound    stat.Bounds `json:"per_month_interval"`
	// Others is honest people asked in all runs, of people times runs.
	Others Share `json:"others_asked"`
}

// Alarms are rates of alarms: as episodes, which is what is compared, and as
// signals, each repeat counted.
type Alarms struct {
	Episodes Rate `json:"episodes"`
	Signals  Rate `json:"signals"`
}

// Result is a whole score.
type Result struct {
	Seeds       int          `json:"seeds"`
	First       uint64       `json:"first_seed"`
	Days        int          `json:"days"`
	Sites       int          `json:"sites"`
	Stations    int          `json:"stations_a_site"`
	HeldOut     bool         `json:"held_out"`
	Calibration Calibration  `json:"calibration"`
	Faults      []FaultScore `json:"faults"`
	// Quiet are the alarms a station-month in runs without a fault, by
	// detector; Kinds the watch's by kind, Cases those opened.
	Quiet  []Alarms          `json:"false_alarms_per_station_month"`
	Kinds  map[string]Alarms `json:"by_kind"`
	Cases  Rate              `json:"cases_per_station_month"`
	Safety Rate              `json:"safety_cases_per_station_month"`
	Asked  Accusations       `json:"honest_logs"`
	Names  []string          `json:"detectors"`
}

var names = []string{"watch", "plain chart", "shift-mean chart"}

// withins are the targets in shifts: of the onset, for F1 of the whole size.
var withins = map[season.Fault]int{season.DullBurr: 5, season.FakeCopies: 3}

func summarise(cfg Config, faulty []season.Fault, _ limits, cal Calibration, all []seedOutcome) (*Result, error) {
	r := &Result{Seeds: cfg.Seeds, First: cfg.First, Days: cfg.Days, Sites: cfg.Sites, Stations: cfg.Stations, HeldOut: cfg.HeldOut,
		Calibration: cal, Kinds: map[string]Alarms{}, Names: names}
	months := make([]float64, len(all))
	for i := range all {
		months[i] = all[i].quiet.months
	}
	over := func(of func(*quiet) int) Rate {
		x := make([]float64, len(all))
		for i := range all {
			x[i] = float64(of(&all[i].quiet))
		}
		return rate(x, months)
	}
	alarms := func(of func(*quiet) tally) Alarms {
		return Alarms{over(func(q *quiet) int { return of(q).Episodes }), over(func(q *quiet) int { return of(q).Signals })}
	}
	for d := range detectors {
		r.Quiet = append(r.Quiet, alarms(func(q *quiet) tally { return q.alarms[d] }))
	}
	for i := range all {
		for k := range all[i].quiet.kinds {
			if _, ok := r.Kinds[string(k)]; !ok {
				r.Kinds[string(k)] = alarms(func(q *quiet) tally { return q.kinds[k] })
			}
		}
	}
	r.Cases, r.Safety = over(func(q *quiet) int { return q.cases }), over(func(q *quiet) int { return q.safety })
	for i, f := range faulty {
		runs := make([]*outcome, len(all))
		for j := range all {
			runs[j] = &all[j].runs[i]
		}
		if f != season.HonestOutlier {
			r.Faults = append(r.Faults, faultScore(f, runs))
		}
	}
	r.Asked = accusations(all)
	return r, nil
}

func faultScore(f season.Fault, runs []*outcome) FaultScore {
	s := FaultScore{Fault: f, Cause: f.Cause(), Runs: len(runs)}
	right, hits := 0, 0
	for _, o := range runs {
		if o.found[byWatch].hit {
			hits++
			if o.causeRight {
				right++
			}
		}
	}
	s.Right = share(right, hits)
	for d := range detectors {
		s.Detectors = append(s.Detectors, detectorScore(f, d, runs))
	}
	return s
}

func detectorScore(f season.Fault, d int, runs []*outcome) Detector {
	out := Detector{Name: names[d]}
	var delays, fromFull []int
	var x, months []float64
	hits, exact, chance, within, full, sooner, later := 0, 0, 0, 0, 0, 0, 0
	for _, o := range runs {
		delay := delayOf(o.found[d])
		delays = append(delays, delay)
		x, months = append(x, float64(o.elsewhere[d])), append(months, o.elseMonths)
		hits += one(o.found[d].hit)
		exact += one(o.found[d].exact)
		chance += one(o.chance[d])
		switch w := delayOf(o.found[byWatch]); {
		case w < delay:
			sooner++
		case w > delay:
			later++
		}
		since := delay
		if f == season.DullBurr {
			if o.fullShift < 0 {
				continue
			}
			if delay != Never {
				since -= o.fullShift
			}
			fromFull = append(fromFull, since)
		}
		full++
		within += one(since <= withins[f])
	}
	out.Sensitivity, out.Chance, out.Exact = share(hits, len(runs)), share(chance, len(runs)), share(exact, hits)
	out.Delay, out.Elsewhere = quartiles(delays), rate(x, months)
	if withins[f] > 0 {
		w := share(within, full)
		out.Within = &w
	}
	if f == season.DullBurr {
		q := quartiles(fromFull)
		out.FromFull = &q
	}
	if d != byWatch {
		w := share(sooner, sooner+later)
		out.Sooner = &w
	}
	return out
}

func delayOf(f found) int {
	if !f.hit {
		return Never
	}
	return f.delay
}

func one(yes bool) int {
	if yes {
		return 1
	}
	return 0
}

func accusations(all []seedOutcome) Accusations {
	var a Accusations
	asked, n, others, people := 0, 0, 0, 0
	for i := range all {
		others += all[i].quiet.asked
		people += all[i].quiet.people
		for j := range all[i].runs {
			o := &all[i].runs[j]
			others += o.logs.others
			people += o.logs.people - 1 // but for the one named in the truth
			if o.fault == season.HonestOutlier {
				n++
				asked += one(o.logs.person)
				a.Months += o.logs.months
			}
		}
	}
	a.Outlier, a.Others = share(asked, n), share(others, people)
	if n > 0 && a.Months > 0 {
		// The chance over a longer or shorter time, if it is the same each day.
		perMonth := func(p float64) float64 { return 1 - math.Pow(1-min(p, 1), float64(n)/a.Months) }
		a.PerMonth = perMonth(float64(asked) / float64(n))
		a.Bound = stat.Bounds{Lower: perMonth(a.Outlier.Bound.Lower), Upper: perMonth(a.Outlier.Bound.Upper)}
	}
	return a
}
