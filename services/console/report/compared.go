package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/stat"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/method"
)

const (
	// mostRows of a comparison are drawn and listed; of more places only those
	// outside the limits.
	mostRows = 30
	// mostPanels of small multiples.
	mostPanels = 9
)

// interval is Wilson's at 95 %; 0 to 1 for nothing.
func interval(x, n int) stat.Bounds {
	if iv, err := stat.Wilson(x, n, 0.95); err == nil {
		return iv
	}
	return stat.Bounds{Upper: 1}
}

// funnel compares all sites of the chain; nil where fewer than two were judged, or
// all alike.
func (b *builder) funnel() (*stat.FunnelResult, error) {
	var sites []stat.SiteCount
	for _, r := range b.d.SiteWeek {
		if bad, n := judged(r.Builds); n > 0 {
			sites = append(sites, stat.SiteCount{Site: r.Site, Bad: bad, N: n})
		}
	}
	bad, n := 0, 0
	for _, s := range sites {
		bad, n = bad+s.Bad, n+s.N
	}
	if len(sites) < 2 || bad == 0 || bad == n {
		return nil, nil
	}
	f, err := stat.Funnel(sites, nil)
	if err != nil {
		return nil, fmt.Errorf("compare the sites: %w", err)
	}
	b.use(method.Funnel)
	return &f, nil
}

// compared is the comparison of places.
func (b *builder) compared() error {
	b.add(Heading{Text: "How alike were the cups?"})
	f, err := b.funnel()
	if err != nil {
		return err
	}
	if f == nil {
		b.say("Fewer than two sites of the chain have builds that could be judged this week, or all builds came out alike, so there is nothing to compare.")
	}
	if b.d.Scope.Site != "" {
		b.oneSite(f)
		return b.stationIntervals()
	}
	if f == nil {
		return nil
	}
	return b.manySites(f)
}

// oneSite says where the site stands among all.
func (b *builder) oneSite(f *stat.FunnelResult) {
	if f == nil {
		return
	}
	at := slices.IndexFunc(f.Sites, func(s stat.FunnelSite) bool { return s.Site == b.d.Scope.Site })
	if at < 0 {
		b.say("No build of this site could be judged this week.")
		return
	}
	s := f.Sites[at]
	b.say("At %s %s of %s that could be judged were not as specified: %s (95 %% interval %s to %s), and at all %d sites together %s. Beside them, this is: %s.",
		b.place(s.Site, ""), b.count(s.Bad), b.many(s.N, "build"), b.percent(s.Rate), b.percent(s.Wilson.Lower), b.percent(s.Wilson.Upper),
		len(f.Sites), b.percent(f.Target), b.bandWords(&s))
}

func (b *builder) bandWords(s *stat.FunnelSite) string {
	switch s.Band {
	case stat.BandIn:
		return "within what chance gives"
	case stat.BandNotEnough:
		return fmt.Sprintf("not enough data; about %s builds would do", b.count(s.Enough))
	}
	return string(s.Band)
}

func (b *builder) stationIntervals() error {
	var rows []chart.Interval
	bad, n := 0, 0
	t := Table{Headers: []string{"Station", "Builds judged", "Not as specified", "Share", "95 % interval"}, Weights: []float64{3, 2, 2, 1.4, 2.4}, Right: []bool{false, true, true, true, true},
		None: "No build could be judged."}
	for _, r := range b.d.StationWeek {
		x, of := judged(r.Builds)
		if of == 0 {
			continue
		}
		iv := interval(x, of)
		_, name, _ := strings.Cut(stationKey(r), "/")
		rows = append(rows, chart.Interval{Name: name, Low: 100 * iv.Lower, Mid: 100 * float64(x) / float64(of), High: 100 * iv.Upper, N: of})
		t.Rows = append(t.Rows, []string{name, b.count(of), b.count(x), b.percent(float64(x) / float64(of)), b.percent(iv.Lower) + " to " + b.percent(iv.Upper)})
		bad, n = bad+x, n+of
	}
	if len(rows) > 1 {
		all := 100 * float64(bad) / float64(n)
		b.use(method.Wilson)
		b.add(Figure{chart.Intervals("stations", "Its stations, by name", "builds not as specified, %", rows, &all, "the site")})
	}
	b.add(t)
	return nil
}

// manySites draws funnel, intervals and a table of the scope's sites.
func (b *builder) manySites(f *stat.FunnelResult) error {
	for i := range f.Sites {
		f.Sites[i].Site = b.place(f.Sites[i].Site, "")
	}
	var mine []stat.FunnelSite
	names := map[string]bool{}
	for _, s := range b.d.Sites {
		names[b.place(s.Id, "")] = true
	}
	outside := 0
	for _, s := range f.Sites {
		if names[s.Site] {
			mine = append(mine, s)
			if s.Band != stat.BandIn && s.Band != stat.BandNotEnough {
				outside++
			}
		}
	}
	if len(mine) == 0 {
		b.say("No build of these sites could be judged this week.")
		return nil
	}
	shown := *f
	shown.Sites = mine
	b.say("%s of %s with builds that could be judged %s outside what chance gives about the chain's %s. Places within the limits are alike for all that can be told: they have no order.",
		b.count(outside), b.many(len(mine), "site"), map[bool]string{true: "lies", false: "lie"}[outside == 1], b.percent(f.Target))
	pic, err := chart.FunnelPlot("funnel", "Sites beside the whole chain", "builds not as specified", shown, nil)
	if err != nil {
		return err
	}
	pic.Title = "Sites beside the whole chain"
	bad, n := 0, 0
	for _, s := range mine {
		bad, n = bad+s.Bad, n+s.N
	}
	pic.N = fmt.Sprintf("n = %s at %s, %s not as specified", b.many(n, "build"), b.many(len(mine), "site"), b.count(bad))
	b.add(Figure{pic})
	if len(mine) > mostRows {
		mine = slices.DeleteFunc(mine, func(s stat.FunnelSite) bool { return s.Band == stat.BandIn || s.Band == stat.BandNotEnough })
		b.note("Of %d sites only those outside the limits are listed.", len(shown.Sites))
		mine = mine[:min(len(mine), mostRows)]
	}
	slices.SortFunc(mine, func(x, y stat.FunnelSite) int { return cmp.Compare(x.Site, y.Site) })
	ratio, err := b.mix()
	if err != nil {
		return err
	}
	var rows []chart.Interval
	t := Table{Headers: []string{"Site", "Builds judged", "Not as specified", "95 % interval", "Against its own mix", "Beside the chain"},
		Weights: []float64{2.4, 1.2, 1.4, 1.9, 3, 2.7}, Right: []bool{false, true, true, true, false, false}, None: "No site lies outside the limits."}
	for i := range mine {
		s := &mine[i]
		r := chart.Interval{Name: s.Site, Low: 100 * s.Wilson.Lower, Mid: 100 * s.Rate, High: 100 * s.Wilson.Upper, N: s.N,
			Outside: s.Band == stat.BandOutHigh || s.Band == stat.BandOutLow}
		if s.Band == stat.BandNotEnough {
			r.Enough = b.bandWords(s)
		}
		rows = append(rows, r)
		t.Rows = append(t.Rows, []string{s.Site, b.count(s.N), b.percent(s.Rate), b.percent(s.Wilson.Lower) + " to " + b.percent(s.Wilson.Upper), ratio[s.Site], b.bandWords(s)})
	}
	if len(rows) > 1 {
		all := 100 * f.Target
		b.use(method.Wilson)
		b.add(Figure{chart.Intervals("sites", "Sites by name", "builds not as specified, %", rows, &all, "the chain")})
	}
	b.add(t)
	return nil
}

// mix is how each site stands against what its own mix of drinks would give at
// the chain's rates, in words.
func (b *builder) mix() (map[string]string, error) {
	var rows []stat.Stratum
	for _, r := range b.d.MixWeek {
		if bad, n := judged(r.Builds); n > 0 {
			rows = append(rows, stat.Stratum{Site: r.Site, Kind: r.Drink, Bad: bad, N: n})
		}
	}
	out := map[string]string{}
	if len(rows) == 0 {
		return out, nil
	}
	adjusted, err := stat.AdjustForMix(rows, 0.95)
	if err != nil {
		return nil, fmt.Errorf("adjust for the mix of drinks: %w", err)
	}
	b.use(method.Mix)
	for _, a := range adjusted {
		words := "cannot be told"
		if r := a.Ratio; r != nil {
			words = fmt.Sprintf("%s times (%s to %s)", b.number(r.Value, 2), b.number(r.Lower, 2), b.number(r.Upper, 2))
		}
		out[b.place(a.Site, "")] = words
	}
	return out, nil
}

// byDay draws the last weeks day by day, with shared scales.
func (b *builder) byDay() error {
	byPlace := map[string][]*pb.Rollup{}
	var names []string
	for _, r := range b.d.PlaceDays {
		name := b.place(r.Site, "")
		if b.d.Scope.Site != "" {
			_, name, _ = strings.Cut(stationKey(r), "/")
		}
		if _, ok := byPlace[name]; !ok {
			names = append(names, name)
		}
		byPlace[name] = append(byPlace[name], r)
	}
	if len(names) == 0 {
		return nil
	}
	total := len(names)
	if total > mostPanels {
		names = b.notable(names)
	}
	slices.Sort(names)
	first := b.d.Week.Before(weeksBack - 1).Monday()
	var panels []chart.Small
	judgedAll := 0
	for _, name := range names {
		p := chart.Small{Title: name}
		for _, r := range byPlace[name] {
			day, err := time.Parse(time.DateOnly, r.Period)
			bad, n := judged(r.Builds)
			if err != nil || n == 0 {
				continue
			}
			iv := interval(bad, n)
			low, high := 100*iv.Lower, 100*iv.Upper
			q := chart.Point{Low: &low, High: &high, Text: fmt.Sprintf("%s: %d of %d", r.Period, bad, n)}
			q.X, q.Y = day.Sub(first).Hours()/24, 100*float64(bad)/float64(n)
			p.Points = append(p.Points, q)
			judgedAll += n
		}
		panels = append(panels, p)
	}
	c := chart.Multiples("days", "Day by day, this week and the four before", "off spec, %", chart.DayAxis(first, 7*weeksBack, 4), panels, min(3, len(panels)))
	c.Whisker = "share of the day with its 95 % interval"
	c.N = fmt.Sprintf("n = %s in %s", b.many(judgedAll, "judged build"), b.many(len(panels), "place"))
	if total > len(names) {
		c.N += fmt.Sprintf(" of %d: those farthest from the chain this week", total)
	}
	b.use(method.Wilson)
	b.add(Figure{c})
	return nil
}

// notable picks the places that differ most from the rest this week.
func (b *builder) notable(names []string) []string {
	type far struct {
		name string
		z    float64
	}
	rank := map[string]float64{}
	if f, err := b.funnel(); err == nil && f != nil {
		for _, s := range f.Sites {
			rank[b.place(s.Site, "")] = max(s.Z, -s.Z)
		}
	}
	list := make([]far, 0, len(names))
	for _, n := range names {
		list = append(list, far{n, rank[n]})
	}
	slices.SortStableFunc(list, func(x, y far) int { return cmp.Or(cmp.Compare(y.z, x.z), cmp.Compare(x.name, y.name)) })
	var out []string
	for _, l := range list[:mostPanels] {
		out = append(out, l.name)
	}
	return out
}
