package console

import (
	"slices"
	"strconv"
	"strings"

	"samecup.example/samecup/internal/stat"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/method"
)

// sitesPage compares sites fairly.
type sitesPage struct {
	Span    span
	Drink   string
	Drinks  []drinkChoice
	Lead    string
	Funnel  *Figure
	Shrunk  *Figure
	Table   *Table
	TooFew  bool
	Outside int
}

type drinkChoice struct{ ID, Name string }

func siteComparison(v *visit) (*view, error) {
	s, err := v.span()
	if err != nil {
		return nil, err
	}
	p := &sitesPage{Span: s, Drink: v.URL.Query().Get("drink")}
	f := s.filter()
	if p.Drink != "" {
		f.Drinks = []string{p.Drink}
	}
	fresh := new(freshness)
	rows, err := v.rollups(&pb.QueryRollupsRequest{Filter: f, GroupBy: []pb.RollupDimension{pb.RollupDimension_ROLLUP_DIMENSION_SITE}}, fresh)
	if err != nil {
		return nil, err
	}
	if b, err := v.newestBook(); v.part("the book", err) {
		for _, d := range b.Drinks {
			p.Drinks = append(p.Drinks, drinkChoice{d.ID, d.Name})
		}
	}
	sites := v.sites()
	var counts []stat.SiteCount
	for _, r := range rows {
		if bad, n := judged(r.Builds); n > 0 {
			counts = append(counts, stat.SiteCount{Site: r.Site, Bad: int(bad), N: int(n)})
		}
	}
	// By name, never by rate: a list by rate would be a league table of chance.
	slices.SortFunc(counts, func(a, b stat.SiteCount) int { return strings.Compare(sites.name(a.Site), sites.name(b.Site)) })
	out := &view{Title: "Sites compared", Data: p, Fresh: fresh}
	p.Table = &Table{ID: "sites", Caption: "Each site, by name", Cols: cols("site", "#builds judged", "#off spec", "#rate, %", "95 % interval, %", "probable rate, %", "~against the chain"),
		Empty: "Nothing was judged on these days. Choose others, or come back when counters have logged.", Help: []string{method.Wilson, method.Shrunk}}
	out.Tables = []*Table{p.Table}
	if len(counts) < 2 {
		p.TooFew = true
		for _, k := range counts {
			p.Table.add(siteCells(s, p.Drink, sites, k, interval(k), "", "needs a second site")...)
		}
		return out, nil
	}
	bad, n := 0, 0
	for _, k := range counts {
		bad, n = bad+k.Bad, n+k.N
	}
	if bad == 0 || bad == n {
		p.Lead = "No build was off spec on these days, so there is nothing in which sites could differ."
		if bad > 0 {
			p.Lead = "Every build was off spec on these days: look at the spec and the instruments before the sites."
		}
		for _, k := range counts {
			p.Table.add(siteCells(s, p.Drink, sites, k, interval(k), "", "nothing to compare")...)
		}
		return out, nil
	}
	fun, err := stat.Funnel(counts, nil)
	if err != nil {
		return nil, err
	}
	var shrunk *stat.ShrunkResult
	if r, err := stat.ShrinkRatesUnranked(counts, 0.95); v.part("the probable rates", err) {
		shrunk = &r
	}
	for i, k := range fun.Sites {
		probable := ""
		if shrunk != nil {
			probable = fixed(100*shrunk.Sites[i].Mean, 2) + " (" + fixed(100*shrunk.Sites[i].Lower, 2) + " to " + fixed(100*shrunk.Sites[i].Upper, 2) + ")"
		}
		words := string(k.Band)
		if k.Band == stat.BandNotEnough {
			words += "; " + count(int64(k.Enough)) + " builds would be"
		}
		if k.Band == stat.BandOutHigh || k.Band == stat.BandOutLow {
			p.Outside++
		}
		p.Table.add(siteCells(s, p.Drink, sites, k.SiteCount, k.Wilson, probable, words)...)
	}
	switch p.Outside {
	case 0:
		p.Lead = "No site differs from the chain by more than chance gives. What lies between them here is no reason to praise or to blame."
	case len(fun.Sites):
		p.Lead = "All " + plural(p.Outside, "site", "sites") + " differ from the chain by more than chance gives. With so many builds even small differences do: look at how large each is before anything is done."
	default:
		p.Lead = plural(p.Outside, "site differs", "sites differ") + " from the chain by more than chance gives; the rest do not."
	}
	if p.Funnel, err = funnelFigure(s, p.Drink, sites, fun); err != nil {
		return nil, err
	}
	out.Figures = append(out.Figures, p.Funnel)
	if shrunk != nil && len(shrunk.Sites) <= 40 {
		p.Shrunk = shrunkFigure(s, p.Drink, sites, shrunk, counts)
		out.Figures = append(out.Figures, p.Shrunk)
	}
	return out, nil
}

// interval of a site's share; what was judged is at least one.
func interval(k stat.SiteCount) stat.Bounds {
	if b, err := stat.Wilson(k.Bad, k.N, 0.95); err == nil {
		return b
	}
	return stat.Bounds{Upper: 1}
}

func siteCells(s span, drinkID string, sites *siteList, k stat.SiteCount, w stat.Bounds, probable, words string) []Cell {
	href := buildsLink(s, "site", k.Site, "drink", drinkID)
	return []Cell{head(sites.name(k.Site), href), {Text: count(int64(k.N)), CSV: strconv.Itoa(k.N), Href: href}, {Text: count(int64(k.Bad)), CSV: strconv.Itoa(k.Bad), Href: buildsLink(s, "site", k.Site, "drink", drinkID, "grade", "off")},
		textf("%.2f", 100*float64(k.Bad)/float64(k.N)), text(fixed(100*w.Lower, 2) + " to " + fixed(100*w.Upper, 2)), text(probable), text(words)}
}

// funnelFigure draws the sites by the names that people use.
func funnelFigure(s span, drinkID string, sites *siteList, r stat.FunnelResult) (*Figure, error) {
	ids := map[string]string{}
	r.Sites = slices.Clone(r.Sites)
	for i := range r.Sites {
		k := &r.Sites[i]
		ids[sites.name(k.Site)] = k.Site
		k.Site = sites.name(k.Site)
	}
	c, err := chart.FunnelPlot("funnel", "Builds off spec by site, against what chance gives", "builds off spec", r, func(name string) string {
		return buildsLink(s, "site", ids[name], "drink", drinkID, "grade", "off")
	})
	if err != nil {
		return nil, err
	}
	c.Desc = "The chain's rate is " + percent(r.Target)
	return figureOf(c, method.Funnel), nil
}

// shrunkFigure draws where each site's rate probably lies.
func shrunkFigure(s span, drinkID string, sites *siteList, r *stat.ShrunkResult, counts []stat.SiteCount) *Figure {
	rows := make([]chart.Interval, len(r.Sites))
	for i, k := range r.Sites {
		rows[i] = chart.Interval{Name: sites.name(k.Site), Low: 100 * k.Lower, Mid: 100 * k.Mean, High: 100 * k.Upper, N: counts[i].N, Href: buildsLink(s, "site", k.Site, "drink", drinkID)}
	}
	mean := 100 * r.Mean
	c := chart.Intervals("probable", "Where each site's rate probably lies", "builds off spec, %", rows, &mean, "the chain")
	c.Method = "Each rate is drawn towards the chain's as far as its builds are few (beta-binomial model; Tak, Kelly and Morris 2017); bars are 95 % intervals. " + sentence(r.Note)
	c.Desc = "By name: overlapping intervals are no order of merit"
	return figureOf(c, method.Shrunk)
}

// figureOf puts a chart on a page with the table of its points.
func figureOf(c *chart.Chart, help ...string) *Figure {
	data := c.Table()
	t := &Table{ID: c.ID + "-data", Caption: c.Title}
	for i, h := range data.Headers {
		t.Cols = append(t.Cols, Col{Name: h, Num: i > 0 && i < len(data.Headers)-1, Wide: i == len(data.Headers)-1})
	}
	for i, r := range data.Rows {
		row := make([]Cell, len(r))
		for k, w := range r {
			row[k] = text(w)
		}
		row[0].Head, row[0].Href = true, data.Hrefs[i]
		t.Rows = append(t.Rows, row)
	}
	return &Figure{Chart: c, Table: t, Help: help}
}
