package console

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/method"
	"samecup.example/samecup/services/console/reading"
)

// buildsPage lists the builds beneath a figure.
type buildsPage struct {
	Span                                              span
	Site, Station, Serving, Drink, Check, Side, Grade string
	Case, Signal                                      string
	Sites                                             *siteList
	Words                                             string
	// Told is the signal's sentence, where its builds are listed.
	Told          string
	Table         *Table
	Next          string
	Servings      []drinkChoice
	Grades, Sides []drinkChoice
}

// buildGrades are the verdicts that the filter offers.
var buildGrades = []struct {
	id, word string
	grades   []pb.Grade
}{
	{"off", "off spec or unsafe", []pb.Grade{pb.Grade_GRADE_OFF_SPEC, pb.Grade_GRADE_UNSAFE}},
	{"unsafe", "unsafe", []pb.Grade{pb.Grade_GRADE_UNSAFE}},
	{"unknown", "cannot confirm", []pb.Grade{pb.Grade_GRADE_UNKNOWN}},
	{"in", "in spec", []pb.Grade{pb.Grade_GRADE_IN_SPEC}},
	{"waiting", "awaiting their release", []pb.Grade{pb.Grade_GRADE_UNSPECIFIED}},
}

var buildSides = map[string]pb.OffSide{"low": pb.OffSide_OFF_SIDE_LOW, "high": pb.OffSide_OFF_SIDE_HIGH, "any": pb.OffSide_OFF_SIDE_ANY}

const buildsShown = 50

func buildList(v *visit) (*view, error) {
	s, err := v.span()
	if err != nil {
		return nil, err
	}
	q := v.URL.Query()
	p := &buildsPage{Span: s, Site: q.Get("site"), Station: q.Get("station"), Serving: q.Get("serving"), Drink: q.Get("drink"), Check: q.Get("check"), Side: q.Get("side"), Grade: q.Get("grade"),
		Case: q.Get("case"), Signal: q.Get("signal"), Sites: v.sites()}
	for _, g := range buildGrades {
		p.Grades = append(p.Grades, drinkChoice{g.id, g.word})
	}
	p.Sides = []drinkChoice{{"low", "below tolerance"}, {"high", "above tolerance"}, {"any", "outside tolerance"}}
	if b, err := v.newestBook(); v.part("the book", err) {
		for id := range b.servings {
			p.Servings = append(p.Servings, drinkChoice{id, b.servingWords(id)})
		}
		slices.SortFunc(p.Servings, func(a, b drinkChoice) int { return strings.Compare(a.Name, b.Name) })
	}
	var builds []*pb.JudgedBuild
	if p.Signal != "" {
		builds, err = v.signalBuilds(p)
	} else {
		builds, err = v.filtered(p)
	}
	if err != nil {
		return nil, err
	}
	p.Table = v.buildTable(builds, p.Sites)
	p.words(v)
	return &view{Title: "Builds", Data: p, Tables: []*Table{p.Table}}, nil
}

func (v *visit) filtered(p *buildsPage) ([]*pb.JudgedBuild, error) {
	f := p.Span.filter()
	for _, e := range []struct {
		value string
		list  *[]string
	}{{p.Site, &f.Sites}, {p.Station, &f.Stations}, {p.Serving, &f.Servings}, {p.Drink, &f.Drinks}} {
		if e.value != "" {
			*e.list = []string{e.value}
		}
	}
	req := &pb.ListBuildsRequest{Filter: f, Check: p.Check, PageSize: buildsShown, PageToken: v.URL.Query().Get("page")}
	if p.Side != "" {
		side, ok := buildSides[p.Side]
		if !ok {
			return nil, badRequest("The side", fmt.Sprintf("%q is not known", p.Side), "use low, high or any")
		}
		req.OffSide = side
	}
	if p.Grade != "" {
		i := slices.IndexFunc(buildGrades, func(g struct {
			id, word string
			grades   []pb.Grade
		}) bool {
			return g.id == p.Grade
		})
		if i < 0 {
			return nil, badRequest("The verdict", fmt.Sprintf("%q is not known", p.Grade), "use off, unsafe, unknown, in or waiting")
		}
		req.Grades = buildGrades[i].grades
	}
	// A page of the service may be empty and still have a next one.
	for {
		res, err := v.ask.insight.ListBuilds(v.ctx, req)
		if err != nil {
			return nil, err
		}
		if len(res.Builds) > 0 || res.NextPageToken == "" {
			if res.NextPageToken != "" {
				p.Next = with(v.URL, "page", res.NextPageToken)
			}
			return res.Builds, nil
		}
		req.PageToken = res.NextPageToken
	}
}

// signalBuilds are the builds behind a signal.
func (v *visit) signalBuilds(p *buildsPage) ([]*pb.JudgedBuild, error) {
	req := &pb.ListSignalsRequest{PageSize: 500, CaseId: p.Case}
	for {
		res, err := v.ask.cases.ListSignals(v.ctx, req)
		if err != nil {
			return nil, err
		}
		i := slices.IndexFunc(res.Signals, func(s *pb.Signal) bool { return s.Id == p.Signal })
		if i >= 0 {
			p.Told = v.teller().tell(res.Signals[i].Text)
			return v.buildsByID(res.Signals[i].BuildIds)
		}
		if req.PageToken = res.NextPageToken; req.PageToken == "" {
			return nil, notFound("signal", p.Signal, link{caseLink(p.Case), "Back to the case"})
		}
	}
}

func (v *visit) buildsByID(ids []string) ([]*pb.JudgedBuild, error) {
	var out []*pb.JudgedBuild
	for _, id := range ids {
		res, err := v.ask.quality.GetBuild(v.ctx, &pb.GetBuildRequest{Id: id})
		if err != nil {
			return nil, err
		}
		out = append(out, &pb.JudgedBuild{Build: res.Record.GetBuild(), Verdict: res.Verdict})
	}
	return out, nil
}

// words says which builds these are.
func (p *buildsPage) words(v *visit) {
	if p.Signal != "" {
		p.Words = "The builds behind signal “" + p.Told + "”, the newest first"
		return
	}
	parts := []string{p.Span.Words()}
	if p.Site != "" {
		parts = append(parts, p.Sites.name(p.Site))
	}
	if site, station, ok := strings.Cut(p.Station, "/"); ok {
		parts = append(parts, p.Sites.name(site)+" "+station)
	}
	for _, w := range []string{p.Drink, p.Serving} {
		if w != "" {
			parts = append(parts, strings.ReplaceAll(w, "/", " "))
		}
	}
	for _, e := range [][]drinkChoice{p.Grades, p.Sides} {
		for _, c := range e {
			if c.ID == p.Grade || c.ID == p.Side {
				parts = append(parts, c.Name)
			}
		}
	}
	if p.Check != "" {
		parts = append(parts, named(drink.MeasureByCode(p.Check), p.Check)+" read")
	}
	p.Words = strings.Join(parts, "; ")
}

// buildTable lists builds with what their verdict found.
func (v *visit) buildTable(builds []*pb.JudgedBuild, sites *siteList) *Table {
	t := &Table{ID: "builds", Caption: "Builds", Cols: cols("begun", "where", "serving", "verdict", "~what was found", "by", "#release"), Empty: "No build answers to this. Widen the days, or take a condition away."}
	told := v.teller()
	for _, b := range builds {
		k := b.Build
		zone := sites.zone(k.Site)
		grade := b.Verdict.GetGrade()
		words := gradeWord(grade)
		if b.Disputed {
			words += "; the station said otherwise"
		}
		bk, _ := v.bookOf(k.Release)
		t.add(Cell{Text: clock(k.StartedTime, zone, v.now), CSV: k.StartedTime.AsTime().Format(time.RFC3339), Href: buildLink(k.Id), Head: true},
			where(k.Site, k.Station, sites, k.StartedTime.AsTime().In(zone).Format(time.DateOnly)), Cell{Text: bk.servingWordsOr(k.Serving), CSV: k.Serving, Href: drinkLink(k.Serving)},
			Cell{Text: words, Tone: gradeTone(grade)}, Cell{Text: told.findings(b.Verdict.GetFindings()), CSV: filedFindings(b.Verdict.GetFindings())}, text(k.By), textf("%d", k.Release))
	}
	return t
}

func (b *book) servingWordsOr(id string) string {
	if b == nil {
		return strings.ReplaceAll(id, "/", ", ")
	}
	return b.servingWords(id)
}

// buildPage is one build.
type buildPage struct {
	Words, Where, StationHref  string
	Begun, Took, Logged        string
	Verdict, Tone, StationSaid string
	By, How                    string
	Release                    uint64
	Findings                   []string
	Readings, Steps            *Table
	Lots, Garnish              string
	Corrects                   string
}

func buildShow(v *visit) (*view, error) {
	res, err := v.ask.quality.GetBuild(v.ctx, &pb.GetBuildRequest{Id: v.PathValue("id")})
	if err != nil {
		if s := stateOf(err); s.code == http.StatusNotFound || s.code == http.StatusBadRequest {
			return nil, notFound("build", v.PathValue("id"), link{"/builds", "Builds of the last four weeks"})
		}
		return nil, err
	}
	b := res.Record.GetBuild()
	sites := v.sites()
	zone := sites.zone(b.Site)
	bk, err := v.bookOf(b.Release)
	v.part("the release that it was made by", err)
	began := b.StartedTime.AsTime().In(zone)
	p := &buildPage{Words: bk.servingWordsOr(b.Serving), Where: sites.name(b.Site) + ", " + b.Station, StationHref: stationLink(b.Site, b.Station, began.Format(time.DateOnly)),
		Begun: clock(b.StartedTime, zone, v.now), Took: fmt.Sprint(b.FinishedTime.AsTime().Sub(b.StartedTime.AsTime()).Round(time.Second)), Logged: clock(res.Record.GetLoggedTime(), zone, v.now),
		Verdict: gradeWord(res.Verdict.GetGrade()), Tone: gradeTone(res.Verdict.GetGrade()), By: b.By, How: b.How, Release: b.Release,
		Lots: listWords(b.Lots), Garnish: listWords(b.Garnish), Corrects: b.Corrects}
	if said := res.Record.GetVerdict().GetGrade(); said != res.Verdict.GetGrade() && res.Verdict != nil {
		p.StationSaid = gradeWord(said)
	}
	told := v.teller()
	for _, f := range res.Verdict.GetFindings() {
		p.Findings = append(p.Findings, sentence(told.finding(f)))
	}
	p.Readings = &Table{ID: "readings", Caption: "Readings", Cols: cols("measure", "#read", "tolerance of the book", "instrument", "measured"), Empty: "Nothing was measured: the sampling plan did not choose this build."}
	for _, r := range b.Readings {
		m := bk.measure(r.Check)
		name := sentenceCase(named(m, r.Check))
		if r.Occurrence > 1 {
			name += fmt.Sprintf(" %d", r.Occurrence)
		}
		tol := text("not known")
		if k := bk.check(b.Serving, r.Check); k != nil {
			tol = both(v.read.Limits(k, unitOf(m)), metric.Limits(k, unitOf(m)))
		}
		when := clock(r.MeasuredTime, zone, v.now)
		if r.MeasuredTime == nil {
			when = "typed " + clock(r.EnteredTime, zone, v.now)
		}
		p.Readings.add(head(name, buildsLink(span{dateOf(began), dateOf(began)}, "station", b.Site+"/"+b.Station, "check", r.Check)), both(v.read.Quantity(float64(r.ValueMilli), drink.Unit(r.Unit)), metric.Quantity(float64(r.ValueMilli), drink.Unit(r.Unit))), tol, text(r.Instrument), text(when))
	}
	p.Steps = &Table{ID: "steps", Caption: "Steps as done", Cols: cols("step", "#after, s"), Empty: "No steps were logged."}
	for _, s := range b.Steps {
		p.Steps.add(head(plain(s.Step), ""), text(chart.Number(s.At.AsDuration().Seconds())))
	}
	return &view{Title: p.Words + ", " + p.Begun, Data: p, Tables: []*Table{p.Readings, p.Steps}}, nil
}

// questionsPage lists what to ask about logs.
type questionsPage struct{ Table *Table }

func questions(v *visit) (*view, error) {
	res, err := v.ask.cases.ListQuestions(v.ctx, &pb.ListQuestionsRequest{PageSize: 200, Site: v.URL.Query().Get("site")})
	if err != nil {
		return nil, err
	}
	sites, told := v.sites(), v.teller()
	t := &Table{ID: "questions", Caption: "Questions about logs, the newest first", Cols: cols("seen", "where", "~the question", "~what made it arise", "^how sure", "^method", "case"),
		Empty: "Nothing about the logs asks for an explanation.", Help: []string{method.Honest}}
	for _, q := range res.Questions {
		// Questions end in their own sign, and the grounds follow in brackets.
		asked, grounds, _ := strings.Cut(told.short(q.Text), "? (")
		if grounds != "" {
			asked, grounds = asked+"?", sentenceCase(strings.TrimSuffix(grounds, ")"))
		}
		t.add(text(clock(q.SeenTime, sites.zone(q.Site), v.now)), where(q.Site, q.Station, sites, q.SeenTime.AsTime().In(sites.zone(q.Site)).Format(time.DateOnly)), Cell{Text: asked, CSV: q.Text, Head: true}, Cell{Text: grounds, CSV: reading.PlainFigures(grounds)}, text(q.Sure), text(q.Method), to(q.CaseId, caseLink(q.CaseId)))
	}
	return &view{Title: "Questions", Data: questionsPage{t}, Tables: []*Table{t}}, nil
}
