package chart

import (
	"fmt"
	"math"
	"slices"

	"samecup.example/samecup/internal/stat"
)

// zNear and zFar are the normal deviates of 95 % and 99.8 %.
const (
	zNear, zFar = 1.959964, 3.090232
	// gridPoints along a funnel's limits; a limit is exact, so it has steps.
	gridPoints = 60
	// mostLabels: of more places only those outside the limits are named.
	mostLabels = 12
)

// FunnelPlot draws places as counts of checks against the share that was off,
// with the limits of chance about the target. Places within the limits are not
// in any order: they are alike for all that can be told. href leads from a site
// to what is beneath; nil links none. what names the share, such as "share off
// spec".
func FunnelPlot(id, title, what string, f stat.FunnelResult, href func(site string) string) (*Chart, error) {
	most := 0
	top := f.Target
	for _, s := range f.Sites {
		most, top = max(most, s.N), math.Max(top, s.Rate)
	}
	out := &Chart{ID: id, Title: title, Limits: "99.8 % limits of chance", Centre: "all together", N: fmt.Sprintf("n = %d builds at %d places, %d of them off", f.N, len(f.Sites), f.Bad),
		Method: "Funnel plot: exact limits of chance at 95 % and 99.8 % about the rate of all together (Spiegelhalter 2005)."}
	if f.Over {
		out.Method = "Funnel plot: limits of chance at 95 % and 99.8 % about the rate of all together, widened because places differ by more than chance (Spiegelhalter 2005, additive)."
	}
	p := Panel{X: NewAxis("builds judged", 0, float64(max(most, 2)))}
	grid := []*Limit{{Faint: true, Label: "95 %"}, {Faint: true}, {Label: "99.8 %"}, {}}
	for i := range gridPoints {
		// Closer together where the funnel narrows fastest.
		share := float64(i+1) / gridPoints
		n := max(1, int(math.Round(share*share*float64(max(most, 2)))))
		near, far, err := funnelLimits(f, n)
		if err != nil {
			return nil, err
		}
		for k, v := range []float64{near.Upper, near.Lower, far.Upper, far.Lower} {
			grid[k].Along = append(grid[k].Along, XY{float64(n), 100 * v})
		}
		if share > 0.4 {
			top = math.Max(top, far.Upper)
		}
	}
	p.Y = NewAxis(what+", %", 0, 100*math.Min(1, top*1.05))
	for _, l := range grid {
		p.Limits = append(p.Limits, *l)
	}
	target := []XY{{p.X.Min, 100 * f.Target}, {p.X.Max, 100 * f.Target}}
	p.Limits = append(p.Limits, Limit{Along: target, Centre: true, Label: "all together " + Number(math.Round(1000*f.Target)/10) + " %"})
	outside := 0
	for _, s := range f.Sites {
		q := Point{XY: XY{float64(s.N), 100 * s.Rate}, Text: fmt.Sprintf("%s: %d of %d, %s", s.Site, s.Bad, s.N, s.Band)}
		switch s.Band {
		case stat.BandIn:
		case stat.BandNotEnough:
			q.Shape = Ring
		default:
			q.Shape, q.Label = Diamond, s.Site
			outside++
		}
		if href != nil {
			q.Href = href(s.Site)
		}
		p.Points = append(p.Points, q)
	}
	if len(f.Sites) <= mostLabels {
		nameApart(&p, f.Sites)
	}
	out.Desc = fmt.Sprintf("%d of %d places lie outside the limits of chance about %s %%", outside, len(f.Sites), Number(figures(100*f.Target)))
	out.Panels = []Panel{p}
	return out, nil
}

// nameApart labels the points that have no label where there is room for it
// beside those that have one.
func nameApart(p *Panel, sites []stat.FunnelSite) {
	for i := range p.Points {
		q := &p.Points[i]
		clash := slices.ContainsFunc(p.Points, func(o Point) bool {
			return o.Label != "" && math.Abs(o.X-q.X) < 0.2*(p.X.Max-p.X.Min) && math.Abs(o.Y-q.Y) < 0.09*(p.Y.Max-p.Y.Min)
		})
		if q.Label == "" && !clash {
			q.Label = sites[i].Site
		}
	}
}

func funnelLimits(f stat.FunnelResult, n int) (near, far stat.Bounds, err error) {
	if f.Over && f.Target > 0 && f.Target < 1 {
		se := math.Sqrt(f.Target*(1-f.Target)/float64(n) + f.Tau2)
		at := func(z float64) stat.Bounds {
			return stat.Bounds{Lower: math.Max(0, f.Target-z*se), Upper: math.Min(1, f.Target+z*se)}
		}
		return at(zNear), at(zFar), nil
	}
	if near, err = stat.FunnelExact(f.Target, n, 0.95); err != nil {
		return near, far, fmt.Errorf("limits of the funnel at %d builds: %w", n, err)
	}
	if far, err = stat.FunnelExact(f.Target, n, 0.998); err != nil {
		return near, far, fmt.Errorf("limits of the funnel at %d builds: %w", n, err)
	}
	return near, far, nil
}

// Interval is one place's estimate with its 95 % interval.
type Interval struct {
	Name           string
	Low, Mid, High float64
	N              int
	// Enough says in words that the data are not enough; empty where they are.
	Enough string
	// Outside marks what lies beyond the limits of chance.
	Outside bool
	Href    string
}

// Intervals draws places one below the other by name, never by value: the
// intervals say who differs, an order would say more than is known. reference
// is drawn as a solid line; nil draws none.
func Intervals(id, title, unit string, rows []Interval, reference *float64, referenceName string) *Chart {
	rows = slices.Clone(rows)
	slices.SortStableFunc(rows, func(a, b Interval) int { return compareText(a.Name, b.Name) })
	out := &Chart{ID: id, Title: title, Centre: referenceName, PanelHeight: 96 + 26*float64(len(rows))}
	lo, hi, n, few := math.Inf(1), math.Inf(-1), 0, 0
	p := Panel{Y: Axis{Min: 0.4, Max: float64(len(rows)) + 0.6}}
	for i, r := range rows {
		y := float64(len(rows) - i)
		p.Y.Ticks = append(p.Y.Ticks, Tick{At: y, Label: r.Name})
		left, right := r.Low, r.High
		q := Point{XY: XY{r.Mid, y}, Left: &left, Right: &right, Href: r.Href,
			Text: fmt.Sprintf("%s: %s, 95 %% interval %s to %s, n = %d", r.Name, Number(figures(r.Mid)), Number(figures(r.Low)), Number(figures(r.High)), r.N)}
		switch {
		case r.Enough != "":
			q.Shape = Ring
			q.Text += "; " + r.Enough
			few++
		case r.Outside:
			q.Shape = Diamond
		}
		p.Points = append(p.Points, q)
		lo, hi, n = math.Min(lo, r.Low), math.Max(hi, r.High), n+r.N
	}
	if reference != nil {
		lo, hi = math.Min(lo, *reference), math.Max(hi, *reference)
		p.Limits = []Limit{{Along: []XY{{*reference, p.Y.Min}, {*reference, p.Y.Max}}, Centre: true}}
		p.Marks = []Mark{{X: *reference, Label: referenceName}}
		p.Y.Max += 0.8
		p.Limits[0].Along[1].Y = p.Y.Max
	}
	p.X = NewAxis(unit, lo, hi)
	out.N = fmt.Sprintf("n = %d builds at %d places", n, len(rows))
	out.Desc = fmt.Sprintf("%d places in order of their names; %d have not enough data", len(rows), few)
	out.Method = "Score intervals at 95 % for a share (Wilson 1927); builds of one shift resemble each other, so the truth is somewhat less sure."
	out.Panels = []Panel{p}
	return out
}

func compareText(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
