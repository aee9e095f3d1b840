package console

import (
	"bytes"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"samecup.example/samecup/internal/audit"
	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// An auditor's visit is kept by no service: its address holds what it was drawn
// from and what was entered, so that it can be opened again, sent and compared,
// and nothing here can be changed behind an auditor's back.

// visitFields of an address draw a plan; the rest are what was measured.
var visitFields = []string{"site", "day", "release", "seed", "perslot", "cups", "drinks", "limits", "station", "barista", "begin", "end"}

// slotsOffered is how many rows of who works where the form has.
const slotsOffered = 4

// planned is a plan with the book that it was drawn from.
type planned struct {
	*audit.Plan
	book *book
	// query draws it again.
	query url.Values
}

// query is the plan's part of an address.
func planQuery(q url.Values) url.Values {
	out := url.Values{}
	for _, f := range visitFields {
		if len(q[f]) > 0 {
			out[f] = q[f]
		}
	}
	return out
}

// plan draws the visit of an address. Errors of its fields wrap audit.ErrInput.
func (v *visit) plan(q url.Values) (*planned, error) {
	number, err := strconv.ParseUint(q.Get("release"), 10, 64)
	if err != nil {
		return nil, fieldErr("the release", q.Get("release"), "the number of a release")
	}
	seed, err := strconv.ParseUint(q.Get("seed"), 10, 64)
	if err != nil {
		return nil, fieldErr("the seed", q.Get("seed"), "a whole number from 0")
	}
	p := audit.Params{Site: q.Get("site"), Day: q.Get("day")}
	for field, into := range map[string]*int{"perslot": &p.PerSlot, "cups": &p.Cups} {
		if q.Get(field) == "" {
			continue
		}
		if *into, err = strconv.Atoi(q.Get(field)); err != nil {
			return nil, fieldErr(map[string]string{"perslot": "drinks a slot", "cups": "cups"}[field], q.Get(field), "a whole number")
		}
	}
	if p.Slots, err = slotsOf(q); err != nil {
		return nil, err
	}
	if p.Limits, err = limitsOf(q.Get("limits")); err != nil {
		return nil, err
	}
	if list := strings.FieldsFunc(q.Get("drinks"), listSign); len(list) > 0 {
		p.Drinks = list // none named means all
	}
	b, err := v.bookOf(number)
	if err != nil {
		return nil, err
	}
	plan, err := audit.NewPlan(b.Book, p, seed)
	if err != nil {
		return nil, err
	}
	return &planned{plan, b, planQuery(q)}, nil
}

func fieldErr(field, value, allowed string) error {
	return fmt.Errorf("%w: %s is %q, allowed: %s", audit.ErrInput, field, value, allowed)
}

// slotsOf reads the rows that have a station.
func slotsOf(q url.Values) ([]audit.Slot, error) {
	at := func(field string, i int) string {
		if i < len(q[field]) {
			return strings.TrimSpace(q[field][i])
		}
		return ""
	}
	var out []audit.Slot
	for i := range q["station"] {
		if at("station", i) == "" {
			continue
		}
		s := audit.Slot{Station: at("station", i), Barista: at("barista", i)}
		var err error
		if s.From, err = audit.ParseClock(at("begin", i)); err != nil {
			return nil, err
		}
		if s.To, err = audit.ParseClock(at("end", i)); err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, nil
}

// listSign says what stands between the words of a list.
func listSign(r rune) bool { return r == ',' || r == ';' || r == ' ' }

// limitsOf reads "milk_temp=2, dose=0.5".
func limitsOf(text string) (map[string]drink.Milli, error) {
	out := map[string]drink.Milli{}
	for _, part := range strings.FieldsFunc(text, listSign) {
		name, value, ok := strings.Cut(part, "=")
		f, err := strconv.ParseFloat(value, 64)
		m, fits := drink.FromFloat(f)
		if !ok || err != nil || !fits {
			return nil, fieldErr("limits", part, "a measure and a number in its metric unit, such as milk_temp=2; several with commas between")
		}
		out[name] = m
	}
	return out, nil
}

// inputRefusal tells what of a visit cannot be used; nil for other errors.
func inputRefusal(err error) *refusal {
	if !errors.Is(err, audit.ErrInput) {
		return nil
	}
	_, said, _ := strings.Cut(err.Error(), audit.ErrInput.Error()+": ")
	return &refusal{Title: "This cannot be used", Points: []string{sentence(said)}, Next: "Nothing was kept or lost: change the field and send it again.", Status: http.StatusUnprocessableEntity}
}

// visitPage is the plan of a visit.
type visitPage struct {
	Site, Day, Seed, PerSlot, Cups, Drinks, Limits string
	Release                                        uint64
	Sites                                          *siteList
	Stations                                       []string
	Slots                                          []slotRow
	Plan                                           *audit.Plan
	Picks, Bounds                                  *Table
	Name                                           string
	// FormHref, PDFHref, FileHref and SlipHref lead on with the plan.
	FormHref, PDFHref, FileHref, SlipHref string
}

type slotRow struct{ No, Station, Barista, Begin, End string }

func visitPlan(v *visit) (*view, error) {
	q := v.URL.Query()
	p := &visitPage{Site: q.Get("site"), Day: q.Get("day"), Seed: q.Get("seed"), PerSlot: q.Get("perslot"), Cups: q.Get("cups"), Drinks: q.Get("drinks"), Limits: q.Get("limits"), Sites: v.sites()}
	if p.Site == "" && len(p.Sites.Sites) > 0 {
		p.Site = p.Sites.Sites[0].Id
	}
	if p.Day == "" {
		p.Day = v.now.In(p.Sites.zone(p.Site)).AddDate(0, 0, 1).Format(time.DateOnly)
	}
	if p.Seed == "" {
		p.Seed = newSeed()
	}
	b, err := v.newestBook()
	if err != nil {
		return nil, err
	}
	p.Release = b.Number
	if n, err := strconv.ParseUint(q.Get("release"), 10, 64); err == nil {
		p.Release = n
	}
	p.stations(v)
	p.rows(q)
	out := &view{Title: "Plan a visit", Data: p}
	if len(q["station"]) == 0 {
		return out, nil
	}
	plan, err := v.plan(q)
	if err != nil {
		if out.Refusal = inputRefusal(err); out.Refusal == nil {
			return nil, err
		}
		out.status = out.Refusal.Status
		return out, nil
	}
	p.drawn(plan, p.Sites)
	out.Tables = []*Table{p.Picks, p.Bounds}
	return out, nil
}

// newSeed is small enough to be read out.
func newSeed() string {
	var b [4]byte
	_, _ = rand.Read(b[:]) // never fails: it ends the program instead
	return strconv.FormatUint(uint64(binary.BigEndian.Uint32(b[:])), 10)
}

func (p *visitPage) stations(v *visit) {
	list, err := v.stations()
	if !v.part("the stations", err) {
		return
	}
	for _, s := range list {
		if s.Site == p.Site && !slices.Contains(p.Stations, s.Station) {
			p.Stations = append(p.Stations, s.Station)
		}
	}
	slices.Sort(p.Stations)
}

// rows of the form as they were sent, and empty ones after them.
func (p *visitPage) rows(q url.Values) {
	for i := range max(slotsOffered, len(q["station"])) {
		at := func(field string) string {
			if i < len(q[field]) {
				return q[field][i]
			}
			return ""
		}
		p.Slots = append(p.Slots, slotRow{strconv.Itoa(i + 1), at("station"), at("barista"), at("begin"), at("end")})
	}
}

// drawn shows the plan to whoever plans; the auditor gets the form.
func (p *visitPage) drawn(plan *planned, sites *siteList) {
	p.Plan, p.Name = plan.Plan, sites.name(plan.Site)
	enc := plan.query.Encode()
	p.FormHref, p.PDFHref, p.FileHref, p.SlipHref = "/visits/form?"+enc, "/visits/form.pdf?"+enc, "/visits/plan.json?"+enc, "/visits/slip.txt?"+enc
	p.Picks = &Table{ID: "picks", Caption: "What is ordered and measured", Cols: cols("#no.", "when", "where", "barista", "~drink", "~measured"), Help: []string{"draw"},
		Note: "The plan is known by its digest, " + plan.Digest() + ", which the form carries too."}
	for i := range plan.Picks {
		k := &plan.Picks[i]
		var what []string
		for _, c := range k.Checks {
			what = append(what, strings.ToLower(c.Label))
		}
		p.Picks.add(head(strconv.Itoa(k.No), ""), text(k.At.String()+" to "+k.Until.String()), text(k.Station), text(k.Barista), text(k.Drink), text(listWords(what)))
	}
	p.Bounds = &Table{ID: "bounds", Caption: "How far apart two values may lie, decided before", Cols: cols("measure", "#at most, metric"), Help: []string{"agreement"}}
	for _, l := range plan.Limits {
		p.Bounds.add(head(sentenceCase(named(drink.MeasureByCode(l.Measure), l.Measure)), ""), text(metric.Quantity(float64(l.Limit), l.Unit)))
	}
}

// visitFormPage is the form to print and to fill in.
type visitFormPage struct {
	Form   template.HTML
	Hidden []hidden
	PDF    string
	Plan   string
}

type hidden struct{ Name, Value string }

// hiddenOf keeps parameters through a form.
func hiddenOf(q url.Values) []hidden {
	var out []hidden
	for _, f := range visitFields {
		for _, x := range q[f] {
			out = append(out, hidden{f, x})
		}
	}
	return out
}

// planNeeded words an address that draws no plan.
func planNeeded(err error) error {
	r := inputRefusal(err)
	if r == nil {
		return err
	}
	return &stateError{code: http.StatusBadRequest, title: "This address draws no visit", text: strings.Join(r.Points, " "), next: "Plan the visit anew, or open its address as it was.",
		links: []link{{"/visits/new", "Plan a visit"}}}
}

// visitForm shows nothing that was logged and no target to read towards: it is
// made from the plan alone.
func visitForm(v *visit) (*view, error) {
	plan, err := v.plan(v.URL.Query())
	if err != nil {
		return nil, planNeeded(err)
	}
	var b bytes.Buffer
	if err := v.form(plan).HTML(&b); err != nil {
		return nil, err
	}
	enc := plan.query.Encode()
	// The page has a heading of its own above the form's.
	return &view{Title: "Audit of " + v.sites().name(plan.Site) + ", " + plan.Day, Data: visitFormPage{
		Form:   template.HTML(b.String()), // #nosec G203 -- package audit escapes all words
		Hidden: hiddenOf(plan.query), PDF: "/visits/form.pdf?" + enc, Plan: "/visits/new?" + enc}}, nil
}

// visitFile sends the plan or the runner's slip.
func (c *Console) visitFile(w http.ResponseWriter, r *http.Request) {
	v, cancel := c.enter(w, r)
	if v == nil {
		return
	}
	defer cancel()
	plan, err := v.plan(r.URL.Query())
	if err != nil {
		c.fail(w, r, v.me, planNeeded(err))
		return
	}
	var b bytes.Buffer
	name := "visit-" + plan.Site + "-" + plan.Day
	typ := "text/plain; charset=utf-8"
	if r.URL.Path == "/visits/plan.json" {
		name, typ = name+".plan.json", "application/json"
		if err := plan.Write(&b); err != nil {
			c.fail(w, r, v.me, err)
			return
		}
	} else {
		name += ".slip.txt"
		b.WriteString(plan.Slip())
	}
	w.Header().Set("Content-Type", typ)
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", name))
	_, _ = w.Write(b.Bytes()) // a reader who went away is no fault
}

// siteBuilds are what a site logged on a business day.
func (v *visit) siteBuilds(site, day string) ([]*pb.JudgedBuild, bool, error) {
	return v.listBuilds(&pb.ListBuildsRequest{Filter: &pb.RollupFilter{FirstDay: day, LastDay: day, Sites: []string{site}}}, maxVisitBuilds)
}
