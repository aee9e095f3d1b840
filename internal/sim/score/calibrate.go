package score

import (
	"cmp"
	"context"
	"slices"

	"samecup.example/samecup/internal/sim/season"
)

// Calibration says how the limits of the plain charts were set.
type Calibration struct {
	Runs   int     `json:"runs"`
	Months float64 `json:"station_months"`
	// Watch is the watch's alarms of chance in these runs; Three are those of
	// the plain charts at three sigmas, Got those at their limit.
	Watch tally            `json:"watch"`
	Three [detectors]tally `json:"at_three_sigmas"`
	Got   [detectors]tally `json:"at_limit"`
	Limit limits           `json:"limit_sigmas"`
}

// calibrate finds the limits at which the plain charts have as many episodes
// as the watch in runs without a fault.
func calibrate(ctx context.Context, cfg Config, tick func()) (limits, Calibration, error) {
	runs := make([]record, cfg.Calibration)
	err := parallel(ctx, cfg.Workers, len(runs), func(ctx context.Context, i int) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		c, err := cfg.season(calibrationSeed+uint64(i), season.NoFault)
		if err != nil {
			return err
		}
		r, err := hear(c, limits{floor, floor})
		if err != nil {
			return err
		}
		runs[i] = record{alarms: r.alarms, stations: r.stations}
		tick()
		return nil
	})
	if err != nil {
		return limits{}, Calibration{}, err
	}
	cal := Calibration{Runs: len(runs)}
	var of [detectors][][]alarm
	for i := range runs {
		cal.Watch.add(tallyOf(runs[i].alarms[byWatch], (*alarm).counts))
		cal.Months += float64(runs[i].stations) * float64(cfg.Days) / monthDays
		for d := range of {
			of[d] = append(of[d], runs[i].alarms[d])
		}
	}
	cal.Limit = limits{limitFor(of[byPlain], cal.Watch.Episodes), limitFor(of[byMeans], cal.Watch.Episodes)}
	for d := byPlain; d < detectors; d++ {
		l := cal.Limit.Plain
		if d == byMeans {
			l = cal.Limit.Means
		}
		for _, list := range of[d] {
			cal.Three[d].add(tallyOf(list, func(a *alarm) bool { return a.z > 3 }))
			cal.Got[d].add(tallyOf(list, func(a *alarm) bool { return a.z > l }))
		}
	}
	return cal.Limit, cal, nil
}

// limitFor is the lowest limit such that neither it nor any higher one leaves
// more than n episodes in these runs; the floor where none does.
//
// Episodes do not only fall as the limit rises: one long episode may break into
// two. Coming from above, a chart is given no limit so low that it is quiet only
// by never ceasing to ring.
func limitFor(runs [][]alarm, n int) float64 {
	type key struct {
		run int
		of  subject
	}
	type signal struct {
		key
		told int
		z    float64
	}
	var list []signal
	for i, run := range runs {
		for j := range run {
			a := &run[j]
			list = append(list, signal{key{i, a.subject()}, a.told, a.z})
		}
	}
	slices.SortFunc(list, func(a, b signal) int { return cmp.Compare(b.z, a.z) })
	tracks := map[key]*track{}
	episodes, kept := 0, 0.0
	for i, s := range list {
		t := tracks[s.key]
		if t == nil {
			t = &track{}
			tracks[s.key] = t
		}
		episodes += t.insert(s.told)
		if i+1 < len(list) && list[i+1].z == s.z {
			continue // no limit tells equals apart
		}
		if episodes > n {
			if kept == 0 {
				return s.z // signals lie beyond a limit, so none is left
			}
			return (kept + s.z) / 2
		}
		kept = s.z
	}
	return floor
}
