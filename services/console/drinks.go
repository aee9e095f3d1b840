package console

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/method"
)

// drinksPage shows the menu with how it was made.
type drinksPage struct {
	Span   span
	Book   *book
	Drinks []drinkGroup
	Table  *Table
}

type drinkGroup struct {
	Name     string
	Servings []drinkCup
}

type drinkCup struct {
	Words, Href string
	Cup         template.HTML
	Share       *shareFigure
}

func drinkList(v *visit) (*view, error) {
	s, err := v.span()
	if err != nil {
		return nil, err
	}
	b, err := v.newestBook()
	if err != nil {
		return nil, err
	}
	fresh := new(freshness)
	rows, err := v.rollups(&pb.QueryRollupsRequest{Filter: s.filter(), GroupBy: []pb.RollupDimension{pb.RollupDimension_ROLLUP_DIMENSION_SERVING}}, fresh)
	if !v.part("the figures", err) {
		rows = nil
	}
	by := map[string]*pb.BuildCounts{}
	for _, r := range rows {
		by[r.Serving] = r.Builds
	}
	p := drinksPage{Span: s, Book: b, Table: &Table{ID: "drinks", Caption: "Every serving", Cols: cols("serving", "#builds judged", "#off spec", "#rate, %", "95 % interval"), Empty: "The book has no drinks.", Help: []string{method.Wilson}}}
	for _, d := range b.Drinks {
		g := drinkGroup{Name: d.Name}
		for i := range d.Servings {
			sv := &d.Servings[i]
			bad, n := judged(by[sv.ID])
			c := drinkCup{Words: servingTail(b, sv), Href: with(&url.URL{Path: "/drinks/" + sv.ID}, "from", v.URL.Query().Get("from"), "to", v.URL.Query().Get("to")), Cup: cupHTML(b, sv),
				Share: newShare(bad, n, buildsLink(s, "serving", sv.ID, "grade", "off"))}
			g.Servings = append(g.Servings, c)
			row := []Cell{head(b.servingWords(sv.ID), c.Href), {Text: count(n), CSV: strconv.FormatInt(n, 10), Href: buildsLink(s, "serving", sv.ID)}, to(count(bad), buildsLink(s, "serving", sv.ID, "grade", "off")), text("none"), text("none")}
			if c.Share != nil {
				row[3], row[4] = textf("%.2f", 100*float64(bad)/float64(n)), text(c.Share.Interval)
			}
			p.Table.add(row...)
		}
		p.Drinks = append(p.Drinks, g)
	}
	return &view{Title: "Drinks", Data: p, Tables: []*Table{p.Table}, Fresh: fresh}, nil
}

// servingTail is what tells a serving from others of its drink.
func servingTail(b *book, s *drink.Serving) string {
	_, tail, ok := strings.Cut(b.servingWords(s.ID), ", ")
	if !ok {
		return s.Size
	}
	return tail
}

// drinkPage shows one serving measure by measure.
type drinkPage struct {
	Span    span
	Book    *book
	Serving *drink.Serving
	Words   string
	Cup     template.HTML
	Vessel  string
	Share   *shareFigure
	Checks  *Table
	Charts  []*Figure
	// Sites shown in the panels; Others are those left out.
	Sites, Others []siteChoice
}

type siteChoice struct{ ID, Name string }

// panelsShown is how many sites stand side by side.
const panelsShown = 6

func drinkShow(v *visit) (*view, error) {
	s, err := v.span()
	if err != nil {
		return nil, err
	}
	b, err := v.newestBook()
	if err != nil {
		return nil, err
	}
	sv := b.serving(v.PathValue("serving"))
	if sv == nil {
		return nil, notFound("serving in the newest book", v.PathValue("serving"), link{"/drinks", "All drinks"})
	}
	p := &drinkPage{Span: s, Book: b, Serving: sv, Words: b.servingWords(sv.ID), Cup: cupHTML(b, sv)}
	if vs, ok := b.VesselByID(sv.Vessel); ok {
		p.Vessel = cmp.Or(vs.Name, vs.ID)
	}
	fresh := new(freshness)
	f := s.filter()
	f.Servings = []string{sv.ID}
	var all, perSite []*pb.Rollup
	var errAll, errSites error
	var asking sync.WaitGroup
	asking.Go(func() {
		all, errAll = v.rollups(&pb.QueryRollupsRequest{Filter: f, GroupBy: []pb.RollupDimension{pb.RollupDimension_ROLLUP_DIMENSION_CHECK}}, fresh)
	})
	asking.Go(func() {
		perSite, errSites = v.rollups(&pb.QueryRollupsRequest{Filter: f, GroupBy: []pb.RollupDimension{pb.RollupDimension_ROLLUP_DIMENSION_SITE}}, nil)
	})
	asking.Wait()
	if err := cmp.Or(errAll, errSites); err != nil {
		return nil, err
	}
	var bad, n int64
	var ids []string
	for _, r := range perSite {
		x, y := judged(r.Builds)
		bad, n = bad+x, n+y
		ids = append(ids, r.Site)
	}
	p.Share = newShare(bad, n, buildsLink(s, "serving", sv.ID, "grade", "off"))
	sites := v.sites()
	slices.SortFunc(ids, func(a, b string) int { return strings.Compare(sites.name(a), sites.name(b)) })
	chosen := p.choose(v, ids, sites)
	p.Checks = checksTable(s, sv, all, v.read)
	out := &view{Title: p.Words, Data: p, Tables: []*Table{p.Checks}, Fresh: fresh}
	if len(chosen) == 0 {
		return out, nil
	}
	f.Sites = chosen
	days, err := v.rollups(&pb.QueryRollupsRequest{Filter: f, GroupBy: []pb.RollupDimension{pb.RollupDimension_ROLLUP_DIMENSION_SITE, pb.RollupDimension_ROLLUP_DIMENSION_DAY, pb.RollupDimension_ROLLUP_DIMENSION_CHECK}}, fresh)
	if !v.part("the charts by site", err) {
		return out, nil
	}
	for i := range sv.Checks {
		if fig := multiples(s, sv, &sv.Checks[i], chosen, days, sites, v.read); fig != nil {
			p.Charts = append(p.Charts, fig)
		}
	}
	out.Figures = p.Charts
	return out, nil
}

// choose takes the sites of the address, or the first by name.
func (p *drinkPage) choose(v *visit, ids []string, sites *siteList) []string {
	want := v.URL.Query()["site"]
	var out []string
	for _, id := range ids {
		if len(want) > 0 && !slices.Contains(want, id) || len(out) == panelsShown {
			p.Others = append(p.Others, siteChoice{ID: id, Name: sites.name(id)})
			continue
		}
		out = append(out, id)
		p.Sites = append(p.Sites, siteChoice{ID: id, Name: sites.name(id)})
	}
	return out
}

func checksTable(s span, sv *drink.Serving, rows []*pb.Rollup, read reader) *Table {
	by := map[string]*pb.CheckRollup{}
	for _, r := range rows {
		by[r.Check.GetCheck()] = r.Check
	}
	t := &Table{ID: "checks", Caption: "What the book asks, and what was read", Cols: cols("measure", "#target", "tolerance of the book", "#readings", "#mean", "#standard deviation", "#below", "#above", "at risk"),
		Empty: "The book asks for no measure of this serving.", Note: "Readings below and above are those outside the tolerance. Each figure opens the builds beneath it."}
	for i := range sv.Checks {
		k := &sv.Checks[i]
		m := drink.MeasureByCode(k.Measure)
		r := by[k.ID]
		mean, sd := text("none"), text("none")
		if r.GetMeanMilli() != 0 || r != nil && r.MeanMilli != nil {
			mean = both(read.Rounded(r.GetMeanMilli(), m), metric.Rounded(r.GetMeanMilli(), m))
		}
		if r != nil && r.SdMilli != nil {
			sd = both(read.Spread(r.GetSdMilli(), m), metric.Spread(r.GetSdMilli(), m))
		}
		link := func(side string) string { return buildsLink(s, "serving", sv.ID, "check", k.ID, "side", side) }
		t.add(head(sentenceCase(named(m, k.ID)), "#"+figureID(k.ID)), both(read.Quantity(float64(k.Target), unitOf(m)), metric.Quantity(float64(k.Target), unitOf(m))), both(read.Limits(k, unitOf(m)), metric.Limits(k, unitOf(m))), to(count(r.GetReadings()), link("")), mean, sd,
			to(count(r.GetOffLow()), link("low")), to(count(r.GetOffHigh()), link("high")), text(k.Criticality.String()))
	}
	return t
}

func figureID(check string) string { return "m-" + check }

// multiples draws one measure at the chosen sites, panel by panel on one scale.
func multiples(s span, sv *drink.Serving, k *drink.Check, chosen []string, rows []*pb.Rollup, sites *siteList, read reader) *Figure {
	m := drink.MeasureByCode(k.Measure)
	lo, hi := math.Inf(1), math.Inf(-1)
	tol := chart.Tolerance{}
	if k.Low != drink.NoLow {
		v := read.Value(k.Low.Float(), unitOf(m))
		tol.Low = &v
		lo, hi = math.Min(lo, v), math.Max(hi, v)
	}
	if k.High != drink.NoHigh {
		v := read.Value(k.High.Float(), unitOf(m))
		tol.High = &v
		lo, hi = math.Min(lo, v), math.Max(hi, v)
	}
	title := sentenceCase(named(m, k.ID))
	t := &Table{ID: figureID(k.ID) + "-data", Caption: title + ", by site and business day", Cols: cols("site", "business day", "#median", "#5 %", "#95 %", "#readings", "#below", "#above")}
	panels := map[string]*chart.Panel{}
	n := int64(0)
	for _, r := range rows {
		d := s.day(r.Period)
		c := r.Check
		if c.GetCheck() != k.ID || c.Readings == 0 || d < 0 || d >= s.Days() || len(c.Quantiles) < 3 {
			continue
		}
		p := panels[r.Site]
		if p == nil {
			p = &chart.Panel{}
			panels[r.Site] = p
		}
		v, cells := [3]float64{}, [3]Cell{}
		for i := range v {
			v[i] = read.Value(float64(c.Quantiles[i].ValueMilli)/1000, unitOf(m))
			cells[i] = both(read.Figure(v[i], unitOf(m)), metric.Number(float64(c.Quantiles[i].ValueMilli), unitOf(m)))
		}
		lo, hi = math.Min(lo, v[0]), math.Max(hi, v[2])
		n += c.Readings
		one := span{s.From.AddDate(0, 0, d), s.From.AddDate(0, 0, d)}
		q := chart.Point{XY: chart.XY{X: float64(d), Y: v[1]}, Low: &v[0], High: &v[2], Href: buildsLink(one, "site", r.Site, "serving", sv.ID, "check", k.ID),
			Text: fmt.Sprintf("%s, %s: median %s, 5 %% to 95 %% %s to %s, %d readings", sites.name(r.Site), r.Period, cells[1].Text, cells[0].Text, cells[2].Text, c.Readings)}
		if c.OffLow+c.OffHigh > 0 {
			q.Shape = chart.Diamond
		}
		p.Points = append(p.Points, q)
		t.add(text(sites.name(r.Site)), head(r.Period, q.Href), cells[1], cells[0], cells[2], textf("%d", c.Readings), textf("%d", c.OffLow), textf("%d", c.OffHigh))
	}
	if n == 0 {
		return nil
	}
	wide := min(3, len(chosen))
	c := &chart.Chart{ID: figureID(k.ID), Title: title, Columns: max(2, wide), N: fmt.Sprintf("n = %s readings on %s", count(n), plural(s.Days(), "day", "days")), Whisker: "5 % to 95 % of the readings", Diamond: "a reading outside",
		Desc: "All panels share one scale. A diamond is a day with a reading outside the tolerance", Method: "Each point is the day's median, its bar 5 % to 95 % of the day's readings (order statistics, exact where the readings are few)"}
	y := chart.NewAxis(axisName(read, m, k.ID), lo, hi)
	for _, id := range chosen {
		p := panels[id]
		if p == nil {
			p = &chart.Panel{}
		}
		p.Title, p.X, p.Y = sites.name(id), chart.DayAxis(s.From, s.Days(), 4), y
		p.X.Name = ""
		if tol.Low != nil || tol.High != nil {
			p.Tolerances = []chart.Tolerance{tol}
		}
		c.Panels = append(c.Panels, *p)
	}
	return &Figure{Chart: c, Table: t, Help: []string{method.Order}}
}

// dayBefore and after are for going through days.
func shiftDay(day string, by int) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return ""
	}
	return t.AddDate(0, 0, by).Format(time.DateOnly)
}
