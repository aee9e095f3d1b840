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
	// Watch is the watch's alarms in these runs; Three are those of the plain
	// charts at three sigmas.
	Watch int            `json:"watch_alarms"`
	Three [detectors]int `json:"alarms_at_three_sigmas"`
	Got   [detectors]int `json:"alarms_at_limit"`
	Limit limits         `json:"limit_sigmas"`
}

// calibrate finds the limits at which the plain charts ring as often as the
// watch in runs without a fault.
func calibrate(ctx context.Context, cfg Config, tick func()) (limits, Calibration, error) {
	type one struct {
		watch, stations int
		z               [detectors][]float64
	}
	runs := make([]one, cfg.Calibration)
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
		runs[i].watch, runs[i].stations = alarmsOf(r.alarms[byWatch]), r.stations
		for d := byPlain; d < detectors; d++ {
			for _, a := range r.alarms[d] {
				runs[i].z[d] = append(runs[i].z[d], a.z)
			}
		}
		tick()
		return nil
	})
	if err != nil {
		return limits{}, Calibration{}, err
	}
	cal := Calibration{Runs: len(runs)}
	var z [detectors][]float64
	for _, r := range runs {
		cal.Watch += r.watch
		cal.Months += float64(r.stations) * float64(cfg.Days) / monthDays
		for d := range z {
			z[d] = append(z[d], r.z[d]...)
		}
	}
	cal.Limit = limits{limitFor(z[byPlain], cal.Watch), limitFor(z[byMeans], cal.Watch)}
	for d := byPlain; d < detectors; d++ {
		l := cal.Limit.Plain
		if d == byMeans {
			l = cal.Limit.Means
		}
		for _, v := range z[d] {
			if v > 3 {
				cal.Three[d]++
			}
			if v > l {
				cal.Got[d]++
			}
		}
	}
	return cal.Limit, cal, nil
}

// limitFor is the limit that n of the values lie beyond; the floor where there
// are not so many.
func limitFor(z []float64, n int) float64 {
	slices.SortFunc(z, func(a, b float64) int { return cmp.Compare(b, a) })
	switch {
	case n >= len(z):
		return floor
	case n == 0:
		return z[0] + 1e-9
	}
	return (z[n-1] + z[n]) / 2
}
