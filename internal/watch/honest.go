package watch

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"samecup.example/samecup/internal/stat"
)

// person is what is kept of one pseudonym's log, or of a station's where no
// name is logged: the last readings, to be screened once a day. Nothing here
// is about how well somebody works: levels and tolerances play no part, save
// whether failures are logged at all.
type person struct {
	Site   string              `json:"site"`
	At     string              `json:"at"` // station seen last
	Seen   time.Time           `json:"seen"`
	New    int                 `json:"new"` // builds since the last screening
	Values map[string][]logged `json:"values"`
	Builds []loggedBuild       `json:"builds"`
	Tried  tally               `json:"tried"` // measured builds of late and those off spec
	// SaidDay is the business day of the last question.
	SaidDay time.Time `json:"said_day"`
	// Sessions are the last shifts, for screens that need more than one.
	Sessions []session `json:"sessions,omitempty"`
}

// logged is one reading as typed.
type logged struct {
	V    float64 `json:"v"`
	U    float64 `json:"u"`
	Half float64 `json:"h"`
	Res  float64 `json:"r"`
	High float64 `json:"hi"` // limits as u
	Hour float64 `json:"t"`  // since the last adjustment, -1 where not known
	place
}

// place orders what one person logs at several stations at once.
type place struct {
	At time.Time `json:"s"`
	ID string    `json:"i"` // of the build, and the occurrence
}

func (p place) order() place { return p }

type loggedBuild struct {
	place
	Entered time.Time  `json:"e"`
	Vector  [3]float64 `json:"v"` // dose, yield, shot time; 0 where not read
}

const (
	logMost   = 90  // readings of a measure
	logBuilds = 60  // builds
	triedMost = 300 // after this the count of tries begins to fade
	// spreadScreen is how many of the last readings are looked at for too
	// little spread: few, so that a change shows within a shift or two.
	spreadScreen = 30
	// leastSkill is the spread of the steadiest hands as a share of the
	// chain's: common practice, no source.
	leastSkill = 0.4
	// asleep is after how long without a build a log is let go.
	asleep = 45 * 24 * time.Hour
)

// deviceSD is the least honest spread of a reading in base units: the total
// error of the usual instrument, whatever the hands. Common practice, no
// source.
var deviceSD = map[string]float64{"dose": 0.1, "yield": 0.4, "shot_time": 0.3, "milk_temp": 0.8, "cup_mass": 2, "froth_depth": 1}

// vectored are the measures whose joint repetition is screened.
var vectored = [3]string{"dose", "yield", "shot_time"}

func (w *Watch) keepLog(s *station, b *Build) {
	if b.Audited {
		w.st.Audits.N++
		for i := range b.Findings {
			if _, ok := perReading(findingKey(&b.Findings[i])); ok {
				w.st.Audits.Bad++
				break
			}
		}
		return
	}
	k := b.Site + "|" + b.By
	if b.By == "" {
		k = b.Site + "/" + b.Station
	}
	s.keepDesk(k, b)
	if !b.Sampled {
		return // what a machine logs by itself is only a yardstick
	}
	p := w.st.People[k]
	if p == nil {
		p = &person{Site: b.Site, Values: map[string][]logged{}}
		w.st.People[k] = p
	}
	if at := b.Started.UTC(); at.After(p.Seen) || at.Equal(p.Seen) && b.Station > p.At {
		p.At, p.Seen = b.Station, at
	}
	p.New++
	p.Tried.N++
	for i := range b.Findings {
		if _, ok := perReading(findingKey(&b.Findings[i])); ok {
			p.Tried.Bad++
			break
		}
	}
	weighed := weighedShots(b)
	lb := loggedBuild{place: place{b.Started.UTC(), b.ID}, Entered: b.Entered.UTC()}
	for i := range b.Readings {
		r := &b.Readings[i]
		if !finite(r) || byMachine(r, weighed) {
			continue
		}
		for j, m := range vectored {
			if m == r.Measure && lb.Vector[j] == 0 {
				lb.Vector[j] = r.Value
			}
		}
		hw := half(r)
		l := logged{V: r.Value, U: (r.Value - r.Target) / hw, Half: hw, Res: r.Resolution, High: 99, Hour: -1,
			place: place{b.Started.UTC(), b.ID + "/" + r.Check + strconv.Itoa(r.Occurrence)}}
		if !math.IsInf(r.High, 0) && !math.IsNaN(r.High) {
			l.High = (r.High - r.Target) / hw
		}
		if !s.Adjusted.IsZero() {
			l.Hour = b.Started.Sub(s.Adjusted).Hours()
		}
		p.Values[r.Measure] = push(p.Values[r.Measure], l, logMost)
	}
	p.Builds = push(p.Builds, lb, logBuilds)
}

// push inserts by time, so that the order in which stations are heard does not
// matter, and lets go of the oldest.
func push[T interface{ order() place }](list []T, v T, most int) []T {
	i := len(list)
	for i > 0 && after(list[i-1].order(), v.order()) {
		i--
	}
	list = slices.Insert(list, i, v)
	if len(list) > most {
		list = slices.Delete(list, 0, 1)
	}
	return list
}

func after(a, b place) bool {
	if c := a.At.Compare(b.At); c != 0 {
		return c > 0
	}
	return a.ID > b.ID
}

// yardsticks are what honest work at this chain looks like at least.
type yardsticks struct {
	sd    map[string]float64 // in half-widths, pooled within subgroups
	df    map[string]int
	fails float64
	drift float64 // half-widths an hour
	// level and levelSD are of people's own levels by measure, robust.
	level, levelSD map[string]float64
}

func (w *Watch) yardsticks() yardsticks {
	y := yardsticks{sd: map[string]float64{}, df: map[string]int{}, level: map[string]float64{}, levelSD: map[string]float64{}}
	ss := map[string]float64{}
	var sampled tally
	var slopes []float64
	for _, k := range sortedKeys(w.st.Stations) {
		s := w.st.Stations[k]
		sampled.N += s.Sampled.N
		sampled.Bad += s.Sampled.Bad
		for _, m := range sortedKeys(s.Charts) {
			c := s.Charts[m]
			ss[bare(m)] += c.WithinSS
			y.df[bare(m)] += c.WithinDF
			if m == "shot_time" && c.Trend.Base.N >= w.cfg.Baseline {
				slopes = append(slopes, c.Trend.Base.Mean)
			}
		}
	}
	for m, v := range ss {
		if y.df[m] > 0 {
			y.sd[m] = math.Sqrt(v / float64(y.df[m]))
		}
	}
	w.levels(&y)
	// Audits where there are enough; else what the chain logs, halved, since
	// steady hands fail less often.
	switch {
	case w.st.Audits.N >= 50:
		y.fails = float64(w.st.Audits.Bad) / float64(w.st.Audits.N) / 2
	case sampled.N >= 300:
		y.fails = float64(sampled.Bad) / float64(sampled.N) / 2
	}
	if len(slopes) >= 3 {
		y.drift = median(slopes) / 2
	}
	return y
}

// screenLogs asks about logs that honest work seldom writes. All screens of
// all logs are adjusted together, and a question needs two independent ones
// (stat.Questions).
func (w *Watch) screenLogs(out *Out) {
	y := w.yardsticks()
	w.st.Usual = map[string]float64{}
	for m, sd := range y.sd {
		if y.df[m] >= 30 {
			w.st.Usual[m] = sd
		}
	}
	w.st.Levels = map[string]peopleLevel{}
	for m, sd := range y.levelSD {
		w.st.Levels[m] = peopleLevel{y.level[m], sd}
	}
	var all []stat.StationScreens
	var fresh []string
	at := map[string]*person{}
	for _, k := range sortedKeys(w.st.People) {
		p := w.st.People[k]
		if w.st.Last.Sub(p.Seen) > asleep {
			delete(w.st.People, k)
			continue
		}
		if p.New < 5 {
			continue
		}
		p.New = 0
		fresh = append(fresh, k)
		if p.Tried.N > triedMost {
			p.Tried.N, p.Tried.Bad = p.Tried.N/2, p.Tried.Bad/2
		}
		if list := p.screens(y); len(list) > 0 {
			all = append(all, stat.StationScreens{Station: k, Screens: list})
			at[k] = p
		}
	}
	w.lookBack(fresh, out)
	qs, err := stat.Questions(all, w.cfg.FalseQuestions)
	if err != nil {
		return // only a share out of range can bring this, and check refused it
	}
	for _, q := range qs {
		p := at[q.Station]
		if !q.Put || p.asked(w.st.Day) {
			continue
		}
		who := ""
		if _, by, ok := strings.Cut(q.Station, "|"); ok {
			who = by
		}
		var grounds []string
		worst, asks := 0.0, []string{}
		for _, g := range q.Grounds {
			grounds = append(grounds, fmt.Sprintf("%s: %s", g.Screen.Kind, g.Screen.Finding))
			if !slices.Contains(asks, g.Screen.Question) {
				asks = append(asks, g.Screen.Question)
			}
			if !g.Screen.ByRule {
				worst = max(worst, g.Adjusted)
			}
		}
		out.signal(Signal{Kind: SignalQuestion, Method: "screens of the log, Benjamini-Hochberg over all logs, two independent ones needed", Site: p.Site, Station: p.At,
			Barista: who, Began: p.since(), Seen: p.Seen, N: len(p.Builds), P: worst, Sure: "a question, not a finding", Again: !p.SaidDay.IsZero(),
			Words: fmt.Sprintf("%s, log of %s: please ask, it is no verdict: %s (%s)", p.Site, firstOf(who, p.At), strings.Join(asks, " "), strings.Join(grounds, "; "))})
		p.SaidDay = w.st.Day
	}
}

func firstOf(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

func (p *person) since() time.Time {
	if len(p.Builds) == 0 {
		return p.Seen
	}
	return p.Builds[max(0, len(p.Builds)-spreadScreen)].place.At
}

// screens runs what applies. Errors of stat are screens that do not apply:
// what they refuse (no resolution, say) is no reason to ask anybody.
func (p *person) screens(y yardsticks) []stat.Screen {
	var out []stat.Screen
	add := func(s stat.Screen, err error) {
		if err == nil && s.Applies {
			out = append(out, s)
		}
	}
	var buf [2][logMost]float64
	for _, m := range sortedKeys(p.Values) {
		list := p.Values[m]
		list = list[max(0, len(list)-logMost):]
		v, u := buf[0][:len(list)], buf[1][:len(list)]
		var hours, drifted []float64
		res, mixed, hw, high := list[0].Res, false, 0.0, list[0].High
		for i, l := range list {
			v[i], u[i] = l.V, l.U
			mixed = mixed || l.Res != res
			hw += l.Half / float64(len(list))
			if l.High != high {
				high = 99
			}
			if m == "shot_time" && l.Hour >= 0 && l.Hour < 6 {
				hours, drifted = append(hours, l.Hour), append(drifted, l.U)
			}
		}
		if y.df[m] >= 30 {
			// In half-widths, so that drinks of unlike targets may be mixed.
			// Asked only of what is below both the instrument's error and the
			// steadiest hands.
			floor := leastSkill * y.sd[m]
			if d := deviceSD[m] / hw; d > 0 {
				floor = min(floor, d)
			}
			add(stat.VarianceScreen(u[max(0, len(u)-spreadScreen):], floor, 0))
		}
		if m == "shot_time" && y.drift != 0 {
			add(stat.NoDriftScreen(drifted, hours, y.drift))
		}
		if mixed || res <= 0 {
			continue
		}
		add(stat.HeapingScreen(v, res))
		add(stat.LastDigitScreen(v, res))
		if sameHalf(list) {
			add(stat.RunsScreen(v, res, y.sd[m]*hw))
		}
		if high < 99 {
			// A pile-up is looked for a sixth of the tolerance wide.
			add(stat.EdgeScreen(u, high, 1.0/3, res/hw, true))
		}
	}
	// Steady hands fail seldom: what their own spread leads to is no second
	// ground beside it.
	if fails := min(y.fails, p.ownFails()); fails > 0 && p.Tried.N >= 20 && p.Tried.Bad < p.Tried.N {
		add(stat.NoFailuresScreen(p.Tried.N, p.Tried.Bad, fails))
	}
	add(p.onTarget(y), nil)
	measured, entered := make([]time.Time, 0, len(p.Builds)), make([]time.Time, 0, len(p.Builds))
	var rows [][]float64
	for _, b := range p.Builds {
		if !b.Entered.IsZero() {
			measured, entered = append(measured, b.place.At), append(entered, b.Entered)
		}
		if b.Vector[0] != 0 && b.Vector[1] != 0 && b.Vector[2] != 0 {
			rows = append(rows, b.Vector[:])
		}
	}
	order := make([]int, len(entered))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return entered[a].Compare(entered[b]) })
	ms, es := make([]time.Time, len(order)), make([]time.Time, len(order))
	for i, o := range order {
		ms[i], es[i] = measured[o], entered[o]
	}
	add(stat.BatchScreen(ms, es))
	var steps []float64
	for _, m := range vectored {
		if l := p.Values[m]; len(l) > 0 && l[0].Res > 0 {
			steps = append(steps, l[0].Res)
		}
	}
	if len(steps) == len(vectored) {
		add(stat.DuplicatesScreen(rows, steps))
	}
	return out
}

// sameHalf says that all readings have one target, as far as half-widths and
// values tell: runs across drinks of unlike targets mean nothing.
func sameHalf(list []logged) bool {
	for _, l := range list {
		if math.Abs((l.V-l.U*l.Half)-(list[0].V-list[0].U*list[0].Half)) > 1e-6 {
			return false
		}
	}
	return true
}
