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
	Made, Checks        *shareFigure
	Builds              int
	Chart               *Figure
	Table               *Table
	Cut                 bool
	All                 string
	Events              *Table
}

// stationRows of a day's builds and events stand on the page; the chart has all.
const stationRows = 20

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
	p.Table.Caption, p.Table.Most = "Every build of the day", stationRows
	p.Table.Empty = "Nothing was logged on this day."
	p.Checks = checksDone(builds)
	happened := happenings(builds)
	p.Events = eventTable(happened, zone)
	out.Tables = []*Table{p.Table, p.Events}
	if p.Chart = v.dayFigure(p, builds, happened, zone); p.Chart != nil {
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
func (v *visit) dayFigure(p *stationPage, builds []*pb.JudgedBuild, happened []happening, zone *time.Location) *Figure {
	by := map[string][]shot{}
	n, off := 0, 0
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
			if s.off {
				off++
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
	title := fmt.Sprintf("%s on %s: every reading", p.Name, dateWords(p.Day, "2 January 2006"))
	t := &Table{ID: "day-data", Caption: title, Cols: cols("time", "measure", "#value", "unit", "tolerance of the book", "serving", "#release", "outside")}
	c := &chart.Chart{ID: "day", Title: title, N: fmt.Sprintf("n = %s readings of %s", count(int64(n)), plural(len(builds), "build", "builds")), PanelHeight: 190, Diamond: "outside its tolerance",
		Desc: fmt.Sprintf("%s of %s readings lie outside their tolerance; all panels share the time axis", count(int64(off)), count(int64(n))), Method: "Single readings by the station's clock, each before the tolerance that its drink has in the release it was made by; a diamond lies outside. The rows beneath are what the station told of its bar, and the first sight of a lot or a release; dotted lines repeat what moves a measure"}
	codes := make([]string, 0, len(by))
	for code := range by {
		codes = append(codes, code)
	}
	slices.SortFunc(codes, func(a, b string) int { return cmp.Compare(measureOrder(a), measureOrder(b)) })
	for _, code := range codes {
		pan := dayPanel(by[code], drink.MeasureByCode(code), x, from, t, v.read)
		pan.Marks = dayMarks(happened, code, from)
		pan.X.Name = ""
		c.Panels = append(c.Panels, pan)
	}
	if len(happened) > 0 {
		c.Panels = append(c.Panels, chart.Panel{Title: "What happened at the bar", X: x, Lanes: dayLanes(happened, from, zone)})
	}
	c.Panels[len(c.Panels)-1].X.Name = x.Name
	return &Figure{Chart: c, Table: t, Help: []string{method.Day}}
}

func dayPanel(shots []shot, m *drink.Measure, x chart.Axis, from time.Time, t *Table, read reader) chart.Panel {
	lo, hi := math.Inf(1), math.Inf(-1)
	p := chart.Panel{Title: sentenceCase(m.Label), X: x}
	half := x.Max / 260
	same := sameLimits(shots)
	for _, s := range shots {
		at := s.at.Sub(from).Seconds()
		value := read.Value(s.value, m.Unit)
		lo, hi = math.Min(lo, value), math.Max(hi, value)
		tolerance := text("no tolerance known")
		if k := s.check; k != nil {
			tolerance = both(read.Limits(k, m.Unit), metric.Limits(k, m.Unit))
			tol := chart.Tolerance{From: at - half, To: at + half}
			for _, e := range []struct {
				v    drink.Milli
				open drink.Milli
				to   **float64
			}{{k.Low, drink.NoLow, &tol.Low}, {k.High, drink.NoHigh, &tol.High}} {
				if e.v != e.open {
					f := rounded(read.Value(e.v.Float(), m.Unit), read.Decimals(m.Unit, 3))
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
		q := chart.Point{XY: chart.XY{X: at, Y: value}, Href: buildLink(b.Id), Text: fmt.Sprintf("%s: %s %s, %s; tolerance %s", s.at.Format("15:04"), m.Label, read.Quantity(s.value*1000, m.Unit), strings.ReplaceAll(b.Serving, "/", ", "), tolerance.Text)}
		outside := ""
		if s.off {
			q.Shape, outside = chart.Diamond, "yes"
		}
		p.Points = append(p.Points, q)
		t.add(head(s.at.Format("15:04:05"), q.Href), text(m.Label), both(read.Number(s.value*1000, m.Unit), metric.Number(s.value*1000, m.Unit)), Cell{Text: read.Symbol(m.Unit), CSV: m.Unit.Symbol()}, tolerance, text(b.Serving), textf("%d", b.Release), text(outside))
	}
	p.Y = chart.NewAxis(axisName(read, m, m.Code), lo, hi)
	return p
}

// rounded leaves so many decimals: a tolerance is named beside its edge.
func rounded(v float64, decimals int) float64 {
	ten := math.Pow10(decimals)
	return math.Round(v*ten) / ten
}

func sameLimits(shots []shot) bool {
	for _, s := range shots {
		if s.check == nil || s.check.Low != shots[0].check.Low || s.check.High != shots[0].check.High {
			return false
		}
	}
	return true
}
