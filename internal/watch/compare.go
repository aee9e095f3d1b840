package watch

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"gonum.org/v1/gonum/stat/distuv"
)

// group is one lot, barista or release and one measure, seen at stations. What
// is gathered are contrasts: a subgroup with it less what the same station had
// without.
type group struct {
	Kind    SignalKind `json:"kind"`
	ID      string     `json:"id"`
	Measure string     `json:"measure"`
	Coffee  bool       `json:"coffee,omitempty"`
	// All is over all stations, At by station.
	All moments           `json:"all"`
	At  map[string]*share `json:"at"`
	// Recent are a barista's last contrasts, in order of time and station: what
	// somebody did months ago is no evidence of what they do now.
	Recent []recent  `json:"recent,omitempty"`
	Reads  int       `json:"reads"`
	Unit   float64   `json:"unit"` // half-width of the tolerance, last seen
	Looks  int       `json:"looks"`
	New    bool      `json:"new"` // contrasts since the last look
	Said   bool      `json:"said"`
	Since  time.Time `json:"since"`
	Seen   time.Time `json:"seen"`
}

// recent is one contrast.
type recent struct {
	At      time.Time `json:"at"`
	Station string    `json:"station"`
	X       float64   `json:"x"`
	Ref     float64   `json:"ref"`
	Reads   int       `json:"reads"`
}

// share is one station's part in a group.
type share struct {
	moments
	Reference float64 `json:"reference"`
	RefN      int     `json:"ref_n"` // subgroups behind the reference
}

// forerun keeps the level before and since the last change of lot or release.
type forerun struct {
	Key   string  `json:"key"`
	N     int     `json:"n"`
	Mean  float64 `json:"mean"`
	PrevN int     `json:"prev_n"`
	Prev  float64 `json:"prev"`
}

const (
	forerunMost  = 30 // subgroups that the level before may weigh
	forerunLeast = 4  // subgroups that it must have
	groupLeast   = 4  // contrasts before a group is tested
	recentMost   = 10 // contrasts of a barista that are looked at
	monthLooks   = 28 // daily looks that share a barista's chance of a false finding
)

// take moves on to key where it is new, and gives the contrast with before.
func (f *forerun) take(key string, x float64) (contrast float64, ok bool) {
	if key != f.Key {
		if f.N > 0 {
			n := f.PrevN + f.N
			f.Prev = (f.Prev*float64(f.PrevN) + f.Mean*float64(f.N)) / float64(n)
			f.PrevN = min(n, forerunMost)
		}
		f.Key, f.N, f.Mean = key, 0, 0
	}
	f.N++
	f.Mean += (x - f.Mean) / float64(f.N)
	return x - f.Prev, f.PrevN >= forerunLeast
}

func forerunOf(m map[string]*forerun, measure string) *forerun {
	f := m[measure]
	if f == nil {
		f = &forerun{}
		m[measure] = f
	}
	return f
}

// contrast feeds the groups from one subgroup.
func (w *Watch) contrast(s *station, c *charts, measure string, a *acc, unit float64, at time.Time, out *Out) {
	if coffee[bare(measure)] && s.CoffeeLot != "" {
		f := forerunOf(s.Lots, measure)
		if d, ok := f.take(s.CoffeeLot, a.Mean); ok {
			w.gather(SignalLot, s.CoffeeLot, measure, s, d, f.Prev, f.PrevN, a.N, unit, at)
		}
	}
	for _, milk := range sortedKeys(a.Milk) {
		lot, m := s.MilkLots[milk], a.Milk[milk]
		if lot == "" {
			lot = s.MilkLot
		}
		if lot == "" {
			continue
		}
		f := forerunOf(s.Lots, measure+"@"+milk)
		if d, ok := f.take(lot, m.Mean); ok {
			w.gather(SignalLot, lot, measure, s, d, f.Prev, f.PrevN, m.N, unit, at)
		}
	}
	if s.Release > 0 {
		f, key := forerunOf(s.Releases, measure), strconv.FormatUint(s.Release, 10)
		if d, ok := f.take(key, a.Mean); ok {
			w.gather(SignalRelease, key, measure, s, d, f.Prev, f.PrevN, a.N, unit, at)
		}
	}
	total := a.Mean * float64(a.N)
	for _, by := range sortedKeys(a.By) {
		m := a.By[by]
		rest := a.N - m.N
		var d, ref float64
		switch {
		case rest >= 1:
			ref = (total - m.Mean*float64(m.N)) / float64(rest)
		case c.Level.Base.N >= w.cfg.Baseline:
			ref = c.Level.Base.Mean // worked alone: against the station's own level
		default:
			continue
		}
		d = m.Mean - ref
		w.gather(SignalBarista, by, measure, s, d, ref, 0, m.N, unit, at)
		out.Points = append(out.Points, Point{Kind: SignalBarista, Site: s.Site, Station: s.Name, Barista: by, Key: measure, At: at, N: m.N, X: d})
	}
}

func (w *Watch) gather(kind SignalKind, id, measure string, s *station, d, ref float64, refN, reads int, unit float64, at time.Time) {
	k := string(kind) + "|" + id + "|" + measure
	if kind == SignalBarista {
		k = string(kind) + "|" + id + "|" + bare(measure)
	}
	g := w.st.Groups[k]
	if g == nil {
		g = &group{Kind: kind, ID: id, Measure: measure, Coffee: coffee[bare(measure)], At: map[string]*share{}, Since: at.UTC()}
		w.st.Groups[k] = g
	}
	g.Unit = unit
	g.New = true
	g.Seen = later(g.Seen, at)
	if kind == SignalBarista {
		g.remember(recent{At: at.UTC(), Station: s.key(), X: d, Ref: ref, Reads: reads})
		return
	}
	p := g.At[s.key()]
	if p == nil {
		p = &share{}
		g.At[s.key()] = p
	}
	p.take(d)
	p.Reference, p.RefN = ref, refN
	g.Reads += reads
	if at.Before(g.Since) {
		g.Since = at.UTC()
	}
}

// remember keeps the latest contrasts whatever the order they come in, and
// works the shares of the stations out anew.
func (g *group) remember(r recent) {
	i, _ := slices.BinarySearchFunc(g.Recent, r, func(a, b recent) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.Station, b.Station))
	})
	g.Recent = slices.Insert(g.Recent, i, r)
	if len(g.Recent) > recentMost {
		g.Recent = slices.Delete(g.Recent, 0, 1)
	}
	g.Since, g.Reads = g.Recent[0].At, 0
	clear(g.At)
	for _, o := range g.Recent {
		p := g.At[o.Station]
		if p == nil {
			p = &share{}
			g.At[o.Station] = p
		}
		p.take(o.X)
		p.Reference = o.Ref
		g.Reads += o.Reads
	}
}

// pool works a group out over its stations, in their order, so that the order
// in which stations were heard does not matter.
// It gives the standard error of the mean contrast and its degrees of freedom,
// 0 where there is none.
func (w *Watch) pool(g *group) (mean, se float64, df int) {
	g.All = moments{}
	var refVar float64
	var ss float64
	for _, k := range sortedKeys(g.At) {
		p := g.At[k]
		g.All.N += p.N
		mean += p.Mean * float64(p.N)
		ss += p.M2
	}
	n := float64(g.All.N)
	mean /= n
	between := 0.0
	for _, k := range sortedKeys(g.At) {
		p := g.At[k]
		between += float64(p.N) * (p.Mean - mean) * (p.Mean - mean)
		if p.RefN > 0 {
			refVar += float64(p.N*p.N) / float64(p.RefN)
		}
	}
	g.All.Mean, g.All.M2 = mean, ss+between
	if g.Kind == SignalBarista {
		df = g.All.N - 1
		if df < 1 || g.All.M2 <= 0 {
			return mean, 0, 0
		}
		return mean, math.Sqrt(g.All.M2 / float64(df) / n), df
	}
	// A lot's and a release's yardstick is the spread of ordinary shifts, known
	// from the stations' charts; what came before is itself uncertain.
	var bss, wss float64
	wdf, groups, reads := 0, 0, 0
	for _, k := range sortedKeys(g.At) {
		if s := w.st.Stations[k]; s != nil && s.Charts[g.Measure] != nil {
			c := s.Charts[g.Measure]
			bss += c.Level.Base.SS
			df += c.Level.Base.DF
			wss += c.WithinSS
			wdf += c.WithinDF
			groups += c.Groups
			reads += c.Reads
		}
	}
	if df < 1 || bss <= 0 {
		return mean, 0, 0
	}
	v := bss / float64(df)
	if wdf > 0 && g.Reads > 0 && reads > 0 {
		// One milk of several has fewer readings than the subgroup it is in.
		v += wss / float64(wdf) * max(0, n/float64(g.Reads)-float64(groups)/float64(reads))
	}
	return mean, math.Sqrt(v * (1/n + refVar/(n*n))), df
}

// compareGroups tests the groups with new contrasts. Every look of one group
// spends a share of its chance of a false finding, 6/(pi k)^2 at look k, so
// that all looks together cost no more than Config.Compare.
func (w *Watch) compareGroups(out *Out) {
	type cand struct {
		g       *group
		p, mean float64
	}
	var found []cand
	usual := w.contrastSpread()
	for _, k := range sortedKeys(w.st.Groups) {
		g := w.st.Groups[k]
		if !g.New || g.Said {
			continue
		}
		mean, se, df := w.pool(g)
		g.New = false
		if u := usual[g.Measure]; g.Kind == SignalBarista && u.DF > df {
			// Contrasts of one person are few; those of all say how far they
			// scatter, unless this person's scatter more.
			se, df = max(se, u.sd()/math.Sqrt(float64(g.All.N))), u.DF
		}
		if g.All.N < groupLeast || df < 3 || se <= 0 {
			continue
		}
		g.Looks++
		// Not whether there is a difference, for there is always some, but
		// whether it is surely beyond what is worth an action.
		spend := w.cfg.Compare * 6 / (math.Pi * math.Pi * float64(g.Looks*g.Looks))
		if g.Kind == SignalBarista {
			spend = w.cfg.Compare / monthLooks
		}
		t := (math.Abs(mean) - w.cfg.Material) / se
		if math.Erfc(t/math.Sqrt2) > spend {
			continue // the normal law's tail is quick, and t has a longer one
		}
		p := min(1, 2*distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(df)}.Survival(t))
		if p <= spend {
			found = append(found, cand{g, p, mean})
		}
	}
	// Those who work beside an odd one look odd the other way: the largest
	// speaks first and its mirror images wait for the next look.
	slices.SortStableFunc(found, func(a, b cand) int {
		switch x, y := math.Abs(a.mean), math.Abs(b.mean); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return strings.Compare(a.g.ID+a.g.Measure, b.g.ID+b.g.Measure)
	})
	for i, c := range found {
		mirror := slices.ContainsFunc(found[:i], func(o cand) bool {
			return c.g.Kind == SignalBarista && o.g.Kind == SignalBarista && bare(o.g.Measure) == bare(c.g.Measure) && o.mean*c.mean < 0 && meet(o.g, c.g)
		})
		if !mirror {
			c.g.Said = true
			out.signal(w.groupSignal(c.g, c.mean, c.p))
		}
	}
}

// contrastSpread pools the scatter of each person's contrasts over all people,
// by measure.
func (w *Watch) contrastSpread() map[string]base {
	out := map[string]base{}
	for _, k := range sortedKeys(w.st.Groups) {
		g := w.st.Groups[k]
		if g.Kind != SignalBarista {
			continue
		}
		var m moments
		for _, r := range g.Recent {
			m.take(r.X)
		}
		if m.N > 1 {
			b := out[g.Measure]
			b.SS += m.M2
			b.DF += m.N - 1
			out[g.Measure] = b
		}
	}
	return out
}

func meet(a, b *group) bool {
	for k := range a.At {
		if b.At[k] != nil {
			return true
		}
	}
	return false
}

func (w *Watch) groupSignal(g *group, mean, p float64) Signal {
	dir := 1
	if mean < 0 {
		dir = -1
	}
	sig := Signal{Kind: g.Kind, Measure: g.Measure, Direction: dir, Began: g.Since, Seen: g.Seen, N: g.Reads, After: mean, P: p,
		Moved: mean * g.Unit, Method: "t test of contrasts within stations against the least difference worth an action, level spent over looks; independent subgroups supposed"}
	if g.All.N > 1 {
		sig.SD = math.Sqrt(g.All.M2 / float64(g.All.N-1))
	}
	sites := map[string]bool{}
	var each []string
	for _, k := range sortedKeys(g.At) {
		site, name, _ := strings.Cut(k, "/")
		sites[site] = true
		sd := sig.SD
		if s := w.st.Stations[k]; s != nil && s.Charts[g.Measure] != nil && s.Charts[g.Measure].Level.Base.DF > 0 {
			sd = s.Charts[g.Measure].Level.Base.sd()
		}
		sh := g.At[k]
		sig.Where = append(sig.Where, Where{site, name, sh.Reference, sh.Reference + sh.Mean, sd})
		if len(each) < 6 {
			each = append(each, fmt.Sprintf("%s %s", k, moved(sh.Mean*g.Unit, unitOf(g.Measure))))
		}
	}
	if len(sites) == 1 {
		sig.Site = sortedKeys(sites)[0]
	}
	who := ""
	switch g.Kind {
	case SignalLot:
		sig.Lot, who = g.ID, "milk lot "+g.ID
		if g.Coffee {
			who = "coffee lot " + g.ID
			sig.CoffeeLot = g.ID
		} else {
			sig.MilkLot = g.ID
		}
	case SignalBarista:
		sig.Barista, who = g.ID, "drinks made by "+g.ID
	case SignalRelease:
		sig.Release, _ = strconv.ParseUint(g.ID, 10, 64)
		who = "release " + g.ID
	}
	against := map[SignalKind]string{SignalLot: "the lots before", SignalBarista: "those beside", SignalRelease: "the release before"}[g.Kind]
	sig.Words = fmt.Sprintf("%s: %s %s against %s, %.2f half-widths of the tolerance, over %d subgroups at %d stations of %d sites (%s); %s (p %.1g)",
		who, label(g.Measure), moved(sig.Moved, unitOf(g.Measure)), against, mean, g.All.N, len(g.At), len(sites), strings.Join(each, "; "), sure(p), p)
	return sig
}

// chartOf gives a chart, a new one where there is none; beyond mostCharts, which
// only names without end can bring, one that is silent since it is not kept.
func chartOf(m map[string]*chart, k string) *chart {
	c := m[k]
	if c == nil {
		c = &chart{}
		if len(m) < mostCharts {
			m[k] = c
		}
	}
	return c
}

func median(xs []float64) float64 {
	slices.Sort(xs)
	n := len(xs)
	if n%2 == 1 {
		return xs[n/2]
	}
	return (xs[n/2-1] + xs[n/2]) / 2
}
