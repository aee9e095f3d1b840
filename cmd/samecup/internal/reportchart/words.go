package reportchart

import (
	"fmt"
	"math"
	"slices"

	"samecup.example/samecup/cmd/samecup/internal/reportround"
	"samecup.example/samecup/internal/stat"
)

// longChart is how many run lengths make a chart whose false alarms outnumber what
// anybody can look into.
const longChart = 20

// leastEqual is how many equal points are no accident.
const leastEqual = 10

// words are the charts as they are to be read: figures to as many decimals as they
// carry, and notes that only somebody who asked at a desk needs. The JSON form
// keeps every digit.
func (r *Report) words() *stat.Charts {
	out := &stat.Charts{Location: r.readable(r.Charts.Location)}
	if r.Charts.Spread != nil {
		out.Spread = r.readable(r.Charts.Spread)
	}
	return out
}

func (r *Report) readable(c *stat.Chart) *stat.Chart {
	out := *c
	out.RunLength = reportround.Digits(c.RunLength, 3)
	out.Notes = slices.Clone(c.Notes)
	if r.wished > 0 && math.Abs(c.RunLength/r.wished-1) > 0.005 {
		out.Notes = append(out.Notes, fmt.Sprintf("Asked was a false alarm in %g points, for limits of constant width; "+
			"the narrower limits of the first points, which find a drift from the start sooner, cost the difference.", r.wished))
	}
	if n := len(c.Points); c.RunLength > 0 && float64(n) > longChart*c.RunLength {
		out.Notes = append(out.Notes, fmt.Sprintf("In %d points many false alarms are to be expected even where nothing changed, about one in %.0f: "+
			"chart one station and a month at a time, or look where signals crowd.", n, c.RunLength))
	}
	if n := len(c.Points); n >= leastEqual && !slices.ContainsFunc(c.Points, func(p stat.ChartPoint) bool { return p.Value != c.Points[0].Value }) {
		out.Notes = append(out.Notes, fmt.Sprintf("All %d points are equal, which chance hardly gives: ask how they were written down.", n))
	}
	out.Points = slices.Clone(c.Points)
	for i := range out.Points {
		p := &out.Points[i]
		d := decimals(p.Limits)
		p.Value = reportround.To(p.Value, d)
		p.Limits = stat.Limits{Centre: reportround.To(p.Limits.Centre, d), Lower: reportround.At(p.Limits.Lower, d), Upper: reportround.At(p.Limits.Upper, d)}
	}
	return &out
}

// decimals shows a third of the way to a limit, one sigma, with three digits.
func decimals(l stat.Limits) int {
	switch {
	case l.Upper != nil:
		return reportround.Decimals((*l.Upper - l.Centre) / 3)
	case l.Lower != nil:
		return reportround.Decimals((l.Centre - *l.Lower) / 3)
	}
	return reportround.Decimals(math.Abs(l.Centre))
}
