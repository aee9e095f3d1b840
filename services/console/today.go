package console

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"sync"
	"time"

	"samecup.example/samecup/internal/stat"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/method"
)

// todayPage answers in one look: what needs me today?
type todayPage struct {
	// Lead is the answer in a sentence, Tone its state; First is what to begin
	// with.
	Lead, Tone  string
	First       *link
	Cases       *Table
	MoreCases   int
	Signals     *Table
	Stations    *Table
	Questions   int
	Yesterday   *shareFigure
	Before      *shareFigure
	Chart       *Figure
	StationsAll int
	// Waiting says how far the watch is behind.
	Waiting string
}

// shareFigure is a share with its interval and the builds beneath it.
type shareFigure struct {
	Share, Interval, N, Href string
	// Of is what the share is of; empty for judged builds off spec.
	Of string
}

func newShare(bad, n int64, href string) *shareFigure {
	if n <= 0 {
		return nil
	}
	b, err := stat.Wilson(int(bad), int(n), 0.95)
	if err != nil {
		return nil
	}
	return &shareFigure{Share: percent(float64(bad) / float64(n)), Interval: percent(b.Lower) + " to " + percent(b.Upper), N: count(n), Href: href}
}

const (
	casesShown   = 12
	signalsShown = 14
)

// morning is what the page asks for, each part by itself.
type morning struct {
	cases     *pb.ListCasesResponse
	signals   *pb.ListSignalsResponse
	questions *pb.ListQuestionsResponse
	stations  []*pb.Station
	intake    *pb.GetIntakeResponse
	days      []*pb.Rollup
	errs      [6]error
}

func today(v *visit) (*view, error) {
	var m morning
	month := span{From: dateOf(v.now).AddDate(0, 0, -usual), To: dateOf(v.now)}
	fresh := new(freshness)
	var wg sync.WaitGroup
	wg.Go(func() {
		m.cases, m.errs[0] = v.ask.cases.ListCases(v.ctx, &pb.ListCasesRequest{PageSize: 100, OpenOnly: true})
	})
	wg.Go(func() { m.signals, m.errs[1] = v.ask.cases.ListSignals(v.ctx, &pb.ListSignalsRequest{PageSize: 200}) })
	wg.Go(func() {
		m.questions, m.errs[2] = v.ask.cases.ListQuestions(v.ctx, &pb.ListQuestionsRequest{PageSize: 50})
	})
	wg.Go(func() { m.stations, m.errs[3] = v.stations() })
	wg.Go(func() { m.intake, m.errs[4] = v.ask.quality.GetIntake(v.ctx, &pb.GetIntakeRequest{}) })
	wg.Go(func() {
		m.days, m.errs[5] = v.rollups(&pb.QueryRollupsRequest{Filter: month.filter(), GroupBy: []pb.RollupDimension{pb.RollupDimension_ROLLUP_DIMENSION_DAY}}, fresh)
	})
	wg.Wait()
	there := 0
	for i, name := range []string{"the cases", "the signals", "the questions", "the stations", "the intake", "the figures"} {
		if v.part(name, m.errs[i]) {
			there++
		}
	}
	if there == 0 {
		return nil, m.errs[0]
	}
	sites := v.sites()
	p := &todayPage{Questions: len(m.questions.GetQuestions()), StationsAll: len(m.stations)}
	out := &view{Title: "Today", Data: p, Fresh: fresh}
	p.Cases, p.MoreCases = morningCases(v, &m, sites)
	p.Signals = morningSignals(v, &m)
	p.Stations = troubledStations(v, m.stations, m.intake, sites)
	p.Waiting = waitingWords(max(m.cases.GetWaitingBuilds(), m.signals.GetWaitingBuilds()))
	p.Lead, p.Tone = lead(&m, p)
	if open := openCases(m.cases); len(open) > 0 {
		p.First = &link{caseLink(open[0].Id), caseTitle(open[0], sites)}
	}
	p.shares(month, m.days)
	for _, t := range []*Table{p.Cases, p.Signals, p.Stations} {
		if t != nil {
			out.Tables = append(out.Tables, t)
		}
	}
	if p.Chart = chainChart(month, m.days); p.Chart != nil {
		out.Figures = append(out.Figures, p.Chart)
	}
	return out, nil
}

// lead answers the page's question.
func lead(m *morning, p *todayPage) (words, tone string) {
	if m.cases == nil {
		return "Quality does not say which cases are open at the moment.", "caution"
	}
	stations := ""
	if p.Stations != nil && len(p.Stations.Rows) > 0 {
		stations = " " + plural(len(p.Stations.Rows), "station needs", "stations need") + " a look."
	}
	open := openCases(m.cases)
	if len(open) == 0 {
		if len(m.days) == 0 {
			return "The first day: nothing has been logged yet." + stations, ""
		}
		if p.Waiting != "" {
			return "No case is open so far; the watch is still reading." + stations, ""
		}
		return "No case is open." + stations, "good"
	}
	return plural(len(open), "case is", "cases are") + " open." + stations, riskTone(open[0].Risk)
}

// openCases are those that stand for themselves.
func openCases(res *pb.ListCasesResponse) []*pb.Case {
	return slices.DeleteFunc(slices.Clone(res.GetCases()), func(k *pb.Case) bool { return k.MergedInto != "" })
}

func morningCases(v *visit, m *morning, sites *siteList) (*Table, int) {
	if m.cases == nil {
		return nil, 0
	}
	sure := sureBy(m.signals)
	t := &Table{ID: "cases", Caption: "Open cases, the gravest first", Cols: cols("risk", "~what is wrong", "where", "since about", "stage", "~how sure"),
		Empty: "No case is open. One opens by itself when builds depart from their own past, their targets or the rest of the chain."}
	more := 0
	for _, k := range openCases(m.cases) {
		if len(t.Rows) == casesShown {
			more++
			continue
		}
		t.add(Cell{Text: riskWord(k.Risk), Tone: riskTone(k.Risk)}, head(caseTitle(k, sites), caseLink(k.Id)), text(placeNames(k, sites)),
			Cell{Text: ago(k.BeganTime.AsTime(), v.now), CSV: k.BeganTime.AsTime().Format(time.RFC3339)}, text(stageWord(k.Stage)), text(surely(sure[k.Id])))
	}
	return t, more
}

// sureBy is how sure the newest signal of each case is.
func sureBy(res *pb.ListSignalsResponse) map[string]string {
	sure := map[string]string{}
	for _, s := range res.GetSignals() {
		if sure[s.CaseId] == "" {
			sure[s.CaseId] = s.Sure
		}
	}
	return sure
}

func surely(s string) string {
	if s == "" {
		return "see the case"
	}
	return s
}

func morningSignals(v *visit, m *morning) *Table {
	if m.signals == nil {
		return nil
	}
	since := dateOf(v.now).AddDate(0, 0, -1)
	t := &Table{ID: "signals", Caption: "Signals since yesterday", Cols: cols("seen", "where", "~what was noticed", "how sure", "#builds", "case"),
		Empty: "The watch noticed nothing new since yesterday.", Help: []string{method.Watch}}
	told, left := v.teller(), 0
	by := map[string]*pb.Case{}
	for _, k := range m.cases.GetCases() {
		by[k.Id] = k
	}
	for _, s := range m.signals.Signals {
		if s.SeenTime.AsTime().Before(since) {
			continue
		}
		if len(t.Rows) == signalsShown {
			left++
			continue
		}
		t.add(seenCell(s, told), signalWhere(s, by[s.CaseId], told), signalWords(s, told), text(s.Sure), to(strconv.Itoa(int(s.Count)), signalLink(s)), to(s.CaseId, caseLink(s.CaseId)))
	}
	if left > 0 {
		t.Note = plural(left, "more signal stands", "more signals stand") + " in the cases."
	}
	return t
}

func signalLink(s *pb.Signal) string {
	if s.CaseId == "" || len(s.BuildIds) == 0 {
		return ""
	}
	return "/builds?case=" + s.CaseId + "&signal=" + url.QueryEscape(s.Id)
}

func where(site, station string, sites *siteList, day string) Cell {
	switch {
	case site == "":
		return text("the chain")
	case station == "":
		return to(sites.name(site), "/stations?site="+site)
	}
	return to(sites.name(site)+", "+station, stationLink(site, station, day))
}

// shares fills yesterday and the days before it.
func (p *todayPage) shares(s span, days []*pb.Rollup) {
	yesterday := s.To.AddDate(0, 0, -1)
	var ybad, yn, bad, n int64
	for _, r := range days {
		b, k := judged(r.Builds)
		switch d := s.day(r.Period); {
		case d == s.day(yesterday.Format(time.DateOnly)):
			ybad, yn = b, k
		case d < s.Days()-2:
			bad, n = bad+b, n+k
		}
	}
	p.Yesterday = newShare(ybad, yn, buildsLink(span{yesterday, yesterday}, "grade", "off"))
	p.Before = newShare(bad, n, buildsLink(span{s.From, yesterday.AddDate(0, 0, -1)}, "grade", "off"))
}

// chainChart shows the chain's share of bad builds day by day.
func chainChart(s span, days []*pb.Rollup) *Figure {
	var bad, n []float64
	var at []int
	for _, r := range days {
		b, k := judged(r.Builds)
		// Today is not over: its few builds would be the least sure point.
		if d := s.day(r.Period); k > 0 && d >= 0 && d < s.Days()-1 {
			bad, n, at = append(bad, float64(b)), append(n, float64(k)), append(at, d)
		}
	}
	if len(at) < 5 {
		return nil
	}
	c, err := stat.P(bad, n, stat.ChartOptions{Method: stat.Auto, Name: "share of builds off spec"})
	if err != nil {
		return nil // no build was bad, or all were: there is nothing to draw limits from
	}
	return pFigure("chain", "Builds off spec, day by day, the whole chain", s, at, c, func(day string) string {
		return "/builds?from=" + day + "&to=" + day + "&grade=off"
	})
}

// pFigure draws a chart of shares by day.
func pFigure(id, title string, s span, at []int, c *stat.Chart, href func(day string) string) *Figure {
	p := chart.Panel{X: chart.DayAxis(s.From, s.Days(), 10)}
	top := 0.0
	t := &Table{ID: id + "-data", Caption: title, Cols: cols("business day", "#off spec, %", "#judged builds", "#lower limit, %", "#upper limit, %", "a rule speaks")}
	signals := 0
	centre, low, high := chart.Limit{Centre: true}, chart.Limit{}, chart.Limit{}
	for i, q := range c.Points {
		x, day := float64(at[i]), s.From.AddDate(0, 0, at[i]).Format(time.DateOnly)
		lo, hi := 0.0, 100.0
		if q.Limits.Lower != nil {
			lo = 100 * *q.Limits.Lower
		}
		if q.Limits.Upper != nil {
			hi = 100 * *q.Limits.Upper
		}
		top = max(top, 100*q.Value, hi)
		pt := chart.Point{XY: chart.XY{X: x, Y: 100 * q.Value}, Text: fmt.Sprintf("%s: %s of %s builds off spec", day, percent(q.Value), count(int64(q.N))), Href: href(day)}
		spoke := ""
		if len(q.Rules) > 0 {
			signals++
			pt.Shape = chart.Diamond
			spoke = "yes"
		}
		p.Points = append(p.Points, pt)
		for _, e := range []struct {
			l *chart.Limit
			y float64
		}{{&low, lo}, {&high, hi}, {&centre, 100 * q.Limits.Centre}} {
			e.l.Along = append(e.l.Along, chart.XY{X: x - 0.5, Y: e.y}, chart.XY{X: x + 0.5, Y: e.y})
		}
		t.add(head(day, href(day)), textf("%.2f", 100*q.Value), Cell{Text: count(int64(q.N)), CSV: strconv.Itoa(int(q.N))}, textf("%.2f", lo), textf("%.2f", hi), text(spoke))
	}
	line := chart.Line{}
	for _, q := range p.Points {
		line.Along = append(line.Along, q.XY)
	}
	last := len(high.Along) - 1
	high.Label, low.Label, centre.Label = "upper limit "+chart.Number(round2(high.Along[last].Y)), "lower limit "+chart.Number(round2(low.Along[last].Y)), "centre "+chart.Number(round2(centre.Along[last].Y))
	p.Y = chart.NewAxis("builds off spec, %", 0, top)
	p.Limits, p.Lines = []chart.Limit{low, high, centre}, []chart.Line{line}
	said := "No day stands out from its own past."
	if signals > 0 {
		said = plural(signals, "day stands", "days stand") + " out from the limits of its own past."
	}
	ch := &chart.Chart{ID: id, Title: title, Desc: said, N: fmt.Sprintf("n = %s builds, %s", count(int64(c.Total)), plural(len(at), "day", "days")), Method: c.Method, Panels: []chart.Panel{p}, PanelHeight: 260}
	return &Figure{Chart: ch, Table: t, Help: []string{method.Attributes}, Latest: true}
}

func round2(v float64) float64 { return float64(int(v*100+0.5)) / 100 }
