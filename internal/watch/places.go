package watch

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// mark is what a station, or the drinks of a site in one vessel, made of a
// measure in a shift, kept until the day is closed and places can be compared.
type mark struct {
	Measure string `json:"measure"`
	Site    string `json:"site"`
	Station string `json:"station,omitempty"`
	Vessel  string `json:"vessel,omitempty"`
	No      int    `json:"no"` // of the shift
	Lot     string `json:"lot,omitempty"`
	// At is the latest of what is in it: the shifts of a day are told apart by it.
	At time.Time `json:"at"`
	weighted
}

func (m *mark) mean() float64 { return m.Sum / float64(m.N) }

func (w *Watch) mark(m mark, n int, sum, half float64) {
	k := fmt.Sprintf("%s|%s|%d|%s|%s|%s", m.Measure, m.Vessel, m.No, m.Site, m.Station, m.Lot)
	d := w.st.Daily[k]
	if d == nil {
		if len(w.st.Daily) >= mostCharts {
			return
		}
		d = &m
		w.st.Daily[k] = d
	}
	d.At = later(d.At, m.At)
	d.N += n
	d.Sum += sum
	d.Half += half
}

// pumped is one reading of what a pump gave.
type pumped struct {
	place
	Site    string  `json:"site"`
	Station string  `json:"station"`
	Measure string  `json:"measure"`
	Drink   string  `json:"drink"`
	U       float64 `json:"u"`
	Half    float64 `json:"half"`
}

const (
	// pumpLeast is how many readings of the chain a pump is compared with.
	pumpLeast = 20
	// pumpedMost bounds the readings of a day.
	pumpedMost = 4000
	// whichLeast is by how much the sums of two stations must differ before one
	// is named. Our own choice: less than this is ordinary between two in control.
	whichLeast = 3.0
	// siteLeast are the readings of a vessel at a site and shift; with fewer the
	// shift is added to the next of the day.
	siteLeast = 2
)

// vesselled are the measures that another vessel moves.
var vesselled = map[string]bool{"cup_mass": true, "froth_depth": true}

// compared are the measures in which a station is charted against all others.
// Temperatures only: no lot moves them, a release moves all stations alike, and
// what is left is the station's own probe, steam or hands.
var compared = map[string]bool{"milk_temp": true, "brew_temp": true}

// comparePlaces charts, shift by shift, what places of the chain make against
// each other; common causes, such as a release, a lot or the weather, fall out.
func (w *Watch) comparePlaces(out *Out) {
	type group struct {
		measure, vessel string
		no              int
	}
	groups := map[group][]*mark{}
	var order []group
	for _, k := range sortedKeys(w.st.Daily) {
		m := w.st.Daily[k]
		g := group{m.Measure, m.Vessel, m.No}
		if groups[g] == nil {
			order = append(order, g)
		}
		groups[g] = append(groups[g], m)
	}
	slices.SortStableFunc(order, func(a, b group) int {
		return cmp.Or(cmp.Compare(a.no, b.no), strings.Compare(a.measure, b.measure), strings.Compare(a.vessel, b.vessel))
	})
	clear(w.st.Daily)
	for _, g := range order {
		list := groups[g]
		at := time.Time{}
		for _, m := range list {
			at = later(at, m.At)
		}
		if g.vessel != "" {
			w.compareSites(SignalVessel, g.measure, g.vessel, list, at, out)
			continue
		}
		if coffee[g.measure] && byLot[g.measure] {
			// Sites on unlike lots cannot be compared, stations on one lot can.
			w.compareSisters(g.measure, list, at, out)
			if !oneLot(list) {
				continue
			}
		}
		if compared[g.measure] {
			w.compareStations(g.measure, list, at, out)
		}
		w.compareSites(SignalSite, g.measure, "", list, at, out)
	}
	w.comparePumps(out)
}

// lotsOf names the lots in use.
func lotsOf(list []*mark) string {
	var lots []string
	for _, m := range list {
		if !slices.Contains(lots, m.Lot) {
			lots = append(lots, m.Lot)
		}
	}
	slices.Sort(lots)
	return strings.Join(lots, "|")
}

func oneLot(list []*mark) bool {
	return !slices.ContainsFunc(list, func(m *mark) bool { return m.Lot != list[0].Lot })
}

// compareSites charts each site against the median of the others, and, but for
// single vessels, that of all sites against its own past.
func (w *Watch) compareSites(kind SignalKind, measure, vessel string, list []*mark, at time.Time, out *Out) {
	var sites []string
	var day []weighted
	for _, m := range list { // by site, since keys were sorted
		i := slices.Index(sites, m.Site)
		if i < 0 {
			i = len(sites)
			sites, day = append(sites, m.Site), append(day, weighted{})
		}
		day[i].N += m.N
		day[i].Sum += m.Sum
		day[i].Half += m.Half
	}
	if kind == SignalVessel {
		for i := len(sites) - 1; i >= 0; i-- {
			k := vessel + "|" + measure + "|" + sites[i]
			if o := w.st.Waiting[k]; o != nil {
				day[i].N, day[i].Sum, day[i].Half = day[i].N+o.N, day[i].Sum+o.Sum, day[i].Half+o.Half
				delete(w.st.Waiting, k)
			}
			if day[i].N < siteLeast {
				if o := day[i]; len(w.st.Waiting) < mostCharts {
					w.st.Waiting[k] = &o
				}
				sites, day = slices.Delete(sites, i, i+1), slices.Delete(day, i, i+1)
			}
		}
	}
	if len(sites) < 3 {
		return // two sites cannot say which of them moved
	}
	mean, reads, halves := make([]float64, len(sites)), 0, 0.0
	for i, d := range day {
		mean[i] = d.Sum / float64(d.N)
		reads += d.N
		halves += d.Half
	}
	unit := halves / float64(reads)
	for i, site := range sites {
		x := mean[i] - median(append(slices.Clone(mean[:i]), mean[i+1:]...))
		key := pointKey(measure, vessel, "")
		out.Points = append(out.Points, Point{Kind: kind, Site: site, Key: key, At: at, N: day[i].N, X: x})
		if v := chartOf(w.st.Sites, site+"|"+key).step(x, day[i].N, at, &w.design, w.cfg.Baseline, true); v.dir != 0 {
			sig := w.fromChart(kind, measure, v, unit, at)
			sig.Site, sig.Vessel = site, vessel
			sig.Where = []Where{{site, "", v.before.Mean, v.after, v.before.sd()}}
			if vessel != "" {
				sig.Words = "drinks in " + vessel + ": " + sig.Words
			}
			sig.Words = site + ": " + sig.Words
			out.signal(sig)
		}
	}
	if kind == SignalVessel {
		return
	}
	// A lot that reaches all sites moves them all, and is told as a lot.
	c := chartOf(w.st.Chain, measure)
	if lots := lotsOf(list); byLot[bare(measure)] && w.st.ChainLots[measure] != lots {
		if w.st.ChainLots[measure] != "" {
			c.soften()
		}
		w.st.ChainLots[measure] = lots
	}
	x := median(slices.Clone(mean))
	out.Points = append(out.Points, Point{Kind: SignalChain, Key: measure, At: at, N: reads, X: x})
	if v := c.step(x, reads, at, &w.design, w.cfg.Baseline, true); v.dir != 0 {
		sig := w.fromChart(SignalChain, measure, v, unit, at)
		sig.Release = w.st.Majority
		sig.Words = "all sites: " + sig.Words
		out.signal(sig)
	}
}

// pointKey names what a point is of: a measure, in one vessel or of one drink.
func pointKey(measure, vessel, drink string) string {
	if vessel != "" {
		measure += " in " + vessel
	}
	if drink != "" {
		measure += " of " + drink
	}
	return measure
}

// compareStations charts each station against the median of all others.
func (w *Watch) compareStations(measure string, list []*mark, at time.Time, out *Out) {
	if len(list) < 4 {
		return
	}
	mean := make([]float64, len(list))
	for i, m := range list {
		mean[i] = m.mean()
	}
	for i, m := range list {
		w.peer(m, m.Station, measure, mean[i]-median(append(slices.Clone(mean[:i]), mean[i+1:]...)), "the median of the other stations", nil, at, out)
	}
}

// compareSisters charts a site's stations that grind the same lot against each
// other. Of two the chart says that they part, and the rest of what is known of
// them which one moved, if it does.
func (w *Watch) compareSisters(measure string, list []*mark, at time.Time, out *Out) {
	type shared struct{ site, lot string }
	of := map[shared][]*mark{}
	var order []shared
	for _, m := range list {
		k := shared{m.Site, m.Lot}
		if of[k] == nil {
			order = append(order, k)
		}
		of[k] = append(of[k], m)
	}
	for _, k := range order {
		l := of[k]
		if len(l) == 2 {
			w.peer(l[0], "", measure, l[0].mean()-l[1].mean(), l[1].Station, l[1], at, out)
			continue
		}
		for i, m := range l {
			sum, n := 0.0, 0.0
			for j, o := range l {
				if j != i {
					sum, n = sum+o.mean(), n+1
				}
			}
			if n > 0 {
				w.peer(m, m.Station, measure, m.mean()-sum/n, "the other stations of the site", nil, at, out)
			}
		}
	}
}

// peer steps a station's chart against others; twin is the other of two.
func (w *Watch) peer(m *mark, station, measure string, x float64, against string, twin *mark, at time.Time, out *Out) {
	k := m.Site + "/" + m.Station + "|" + measure
	point := func(station string, n int, x float64) {
		out.Points = append(out.Points, Point{Kind: SignalPeer, Site: m.Site, Station: station, Key: measure, At: at, N: n, X: x})
	}
	point(station, m.N, x)
	if twin != nil {
		// Whichever is named later, its case is judged by its own side.
		point(m.Station, m.N, x)
		point(twin.Station, twin.N, -x)
	}
	v := chartOf(w.st.Peers, k).step(x, m.N, at, &w.design, w.cfg.Baseline, true)
	if v.dir == 0 {
		return
	}
	sig := w.fromChart(SignalPeer, measure, v, m.Half/float64(m.N), at)
	sig.Site, sig.Station, sig.CoffeeLot = m.Site, station, m.Lot
	sig.Where = []Where{{m.Site, m.Station, v.before.Mean, v.after, v.before.sd()}}
	sig.Words = fmt.Sprintf("%s against %s: %s", placeName(m.Site, m.Station), against, sig.Words)
	if twin != nil {
		switch w.which(m, twin, measure, v.dir) {
		case 0:
			sig.Station = m.Station
		case 1:
			sig.Station, sig.Direction, sig.Moved = twin.Station, -v.dir, -sig.Moved
			sig.Before, sig.After = -sig.Before, -sig.After
			sig.Where = []Where{{m.Site, twin.Station, -v.before.Mean, -v.after, v.before.sd()}}
			sig.Words += "; " + twin.Station + " is the likelier to have moved, the other way"
		default:
			sig.Where = append(sig.Where, Where{m.Site, twin.Station, -v.before.Mean, -v.after, v.before.sd()})
			// Up or down is then only the order of their names.
			sig.Direction = 0
			sig.Words += "; which of the two moved is not known"
		}
	}
	out.signal(sig)
}

// which of two stations that part is the likelier to have moved, by their own
// charts: the one whose level is on its way where the other's is not, and whose
// spread grows; 2 where they do not tell. What moves both says nothing.
func (w *Watch) which(a, b *mark, measure string, dir int) int {
	own := func(m *mark) charts {
		if s := w.st.Stations[m.Site+"/"+m.Station]; s != nil && s.Charts[measure] != nil {
			return *s.Charts[measure]
		}
		return charts{}
	}
	x, y := own(a), own(b)
	up, down := x.Level.Up.Sum-y.Level.Up.Sum, y.Level.Down.Sum-x.Level.Down.Sum
	if dir < 0 {
		up, down = x.Level.Down.Sum-y.Level.Down.Sum, y.Level.Up.Sum-x.Level.Up.Sum
	}
	switch d := up - down + x.Spread.Up.Sum - y.Spread.Up.Sum; {
	case d > whichLeast:
		return 0
	case d < -whichLeast:
		return 1
	}
	return 2
}

// comparePumps charts what each pump gave, reading by reading, against all of
// the chain that give the same: one station weighs too seldom to know its own
// past.
func (w *Watch) comparePumps(out *Out) {
	list := w.st.Pumped
	w.st.Pumped = nil
	slices.SortStableFunc(list, func(a, b pumped) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.Site, b.Site), strings.Compare(a.Station, b.Station), strings.Compare(a.ID, b.ID))
	})
	for i := range list {
		r := &list[i]
		all := w.st.Pumps[r.Measure+"|"+r.Drink]
		if all == nil {
			if len(w.st.Pumps) >= mostCharts {
				continue
			}
			all = &base{}
			w.st.Pumps[r.Measure+"|"+r.Drink] = all
		}
		out.Points = append(out.Points, Point{Kind: SignalPump, Site: r.Site, Station: r.Station, Key: pointKey(r.Measure, "", r.Drink), At: r.At, N: 1, X: r.U})
		c := chartOf(w.st.Peers, r.Site+"/"+r.Station+"|"+r.Measure+"|"+r.Drink)
		c.Base, c.Held = *all, moments{}
		v := c.step(r.U, 1, r.At, &w.design, pumpLeast, true)
		if v.dir == 0 {
			if max(c.Up.Sum, c.Down.Sum) <= w.design.H/2 {
				all.take(r.U)
			}
			continue
		}
		sig := w.fromChart(SignalPump, r.Measure, v, r.Half, r.At)
		sig.Site, sig.Station, sig.Serving = r.Site, r.Station, r.Drink
		sig.Where = []Where{{r.Site, r.Station, v.before.Mean, v.after, v.before.sd()}}
		sig.Words = fmt.Sprintf("%s, %s: %s", placeName(r.Site, r.Station), r.Drink, sig.Words)
		out.signal(sig)
	}
}

// places gathers one reading for what is compared when the day is closed.
func (w *Watch) places(s *station, b *Build, r *Reading, u, hw float64) {
	if vesselled[r.Measure] && b.Vessel != "" {
		// By station, to be added up in a fixed order.
		w.mark(mark{Measure: r.Measure, Site: s.Site, Station: s.Name, Vessel: b.Vessel, No: b.Shift.No, At: b.Started}, 1, u, hw)
	}
	if (r.Measure == "powder" || r.Measure == "syrup_pumps") && len(w.st.Pumped) < pumpedMost {
		w.st.Pumped = append(w.st.Pumped, pumped{place: place{b.Started.UTC(), b.ID}, Site: s.Site, Station: s.Name, Measure: r.Measure, Drink: b.Drink, U: u, Half: hw})
	}
}
