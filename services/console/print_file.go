package console

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"samecup.example/samecup/internal/audit"
	"samecup.example/samecup/internal/card"
	"samecup.example/samecup/services/console/report"
)

const (
	// printWait bounds what a report may wait for the services: it asks for more
	// than a page does.
	printWait = time.Minute
	// sendWait bounds how long a reader may take to fetch it over a poor line.
	sendWait = 5 * time.Minute
	// atOnce is how many documents are drawn at a time; each is held whole in
	// memory, so that nobody gets half of one.
	atOnce = 2
	// mostCards go into one document: about 80 MB of memory while it is drawn.
	mostCards = 400
)

var toPrint = link{"/print", "Print something else"}

// printed is a document ready to be sent.
type printed struct {
	name string
	body bytes.Buffer
	// fleeting is set for what is another document a minute later.
	fleeting bool
}

// printing draws a document by get and sends it whole, or shows why it cannot be.
func (c *Console) printing(get func(*visit) (*printed, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		v, cancel := c.enterFor(w, r, printWait)
		if v == nil {
			return
		}
		defer cancel()
		doc, err := c.draw(v, get)
		if err != nil {
			c.fail(w, r, v.me, err)
			return
		}
		// A reader who takes nothing must not hold a document for ever; where the
		// connection knows no deadline there is none.
		_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(sendWait))
		doc.send(w, r)
	}
}

// draw waits for its turn; sending is no part of that, since readers may be slow.
func (c *Console) draw(v *visit, get func(*visit) (*printed, error)) (*printed, error) {
	select {
	case c.press <- struct{}{}:
		defer func() { <-c.press }()
		return get(v)
	case <-v.ctx.Done():
		return nil, &stateError{code: http.StatusServiceUnavailable, title: "Others are printing", text: "As many documents as can be drawn at a time are being drawn, and none was done in time.",
			next: "Ask for it again in a minute.", links: []link{toPrint}}
	}
}

func (p *printed) send(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Type", "application/pdf")
	h.Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", p.name))
	if p.fleeting {
		h.Set("Cache-Control", "no-store")
	} else {
		sum := sha256.Sum256(p.body.Bytes())
		h.Set("ETag", `"`+hex.EncodeToString(sum[:16])+`"`)
	}
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(p.body.Bytes()))
}

// cannotPrint words a choice that cannot be used.
func cannotPrint(err error) error {
	return &stateError{code: http.StatusBadRequest, title: "That cannot be printed", text: sentence(err.Error()), next: "Choose it on the page of what can be printed.", links: []link{toPrint}}
}

// printReport prints the week of a place, as samecup report does.
func printReport(v *visit) (*printed, error) {
	q := v.URL.Query()
	scope, err := report.ParseScope(q.Get("scope"))
	if err != nil {
		return nil, cannotPrint(err)
	}
	week := report.WeekOf(dateOf(v.now)).Before(1)
	if text := q.Get("week"); text != "" {
		if week, err = report.ParseWeek(text); err != nil {
			return nil, cannotPrint(err)
		}
	}
	sheet := report.SheetOf(v.read.Tag)
	if text := q.Get("paper"); text != "" {
		if sheet, err = report.ParseSheet(text); err != nil {
			return nil, cannotPrint(err)
		}
	}
	clients := report.Clients{Insight: v.ask.insight, Cases: v.ask.cases, Fleet: v.ask.fleet, Books: v.ask.books, Rollouts: v.ask.rollouts, Stops: v.ask.stops}
	d, err := report.Gather(v.ctx, clients, report.Query{Scope: scope, Week: week, Made: v.now, Read: v.read})
	switch {
	case errors.Is(err, report.ErrQuery):
		return nil, &stateError{code: http.StatusNotFound, title: "There is no such place", text: fmt.Sprintf("No site or area is called %q.", cmp.Or(scope.Site, scope.Region)),
			next: "Choose it on the page of what can be printed.", links: []link{toPrint}}
	case err != nil:
		return nil, err
	}
	doc, err := report.Build(d)
	if err != nil {
		return nil, err
	}
	doc.Sheet = sheet
	out := &printed{name: fmt.Sprintf("consistency-report-%s-%s.pdf", strings.ReplaceAll(strings.TrimPrefix(scope.String(), "site/"), "/", "-"), week), fleeting: true}
	return out, doc.PDF(&out.body)
}

// printCards prints the cards of the book in force at a site or in the chain.
func printCards(v *visit) (*printed, error) {
	q := v.URL.Query()
	sheet, err := card.ParseSheet(cmp.Or(q.Get("paper"), "a5"))
	if err != nil {
		return nil, cannotPrint(err)
	}
	b, info, err := v.bookInForce(q.Get("site"))
	if err != nil {
		return nil, err
	}
	chosen, err := card.Select(b.Book, q.Get("drink"), q.Get("size"))
	if err != nil {
		return nil, cannotPrint(err)
	}
	if n := len(chosen.Servings()); n > mostCards {
		return nil, cannotPrint(fmt.Errorf("these are %s cards, and at most %s go into one document: choose a drink or a size", count(int64(n)), count(mostCards)))
	}
	o := card.Options{Release: info.Number, Effective: info.EffectiveTime.AsTime(), Digest: info.Digest}
	pages, err := card.Book(chosen, o)
	if err != nil {
		return nil, cannotPrint(err)
	}
	parts := []string{"cards"}
	for _, p := range []string{q.Get("site"), q.Get("drink"), q.Get("size")} {
		if p != "" {
			parts = append(parts, p)
		}
	}
	out := &printed{name: fmt.Sprintf("%s-release-%d.pdf", strings.Join(parts, "-"), info.Number)}
	return out, card.PDF(&out.body, card.BookTitle(chosen), o.Effective, sheet, pages...)
}

// printForm prints the form of a visit, with the site by its name.
func printForm(v *visit) (*printed, error) {
	plan, err := v.plan(v.URL.Query())
	if err != nil {
		return nil, planNeeded(err)
	}
	out := &printed{name: fmt.Sprintf("visit-%s-%s.form.pdf", plan.Site, plan.Day)}
	return out, v.form(plan).PDF(&out.body)
}

// form of a visit, with the site by the name that people use.
func (v *visit) form(plan *planned) *audit.Form {
	f := audit.NewForm(plan.Plan)
	f.Site = v.sites().name(plan.Site)
	return f
}
