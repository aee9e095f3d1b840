package console

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"samecup.example/samecup/internal/audit"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/stat"
	"samecup.example/samecup/internal/wire"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/method"
	"samecup.example/samecup/services/console/reading"
)

const (
	// maxVisitBuilds of a site's day are compared.
	maxVisitBuilds = 5000
	// maxVisits are compared on one page.
	maxVisits = 30
)

// visitColumns are those that samecup audit agree reads.
var visitColumns = []string{"no", "build", "serving", "check", "n", "value", "step", "missed"}

// visitResultPage is a visit judged and compared with the log.
type visitResultPage struct {
	Name, Day, Lead, Power string
	Share                  *shareFigure
	Drinks, Values         *Table
	Agreement, Tasting     *Table
	Charts                 []*Figure
	Notes                  []string
	Hidden                 []hidden
	Also                   string
	FileHref, FormHref     string
}

func visitResult(v *visit) (*view, error) {
	q := v.URL.Query()
	plan, err := v.plan(q)
	if err != nil {
		return nil, planNeeded(err)
	}
	p := &visitResultPage{Name: v.sites().name(plan.Site), Day: plan.Day, Also: strings.Join(q["also"], "\n"), FileHref: "/visits/plan.json?" + plan.query.Encode(), FormHref: "/visits/form?" + plan.query.Encode()}
	out := &view{Title: "Visit to " + p.Name + ", " + plan.Day, Data: p}
	refuse := func(err error) (*view, error) {
		if out.Refusal = inputRefusal(err); out.Refusal == nil {
			return nil, err
		}
		out.status = out.Refusal.Status
		return out, nil
	}
	visits, err := v.visitsOf(q, plan, p)
	if err != nil {
		return refuse(err)
	}
	judged, err := audit.Judge(plan.book.Book, visits[0])
	if err != nil {
		return refuse(err)
	}
	p.judged(plan, judged)
	p.tasting(q, plan)
	for name, values := range q {
		if strings.Contains(name, ".") { // d3.dose.1 of drink 3, c481.strength of a cup
			p.Hidden = append(p.Hidden, hidden{name, values[0]})
		}
	}
	slices.SortFunc(p.Hidden, func(a, b hidden) int { return strings.Compare(a.Name, b.Name) })
	p.Hidden = append(p.Hidden, hiddenOf(q)...)
	out.Tables = []*Table{p.Drinks, p.Values}
	if p.Tasting != nil {
		out.Tables = append(out.Tables, p.Tasting)
	}
	builds, err := v.logged(visits)
	if !v.part("what the stations logged", err) {
		return out, nil
	}
	agreed, err := audit.Compare(visits, builds)
	if err != nil {
		return refuse(err)
	}
	p.compared(agreed, v.read)
	out.Tables, out.Figures = append(out.Tables, p.Agreement), p.Charts
	return out, nil
}

// visitsOf reads the visit of the address, and those whose addresses were added.
func (v *visit) visitsOf(q url.Values, plan *planned, p *visitResultPage) ([]*audit.Visit, error) {
	t, one, err := entered(q, plan)
	p.Values = t
	if err != nil {
		return nil, err
	}
	out := []*audit.Visit{one}
	for _, line := range strings.Fields(strings.Join(q["also"], "\n")) {
		if len(out) == maxVisits {
			return nil, fieldErr("visits", strconv.Itoa(maxVisits+1), fmt.Sprintf("at most %d on one page; samecup audit agree takes more", maxVisits))
		}
		u, err := url.Parse(line)
		if err != nil {
			return nil, fieldErr("another visit", line, "the address of its result")
		}
		other, err := v.plan(u.Query())
		if err != nil {
			return nil, fmt.Errorf("another visit: %w", err)
		}
		_, visit, err := entered(u.Query(), other)
		if err != nil {
			return nil, fmt.Errorf("the visit to %s on %s: %w", other.Site, other.Day, err)
		}
		out = append(out, visit)
	}
	return out, nil
}

// entered reads what the auditor measured, as samecup audit agree reads it from a
// file; the table is that file.
func entered(q url.Values, plan *planned) (*Table, *audit.Visit, error) {
	t := &Table{ID: "visit", Caption: "What the auditor wrote", Cols: cols(visitColumns...), Empty: "Nothing was entered.",
		Note: "Metric, with a decimal point. Taken as CSV it is a visit file of samecup audit agree."}
	for i := range plan.Picks {
		k := &plan.Picks[i]
		field := func(name string) string { return strings.TrimSpace(q.Get(fmt.Sprintf("d%d.%s", k.No, name))) }
		build, serving, missed := field("build"), field("serving"), field("missed")
		row := func(check, n, value string) {
			t.add(text(strconv.Itoa(k.No)), text(build), text(serving), text(check), text(n), text(value), text(""), text(missed))
		}
		rows := len(t.Rows)
		for _, c := range k.Checks {
			if value := field(fmt.Sprintf("%s.%d", c.Check, c.Occurrence)); value != "" {
				row(c.Check, strconv.Itoa(c.Occurrence), point(value))
			}
		}
		if len(t.Rows) == rows && (build != "" || missed != "") {
			row("", "", "")
		}
	}
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	rows := [][]string{visitColumns}
	for _, r := range t.Rows {
		line := make([]string, len(r))
		for i, c := range r {
			line[i] = c.Text
		}
		rows = append(rows, line)
	}
	if err := w.WriteAll(rows); err != nil {
		return t, nil, err
	}
	if len(t.Rows) == 0 {
		return t, nil, fmt.Errorf("%w: the form is empty, allowed: one value or more, or why a drink was missed", audit.ErrInput)
	}
	visit, err := audit.ReadVisit(&b, plan.Plan)
	return t, visit, err
}

// point takes a decimal comma too; a figure with both signs is left to be refused.
func point(s string) string {
	if strings.Count(s, ",") == 1 && !strings.Contains(s, ".") {
		return strings.Replace(s, ",", ".", 1)
	}
	return s
}

// judged tells how the measured drinks were.
func (p *visitResultPage) judged(plan *planned, j *audit.Judged) {
	p.Lead = fmt.Sprintf("%s measured of %d planned; %d not in spec, %d of them unsafe", plural(j.Measured, "drink", "drinks"), j.Planned, j.OffSpec, j.Unsafe)
	if 4*j.Missed > j.Planned {
		p.Lead += ". More than a quarter was missed, so what was measured may not stand for the rest"
	}
	p.Power = j.Power
	if j.Measured > 0 {
		p.Share = newShare(int64(j.OffSpec), int64(j.Measured), "#drinks")
		if p.Share != nil {
			p.Share.Of = "measured drinks not in spec"
		}
	}
	p.Drinks = &Table{ID: "drinks", Caption: "Each drink, judged by the auditor's values", Cols: cols("#no.", "drink", "verdict", "~what was found"), Empty: "No drink was planned.", Help: []string{method.Draw}}
	for _, e := range j.Entries {
		verdict, found := Cell{Text: plain(e.Grade)}, strings.Join(e.Findings, "; ")
		switch {
		case e.Missed != "":
			verdict, found = Cell{Text: "missed", Tone: "quiet"}, e.Missed
		case e.Grade == "unsafe":
			verdict.Tone = "alert"
		}
		p.Drinks.add(head(strconv.Itoa(e.No), ""), text(plan.book.servingWordsOr(e.Serving)), verdict, text(found))
	}
}

// tasting tells the marks, and only now which cup was which.
func (p *visitResultPage) tasting(q url.Values, plan *planned) {
	t := &Table{ID: "tasting", Caption: "Tasted blind, 0 to 9; 5 is as it should be", Cols: cols("cup", "~drink")}
	for _, s := range audit.Scores {
		t.Cols = append(t.Cols, Col{Name: s, Num: true})
	}
	for _, c := range plan.Cups {
		row := []Cell{head(c.Code, ""), text(plan.Picks[c.Pick-1].Drink)}
		marked := false
		for _, s := range audit.Scores {
			m := q.Get("c" + c.Code + "." + s)
			if n, err := strconv.Atoi(m); err != nil || n < 0 || n > 9 {
				m = ""
			}
			marked = marked || m != ""
			row = append(row, text(m))
		}
		if marked {
			t.add(row...)
		}
	}
	if len(t.Rows) > 0 {
		p.Tasting = t
	}
}

// logged is what the visited sites logged on those days.
func (v *visit) logged(visits []*audit.Visit) ([]drink.Build, error) {
	var out []drink.Build
	seen := map[string]bool{}
	for _, x := range visits {
		key := x.Plan.Site + " " + x.Plan.Day
		if seen[key] {
			continue
		}
		seen[key] = true
		list, cut, err := v.siteBuilds(x.Plan.Site, x.Plan.Day)
		if err != nil {
			return nil, err
		}
		if cut {
			v.missing = append(v.missing, "the later builds of "+key)
		}
		for _, b := range list {
			var one drink.Build
			if err := wire.BuildFromProto(b.Build, &one); err != nil {
				return nil, errors.Join(fmt.Errorf("build %s", b.Build.Id), err)
			}
			out = append(out, one)
		}
	}
	return out, nil
}

// compared tells whether the log agrees with the auditor.
func (p *visitResultPage) compared(a *audit.Agreement, read reader) {
	p.Notes = a.Notes
	p.Agreement = &Table{ID: "agreement", Caption: "The station's values against the auditor's", Cols: cols("measure", "#pairs", "#mean difference", "~limits of agreement", "#allowed apart", "~answer"),
		Empty: "Nothing was measured, so nothing can be compared.", Help: []string{method.Agreement},
		Note: fmt.Sprintf("%s, %s; %d found in the log by their number, %d not. Differences are the station's value less the auditor's.", plural(a.Visits, "visit", "visits"), plural(a.Sites, "site", "sites"), a.Paired, a.Unpaired)}
	for i := range a.Measures {
		m := &a.Measures[i]
		name := sentenceCase(named(drink.MeasureByCode(m.Measure), m.Measure))
		words := func(r reader, v float64) string {
			return reading.Mark(fmt.Sprintf("%+.*f", r.Decimals(m.Unit, 2), r.Difference(v, m.Unit)))
		}
		apart := func(r reader) string {
			return reading.WithUnit(r.Figure(r.Difference(m.Limit, m.Unit), m.Unit), r.Symbol(m.Unit))
		}
		cells := []Cell{head(name, "#agree-"+m.Measure), text(strconv.Itoa(m.Pairs)), text("none"), text("none"), both(apart(read), apart(metric)), text("")}
		switch {
		case m.Same != nil:
			s := m.Same
			between := func(r reader) string {
				return words(r, s.Limits.Lower) + " to " + reading.WithUnit(words(r, s.Limits.Upper), r.Symbol(m.Unit))
			}
			cells[2], cells[3] = both(words(read, s.Bias), words(metric, s.Bias)), both(between(read), between(metric))
			cells[5] = answer(s)
			if f := agreementFigure(m, name, read); f != nil {
				p.Charts = append(p.Charts, f)
			}
		case m.Unlike != nil:
			cells[0].Href, cells[5] = "", text("Too few pairs: compared as distances from target, "+firstLine(m.Unlike.String()))
		default:
			cells[0].Href, cells[5] = "", text(sentence(m.Why))
		}
		p.Agreement.add(cells...)
	}
}

func firstLine(s string) string {
	line, _, _ := strings.Cut(strings.TrimSpace(s), "\n")
	return strings.TrimSpace(line)
}

func answer(s *stat.Agreement) Cell {
	c := Cell{Text: string(s.Verdict)}
	switch s.Verdict {
	case stat.Agrees:
		c.Tone = "good"
	case stat.Disagrees:
		c.Tone = "alert"
	}
	// An estimate from few pairs that runs into thousands says no more than "many".
	switch {
	case s.Verdict != stat.AgreeMaybe || s.Enough <= 0:
	case s.Enough > 1000:
		c.Text += "; far more pairs would be needed"
	default:
		c.Text += "; about " + plural(s.Enough, "pair", "pairs") + " would tell"
	}
	return c
}

// agreementFigure draws each difference against the mean of the two values, with
// the limits of agreement and the band that was allowed before.
func agreementFigure(m *audit.MeasureAgreement, name string, read reader) *Figure {
	s := m.Same
	away := func(v float64) float64 { return read.Difference(v, m.Unit) }
	high, low := away(m.Limit), away(-m.Limit)
	c := &chart.Chart{ID: "agree-" + m.Measure, Title: name + ": the station's value less the auditor's", Allowed: "allowed apart, decided before", Limits: "limits of agreement", Centre: "mean difference", Diamond: "further apart than allowed",
		N: "n = " + plural(m.Pairs, "pair", "pairs"), PanelHeight: 300, Desc: "The answer is: " + string(s.Verdict)}
	c.Method = "Differences against the mean of both values, with limits of agreement at 95 % (Bland and Altman 1986); each pair stands for itself, so this holds for these visits alone"
	if s.Repeated {
		c.Method = "Differences against the mean of both values, with limits of agreement at 95 % for repeated pairs of one " + m.Subjects + " (Bland and Altman 2007)"
	}
	p := chart.Panel{Tolerances: []chart.Tolerance{{Low: &low, High: &high, Label: "allowed"}}}
	left, right := math.Inf(1), math.Inf(-1)
	bottom, top := math.Min(low, away(s.Limits.Lower)), math.Max(high, away(s.Limits.Upper))
	symbol := read.Symbol(m.Unit)
	for _, x := range m.Values {
		mean, d := read.Value((x.Auditor+x.Self)/2, m.Unit), away(x.Self-x.Auditor)
		q := chart.Point{XY: chart.XY{X: mean, Y: d}, Text: fmt.Sprintf("%s: station %s, auditor %s %s", x.Site, read.Figure(read.Value(x.Self, m.Unit), m.Unit), read.Figure(read.Value(x.Auditor, m.Unit), m.Unit), symbol)}
		if math.Abs(x.Self-x.Auditor) > m.Limit {
			q.Shape = chart.Diamond
		}
		left, right, bottom, top = math.Min(left, mean), math.Max(right, mean), math.Min(bottom, d), math.Max(top, d)
		p.Points = append(p.Points, q)
	}
	p.X, p.Y = chart.NewAxis("mean of both, "+symbol, left, right), chart.NewAxis("difference, "+symbol, bottom, top)
	for _, l := range []struct {
		at     float64
		label  string
		centre bool
	}{{s.Limits.Upper, "upper limit", false}, {s.Bias, "mean", true}, {s.Limits.Lower, "lower limit", false}} {
		p.Limits = append(p.Limits, chart.Limit{Along: []chart.XY{{X: p.X.Min, Y: away(l.at)}, {X: p.X.Max, Y: away(l.at)}}, Centre: l.centre,
			Label: l.label + " " + reading.Mark(fmt.Sprintf("%+.*f", read.Decimals(m.Unit, 2), away(l.at)))})
	}
	c.Panels = []chart.Panel{p}
	return figureOf(c, method.Agreement)
}
