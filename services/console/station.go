package console

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/method"
)

// stationPage is a station's day: every shot on one time axis.
type stationPage struct {
	Site, Station, Name string
	Day                 time.Time
	Before, After       string
	State, Tone         string
	Heard, Release      string
	Made                *shareFigure
	Builds              int
	Chart               *Figure
	Table               *Table
	Cut                 bool
	All                 string
	Events              *Table
}

// maxDayBuilds of one station are drawn; a bar makes fewer in a day.
const maxDayBuilds = 2000

func stationDay(v *visit) (*view, error) {
	site, station := v.PathValue("site"), v.PathValue("station")
	sites := v.sites()
	zone := sites.zone(site)
	p := &stationPage{Site: site, Station: station, Name: sites.name(site) + ", " + station}
	if err := p.day(v, zone); err != nil {
		return nil, err
	}
	one := span{p.Day, p.Day}
	f := one.filter()
	f.Stations = []string{site + "/" + station}
	var list []*pb.Station
	var in *pb.GetIntakeResponse
	var builds []*pb.JudgedBuild
	var cut bool
	var err, errIntake, errBuilds error
	var asking sync.WaitGroup
	asking.Go(func() { list, err = v.stations() })
	asking.Go(func() { in, errIntake = v.ask.quality.GetIntake(v.ctx, &pb.GetIntakeRequest{}) })
	asking.Go(func() { builds, cut, errBuilds = v.listBuilds(&pb.ListBuildsRequest{Filter: f}, maxDayBuilds) })
	asking.Wait()
	if v.part("what the fleet knows of it", err) {
		i := slices.IndexFunc(list, func(s *pb.Station) bool { return s.Site == site && s.Station == station })
		if i < 0 {
			return nil, notFound("station", site+"/"+station, link{"/stations", "All stations"})
		}
		v.part("what quality counted", errIntake)
		s := list[i]
		if p.State, p.Tone = trouble(s, intakeBy(in)[site+"/"+station], v.now); p.State == "" {
			p.State, p.Tone = "well", "good"
		}
		p.Heard = clock(s.PresenceTime, zone, v.now)
		p.Release = fmt.Sprint(s.GetPresence().GetRelease())
	}
	if errBuilds != nil {
		return nil, errBuilds
	}
	p.Builds, p.Cut = len(builds), cut
	p.All = buildsLink(one, "station", site+"/"+station)
	var bad, n int64
	for _, b := range builds {
		if b.Verdict != nil {
			n++
			if g := b.Verdict.Grade; g == pb.Grade_GRADE_OFF_SPEC || g == pb.Grade_GRADE_UNSAFE {
				bad++
			}
		}
	}
	p.Made = newShare(bad, n, buildsLink(one, "station", site+"/"+station, "grade", "off"))
	slices.SortStableFunc(builds, func(a, b *pb.JudgedBuild) int {
		return a.Build.StartedTime.AsTime().Compare(b.Build.StartedTime.AsTime())
	})
	out := &view{Title: p.Name + ", " + dateWords(p.Day, "2 January 2006"), Data: p}
	p.Table = v.buildTable(builds, sites)
	p.Table.Caption = "Every build of the day"
	p.Table.Empty = "Nothing was logged on this day."
	p.Events = eventTable(builds, zone)
	out.Tables = []*Table{p.Table, p.Events}
	if p.Chart = v.dayFigure(p, builds, zone); p.Chart != nil {
		out.Figures = []*Figure{p.Chart}
	}
	return out, nil
}

// day reads ?day=, or takes today by the clock at the site.
func (p *stationPage) day(v *visit, zone *time.Location) error {
	text := v.URL.Query().Get("day")
	if text == "" {
		text = v.now.In(zone).Format(time.DateOnly)
	}
	var err error
	if p.Day, err = time.Parse(time.DateOnly, text); err != nil {
		return badRequest("The day", fmt.Sprintf("%q is not a date", text), "write it as 2026-11-02")
	}
	p.Before, p.After = stationLink(p.Site, p.Station, shiftDay(text, -1)), stationLink(p.Site, p.Station, shiftDay(text, 1))
	return nil
}

// listBuilds reads up to most builds; cut says that there are more.
func (v *visit) listBuilds(req *pb.ListBuildsRequest, most int) (out []*pb.JudgedBuild, cut bool, err error) {
	req.PageSize = int32(min(most, 1000)) // #nosec G115 -- at most 1000
	for {
		res, err := v.ask.insight.ListBuilds(v.ctx, req)
		if err != nil {
			return nil, false, err
		}
		out = append(out, res.Builds...)
		if req.PageToken = res.NextPageToken; req.PageToken == "" {
			return out, false, nil
		}
		if len(out) >= most {
			return out[:most], true, nil
		}
	}
}

// shot is one reading on the time axis.
type shot struct {
	at    time.Time
	value float64
	build *pb.JudgedBuild
	check *drink.Check
	off   bool
}

// dayFigure draws each measure of the day on the same time axis.
func (v *visit) dayFigure(p *stationPage, builds []*pb.JudgedBuild, zone *time.Location) *Figure {
	by := map[string][]shot{}
	n := 0
	for _, b := range builds {
		bk, _ := v.bookOf(b.Build.Release)
		for _, r := range b.Build.Readings {
			m := bk.measure(r.Check)
			if m == nil || r.Unit != string(m.Unit) || drink.Milli(r.ValueMilli) < m.Least || drink.Milli(r.ValueMilli) > m.Most {
				continue
			}
			at := b.Build.FinishedTime.AsTime()
			if r.MeasuredTime != nil {
				at = r.MeasuredTime.AsTime()
			}
			s := shot{at: at.In(zone), value: float64(r.ValueMilli) / 1000, build: b, check: bk.check(b.Build.Serving, r.Check)}
			for _, f := range b.Verdict.GetFindings() {
				s.off = s.off || f.Check == r.Check && (f.Occurrence == r.Occurrence || f.Occurrence == 0) && (f.Kind == "below_tolerance" || f.Kind == "above_tolerance" || f.Kind == "above_hard_maximum")
			}
			by[m.Code] = append(by[m.Code], s)
			n++
		}
	}
	if n == 0 {
		return nil
	}
	from, to := builds[0].Build.StartedTime.AsTime().In(zone), builds[len(builds)-1].Build.FinishedTime.AsTime().In(zone).Add(15*time.Minute)
	from = time.Date(from.Year(), from.Month(), from.Day(), from.Hour(), 0, 0, 0, zone)
	if to.Sub(from) < 2*time.Hour {
		to = from.Add(2 * time.Hour)
	}
	x := chart.ClockAxis(from, to)
	seen := barMarks(builds, from)
	title := fmt.Sprintf("%s on %s: every reading", p.Name, dateWords(p.Day, "2 January 2006"))
	t := &Table{ID: "day-data", Caption: title, Cols: cols("time", "measure", "#value", "unit", "tolerance of the book", "serving", "#release", "outside")}
	c := &chart.Chart{ID: "day", Title: title, N: fmt.Sprintf("n = %s readings of %s", count(int64(n)), plural(len(builds), "build", "builds")), PanelHeight: 190,
		Desc: "Each panel is one measure; all share the time axis", Method: "Single readings by the station's clock, each before the tolerance that its drink has in the release it was made by; a diamond lies outside. Marks are what the station told of its bar, and the first sight of a lot or a release"}
	codes := make([]string, 0, len(by))
	for code := range by {
		codes = append(codes, code)
	}
	slices.SortFunc(codes, func(a, b string) int { return cmp.Compare(measureOrder(a), measureOrder(b)) })
	for i, code := range codes {
		pan := dayPanel(by[code], drink.MeasureByCode(code), x, from, t, v.read)
		if i == 0 {
			pan.Marks = seen
		} else {
			for _, m := range seen {
				pan.Marks = append(pan.Marks, chart.Mark{X: m.X})
			}
		}
		if i < len(codes)-1 {
			pan.X.Name = ""
		}
		c.Panels = append(c.Panels, pan)
	}
	return &Figure{Chart: c, Table: t, Help: []string{method.Day}}
}

func dayPanel(shots []shot, m *drink.Measure, x chart.Axis, from time.Time, t *Table, read reader) chart.Panel {
	lo, hi := math.Inf(1), math.Inf(-1)
	p := chart.Panel{Title: sentenceCase(m.Label), X: x}
	half := x.Max / 260
	same := sameLimits(shots)
	for _, s := range shots {
		at := s.at.Sub(from).Seconds()
		value := read.value(s.value, m.Unit)
		lo, hi = math.Min(lo, value), math.Max(hi, value)
		tolerance := text("no tolerance known")
		if k := s.check; k != nil {
			tolerance = both(read.limits(k, m.Unit), metric.limits(k, m.Unit))
			tol := chart.Tolerance{From: at - half, To: at + half}
			for _, e := range []struct {
				v    drink.Milli
				open drink.Milli
				to   **float64
			}{{k.Low, drink.NoLow, &tol.Low}, {k.High, drink.NoHigh, &tol.High}} {
				if e.v != e.open {
					f := read.value(e.v.Float(), m.Unit)
					*e.to = &f
					lo, hi = math.Min(lo, f), math.Max(hi, f)
				}
			}
			switch {
			case same && len(p.Tolerances) == 0:
				tol.From, tol.To, tol.Label = 0, 0, "tolerance"
				p.Tolerances = append(p.Tolerances, tol)
			case !same:
				p.Tolerances = append(p.Tolerances, tol)
			}
		}
		b := s.build.Build
		q := chart.Point{XY: chart.XY{X: at, Y: value}, Href: buildLink(b.Id), Text: fmt.Sprintf("%s: %s %s, %s; tolerance %s", s.at.Format("15:04"), m.Label, read.quantity(s.value*1000, m.Unit), strings.ReplaceAll(b.Serving, "/", ", "), tolerance.Text)}
		outside := ""
		if s.off {
			q.Shape, outside = chart.Diamond, "yes"
		}
		p.Points = append(p.Points, q)
		t.add(head(s.at.Format("15:04:05"), q.Href), text(m.Label), both(read.number(s.value*1000, m.Unit), metric.number(s.value*1000, m.Unit)), Cell{Text: read.symbol(m.Unit), CSV: m.Unit.Symbol()}, tolerance, text(b.Serving), textf("%d", b.Release), text(outside))
	}
	p.Y = chart.NewAxis(read.axisName(m, m.Code), lo, hi)
	return p
}

func sameLimits(shots []shot) bool {
	for _, s := range shots {
		if s.check == nil || s.check.Low != shots[0].check.Low || s.check.High != shots[0].check.High {
			return false
		}
	}
	return true
}

// eventWords is what happened at the bar, as people say it.
func eventWords(e *pb.BarEvent) string {
	words, ok := map[string]string{"adjusted": "grinder set", "new_lot": "coffee lot", "new_milk_lot": "milk lot", "new_burrs": "new burrs", "serviced": "serviced",
		"new_cups": "cups delivered", "missed": "check not done", "offline": "cut off"}[e.Kind]
	if !ok {
		words = plain(e.Kind)
	}
	if e.Detail != "" {
		words += " " + e.Detail
	}
	return words
}

// eventTable lists what the station told of its bar.
func eventTable(builds []*pb.JudgedBuild, zone *time.Location) *Table {
	t := &Table{ID: "events", Caption: "What happened at the bar", Cols: cols("time", "~what", "by"), Empty: "The station told of no adjustment, delivery or missed check on this day."}
	for _, b := range builds {
		for _, e := range b.Build.Events {
			if e.Time != nil {
				t.add(head(e.Time.AsTime().In(zone).Format("15:04 MST"), ""), text(eventWords(e)), text(e.By))
			}
		}
	}
	return t
}

// barMarks are what the station told of its bar, and the first sight of each lot and
// release.
func barMarks(builds []*pb.JudgedBuild, from time.Time) []chart.Mark {
	var out []chart.Mark
	lots := map[string]bool{}
	release := uint64(0)
	for _, b := range builds {
		at := b.Build.StartedTime.AsTime().Sub(from).Seconds()
		if b.Build.Release != release {
			release = b.Build.Release
			out = append(out, chart.Mark{X: at, Label: fmt.Sprintf("release %d", release)})
		}
		for _, e := range b.Build.Events {
			if e.Time != nil {
				out = append(out, chart.Mark{X: e.Time.AsTime().Sub(from).Seconds(), Label: eventWords(e)})
			}
		}
		for _, l := range b.Build.Lots {
			if !lots[l] {
				lots[l] = true
				out = append(out, chart.Mark{X: at, Label: "lot " + l})
			}
		}
	}
	return out
}
