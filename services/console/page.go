package console

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc/metadata"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
)

// page is one address, one template and what fills it. To add one: write
// x.go with a get function and templates/x.html that defines "main", and add a
// line to pages.
type page struct {
	// path is a pattern of http.ServeMux without the method.
	path string
	// name is that of its template.
	name string
	// nav is the word in the navigation; empty leaves it out.
	nav string
	// section is the part of the house that it belongs to.
	section section
	get     func(*visit) (*view, error)
	// post acts and says where to go on; nil where nothing can be done.
	post func(*visit) (string, error)
}

// section of the house.
type section string

const (
	sectionQuality section = "Quality"
	sectionOffice  section = "Head office"
)

// roles that a section is offered to; everybody signed in may read it by its
// address, since the services decide what may be read and done.
var sectionRoles = map[section][]string{
	sectionQuality: {"quality-lead", "auditor", "administrator", "food-safety"},
	sectionOffice:  {"author", "approver", "food-safety", "fleet-manager", "quality-lead", "auditor", "administrator"},
}

// pages lists every page; navigation keeps this order.
func pages() []page {
	return []page{
		{path: "/{$}", name: "today", nav: "Today", section: sectionQuality, get: today},
		{path: "/cases", name: "cases", nav: "Cases", section: sectionQuality, get: caseList},
		{path: "/cases/{id}", name: "case", section: sectionQuality, get: caseShow, post: caseAct},
		{path: "/questions", name: "questions", nav: "Questions", section: sectionQuality, get: questions},
		{path: "/sites", name: "sites", nav: "Sites", section: sectionQuality, get: siteComparison},
		{path: "/drinks", name: "drinks", nav: "Drinks", section: sectionQuality, get: drinkList},
		{path: "/drinks/{serving...}", name: "drink", section: sectionQuality, get: drinkShow},
		{path: "/stations", name: "stations", nav: "Stations", section: sectionQuality, get: stationList},
		{path: "/stations/{site}/{station}", name: "station", section: sectionQuality, get: stationDay},
		{path: "/visits", name: "visits", nav: "Visits", section: sectionQuality, get: visitPlan},
		{path: "/visits/new", name: "visits", section: sectionQuality, get: visitPlan},
		{path: "/visits/form", name: "visit_form", section: sectionQuality, get: visitForm},
		{path: "/visits/result", name: "visit_result", section: sectionQuality, get: visitResult},
		{path: "/print", name: "print", nav: "Print", section: sectionQuality, get: printShow},
		{path: "/methods", name: "methods", section: sectionQuality, get: methodList},
		{path: "/reading", name: "reading", section: sectionQuality, get: readingShow},
		{path: "/builds", name: "builds", nav: "Builds", section: sectionQuality, get: buildList},
		{path: "/builds/{id...}", name: "build", section: sectionQuality, get: buildShow},
		{path: "/drafts", name: "drafts", nav: "Drafts", section: sectionOffice, get: draftList, post: draftBegin},
		{path: "/drafts/{id}", name: "draft", section: sectionOffice, get: draftShow, post: draftAct},
		{path: "/drafts/{id}/review", name: "review", section: sectionOffice, get: draftReview, post: draftDecide},
		{path: "/rollouts", name: "rollouts", nav: "Rollouts", section: sectionOffice, get: rolloutList, post: rolloutBegin},
		{path: "/rollouts/{id}", name: "rollout", section: sectionOffice, get: rolloutShow, post: rolloutAct},
		{path: "/stops", name: "stops", nav: "Stops", section: sectionOffice, get: stopList, post: stopOrder},
		{path: "/stops/{id}", name: "stop", section: sectionOffice, get: stopShow, post: stopAct},
		{path: "/overlays", name: "overlays", nav: "Overlays", section: sectionOffice, get: overlayList},
		{path: "/overlays/new", name: "overlay_edit", section: sectionOffice, get: overlayEdit, post: overlayPropose},
		{path: "/overlays/{scope}", name: "overlay", section: sectionOffice, get: overlayShow, post: overlayAct},
		{path: "/places", name: "places", nav: "Places", section: sectionOffice, get: placesShow},
		{path: "/places/new", name: "place_new", section: sectionOffice, get: placeNew, post: placeAdd},
		{path: "/places/{site}", name: "place", section: sectionOffice, get: placeShow, post: placeAct},
		{path: "/people", name: "people", nav: "People", section: sectionOffice, get: peopleShow, post: peopleAdd},
		{path: "/people/{person}", name: "person", section: sectionOffice, get: personShow, post: personAct},
		{path: "/keys", name: "keys", nav: "Keys", section: sectionOffice, get: keysShow, post: keysAct},
		{path: "/record", name: "record", nav: "Record", section: sectionOffice, get: recordShow},
	}
}

// visit is one request of one person.
type visit struct {
	*http.Request
	c   *Console
	ask *clients
	me  person
	now time.Time
	// ctx carries the person's token and the page's deadline.
	ctx context.Context
	// read is how the person reads figures.
	read reader
	// missing names the parts of the page that could not be asked for.
	missing []string
	// refused is why the act of this visit was not done, once it is shown again.
	refused error
	// once is what the act of this visit made that is shown this one time, such as
	// a token: in the answer to the form itself, which nobody keeps.
	once any
	// staff are the people of head office, once asked for.
	staff []*pb.Person
}

// view is what a page shows.
type view struct {
	// Title of the page and its document.
	Title string
	// Data is the template's own.
	Data any
	// Tables and Figures that can be taken away as CSV, SVG and PNG.
	Tables  []*Table
	Figures []*Figure
	// Fresh says how far behind figures are.
	Fresh *freshness
	// Refusal is told beside the forms of a page that could not act.
	Refusal *refusal
	// Scripts are static files that make the page handier; it works without.
	Scripts []string
	status  int
}

// Figure is a chart on a page, with the table of its data behind it.
type Figure struct {
	*chart.Chart
	Table *Table
	// Help are the methods that it is made by.
	Help []string
	// Latest says that the newest is to the right: a narrow screen begins there.
	Latest bool
	// Base is the page's own address, for downloads.
	base *url.URL
}

// Link is the address of the chart in another form.
func (f *Figure) Link(format string) string { return with(f.base, "format", format, "of", f.ID) }

// with is an address with parameters set; an empty value takes one away.
func with(u *url.URL, pairs ...string) string {
	q := u.Query()
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] == "" {
			q.Del(pairs[i])
		} else {
			q.Set(pairs[i], pairs[i+1])
		}
	}
	if enc := q.Encode(); enc != "" {
		return u.EscapedPath() + "?" + enc
	}
	return u.EscapedPath()
}

// pageWait bounds what a page may wait for the services.
const pageWait = 15 * time.Second

// enter makes the visit of a request, or answers it and returns nil.
func (c *Console) enter(w http.ResponseWriter, r *http.Request) (*visit, context.CancelFunc) {
	return c.enterFor(w, r, pageWait)
}

func (c *Console) enterFor(w http.ResponseWriter, r *http.Request, wait time.Duration) (*visit, context.CancelFunc) {
	me, err := c.whoAsks(r)
	switch {
	case errors.Is(err, errSignIn):
		to := "/sign-in"
		if r.Method == http.MethodGet {
			to += "?next=" + url.QueryEscape(r.URL.RequestURI())
		}
		http.Redirect(w, r, to, http.StatusSeeOther)
		return nil, nil
	case err != nil:
		c.fail(w, r, person{}, err)
		return nil, nil
	}
	ctx, cancel := context.WithTimeout(r.Context(), wait)
	if me.token != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+me.token)
	}
	return &visit{Request: r, c: c, ask: &c.ask, me: me, now: c.now(), ctx: ctx, read: readerOf(r)}, cancel
}

// show answers GET.
func (c *Console) show(p page) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		v, cancel := c.enter(w, r)
		if v == nil {
			return
		}
		defer cancel()
		got, err := p.get(v)
		if err != nil {
			c.fail(w, r, v.me, err)
			return
		}
		c.write(w, v, p, got)
	}
}

// act answers POST: it goes on to a page, or shows the page again with what was
// refused.
func (c *Console) act(p page) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		v, cancel := c.enter(w, r)
		if v == nil {
			return
		}
		defer cancel()
		r.Body = http.MaxBytesReader(w, r.Body, 1<<20)
		if err := r.ParseForm(); err != nil {
			c.fail(w, r, v.me, badRequest("the form", "could not be read", "send it again"))
			return
		}
		to, err := p.post(v)
		if err == nil && v.once != nil {
			w.Header().Set("Cache-Control", "no-store")
			got, err := p.get(v)
			if err != nil {
				c.fail(w, r, v.me, err)
				return
			}
			c.write(w, v, p, got)
			return
		}
		if err == nil {
			http.Redirect(w, r, to, http.StatusSeeOther)
			return
		}
		told := refusalOf(err)
		if told == nil {
			c.fail(w, r, v.me, err)
			return
		}
		v.refused = err
		got, err := p.get(v)
		if err != nil {
			c.fail(w, r, v.me, err)
			return
		}
		got.Refusal, got.status = told, told.Status
		c.write(w, v, p, got)
	}
}

// write sends a view as a page, or a part of it as a file.
func (c *Console) write(w http.ResponseWriter, v *visit, p page, got *view) {
	for _, f := range got.Figures {
		f.base = v.URL
		if f.Table != nil {
			f.Table.base = v.URL
		}
	}
	for _, t := range got.Tables {
		t.base = v.URL
	}
	format := v.URL.Query().Get("format")
	if format == "" {
		got.cut()
	}
	showFor(v.read, got)
	if format != "" {
		if err := sendFile(w, got, format, v.URL.Query().Get("of")); err != nil {
			c.fail(w, v.Request, v.me, err)
		}
		return
	}
	c.render(w, v.Request, p.name, got.status, &shell{Title: got.Title, Me: v.me, Nav: navFor(v.me, p), Path: v.URL, Now: v.now, Read: v.read.Example(),
		Missing: v.missing, View: got, Data: got.Data})
}

// cut bounds the tables of a page: a file has all rows.
func (g *view) cut() {
	for _, f := range g.Figures {
		f.Table.cut()
	}
	for _, t := range g.Tables {
		t.cut()
	}
}

// navItem is a link of the navigation.
type navItem struct {
	Href, Word string
	Here       bool
}

// navGroup is a section of it.
type navGroup struct {
	Section string
	Items   []navItem
}

// navFor offers what the person's roles are about.
func navFor(me person, here page) []navGroup {
	var out []navGroup
	for _, s := range []section{sectionQuality, sectionOffice} {
		if !me.any(sectionRoles[s]...) {
			continue
		}
		g := navGroup{Section: string(s)}
		for _, p := range pages() {
			if p.section == s && p.nav != "" {
				href := p.path
				if href == "/{$}" {
					href = "/"
				}
				g.Items = append(g.Items, navItem{Href: href, Word: p.nav, Here: here.under(p)})
			}
		}
		if len(g.Items) > 0 {
			out = append(out, g)
		}
	}
	return out
}

// under says that a page lies beneath another in the navigation.
func (p page) under(top page) bool {
	return p.path == top.path || len(p.path) > len(top.path) && p.path[:len(top.path)] == top.path && p.path[len(top.path)] == '/'
}

// part asks for one part of a page. What cannot be had leaves the part out and is
// named on the page; only where every part is missing does the page fail.
func (v *visit) part(name string, err error) bool {
	if err == nil {
		return true
	}
	v.c.log.Warn("a part of a page is missing", zap.String("page", v.URL.Path), zap.String("part", name), zap.Error(err))
	v.missing = append(v.missing, name)
	return false
}
