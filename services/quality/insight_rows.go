package quality

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"samecup.example/samecup/internal/stat"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/rollup"
	"samecup.example/samecup/services/quality/store"
)

var standardQuantiles = []float64{0.05, 0.5, 0.95}

// rowWriter writes groups as rows of an answer.
type rowWriter struct {
	q         *store.RollupQuery
	byCheck   bool
	quantiles []float64
	findings  bool

	out  []*pb.Rollup
	last insightToken
}

// rows writes those after a token, at most limit; true where there are more.
// Groups come sorted.
func (w *rowWriter) rows(groups []store.RollupGroup, after insightToken, resumed bool, limit int) (more bool) {
	for i := range groups {
		g := &groups[i]
		order := 1
		if resumed {
			order = g.RollupKey.Compare(after.Key)
		}
		if order < 0 || order == 0 && !w.byCheck {
			continue
		}
		if !w.byCheck {
			if len(w.out) == limit {
				return true
			}
			w.out = append(w.out, w.row(g))
			w.last.Key = g.RollupKey
			continue
		}
		for _, id := range slices.Sorted(maps.Keys(g.Checks)) {
			if order == 0 && cmp.Compare(id, after.Check) <= 0 {
				continue
			}
			if len(w.out) == limit {
				return true
			}
			row := w.row(g)
			row.Check = w.check(id, g.Checks[id])
			w.out = append(w.out, row)
			w.last.Key, w.last.Check = g.RollupKey, id
		}
	}
	return false
}

func (w *rowWriter) row(g *store.RollupGroup) *pb.Rollup {
	c := &g.Counts
	r := &pb.Rollup{
		Site: g.Site, Station: g.Station, Drink: g.Drink, Serving: g.Serving,
		Builds: &pb.BuildCounts{Builds: c.Builds, InSpec: c.InSpec, OffSpec: c.OffSpec, Unknown: c.Unknown,
			Unsafe: c.Unsafe, AwaitingRelease: c.Awaiting, Disputed: c.Disputed},
	}
	switch w.q.Span {
	case store.SpanHour:
		r.Period = rollup.HourStart(g.Period).Format(time.RFC3339)
	case store.SpanDay, store.SpanWeek:
		r.Period = rollup.DayTime(g.Period).Format(time.DateOnly)
	case store.SpanMonth:
		day, _ := rollup.Days(g.Period)
		r.Period = rollup.DayTime(day).Format(time.DateOnly)
	case store.SpanHourOfDay, store.SpanHourOfWeek:
		r.ClockHour = int32(g.Period)
	}
	if w.findings {
		for _, kind := range slices.Sorted(maps.Keys(g.Findings)) {
			r.Findings = append(r.Findings, &pb.FindingCount{Kind: kind, Count: g.Findings[kind]})
		}
	}
	return r
}

func (w *rowWriter) check(id string, r *stat.ExactRollup) *pb.CheckRollup {
	out := &pb.CheckRollup{Check: id, Readings: r.N, OffLow: r.Low, OffHigh: r.High,
		QuantilesExact: r.Sketch.Exact(), LastDigits: slices.Clone(r.Digits[:])}
	if mean, ok := r.Mean(); ok {
		out.MeanMilli, out.MinMilli, out.MaxMilli = &mean, &r.Min, &r.Max
	}
	if sd, ok := r.SD(); ok {
		out.SdMilli = &sd
	}
	quantiles := w.quantiles
	if len(quantiles) == 0 {
		quantiles = standardQuantiles
	}
	for _, q := range quantiles {
		if v, ok := r.Quantile(q); ok {
			out.Quantiles = append(out.Quantiles, &pb.Quantile{Q: q, ValueMilli: v})
		}
	}
	return out
}
