package console

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/pdftext"
)

// pdf asks for a document and gives its words, page by page.
func (d *desk) pdf(path, name string) (*http.Response, []string) {
	d.t.Helper()
	res, body := d.get(path)
	if res.StatusCode != http.StatusOK || res.Header.Get("Content-Type") != "application/pdf" {
		d.t.Fatalf("%s: %d %s", path, res.StatusCode, body[:min(len(body), 2000)])
	}
	if got := res.Header.Get("Content-Disposition"); got != `attachment; filename="`+name+`"` {
		d.t.Errorf("%s is kept as %s, want %s", path, got, name)
	}
	if res.ContentLength != int64(len(body)) {
		d.t.Errorf("%s says that it has %d bytes, of %d", path, res.ContentLength, len(body))
	}
	pages, err := pdftext.Pages([]byte(body))
	if err != nil || len(pages) == 0 {
		d.t.Fatalf("%s: %d pages, %v", path, len(pages), err)
	}
	return res, pages
}

// holds wants words on one page or on all together.
func holds(t *testing.T, what string, pages []string, words ...string) {
	t.Helper()
	all := strings.Join(pages, "")
	for _, w := range words {
		if !strings.Contains(all, w) {
			t.Errorf("%s lacks %q:\n%s", what, w, all)
		}
	}
}

func TestThePageOfWhatCanBePrinted(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	body := d.want("/print", 200, "The whole chain", `<option value="region/harbour">Harbour</option>`, "Tannery Row", `<option value="2026-W43" selected>Week 43, 19 Oct to 25 Oct: 1`, "not over",
		"release 1 is in force in the chain since", "every drink: 20 cards", "Form as PDF at once", "Report as PDF")
	if seed := regexp.MustCompile(`name="seed" value="\d+"`).FindString(body); seed == "" {
		t.Error("no seed is drawn for a visit")
	}
	d.want("/print?site=oyster-steps&week=2026-W41&drink=latte&size=mug", 200, `<option value="site/oyster-steps" selected>`, `<option value="oyster-steps" selected>`, `<option value="2026-W41" selected>`,
		`<option value="latte" selected>`, `<option value="mug" selected>`, "is in force at Oyster Steps since")
	d.want("/print?week=2024-W05", 200, `<option value="2024-W05" selected>Week 5 of 2024</option>`)
	d.want("/print?scope=region/finch", 200, `<option value="region/finch" selected>`)
	for _, path := range []string{"/sites", "/drinks", "/drinks/latte/glass", "/stations/tannery-row/bar-1", "/visits"} {
		d.want(path, 200, `href="/print`)
	}
}

func TestTheReportIsPrintedAsItsReaderReads(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	res, pages := d.pdf("/print/report.pdf?scope=chain&week=2026-W43", "consistency-report-chain-2026-W43.pdf")
	if got := res.Header.Get("Cache-Control"); got != "no-store" {
		t.Errorf("a report that is another one in a minute is kept: %q", got)
	}
	holds(t, "page one", pages[:1], "The whole chain", "Week 43 of 2026, 19 October to 25 October 2026", "What to do", "Tannery Row", "How sure: ")
	holds(t, "the evidence", pages[1:], "How alike were the cups?", "Sites beside the whole chain", "How to read the figures")
	_, pages = d.pdf("/print/report.pdf?scope=region/harbour&week=2026-W43", "consistency-report-region-harbour-2026-W43.pdf")
	holds(t, "an area", pages, "Area Harbour")
	_, pages = d.pdf("/print/report.pdf?scope=site/tannery-row", "consistency-report-tannery-row-2026-W43.pdf")
	holds(t, "a site", pages[:1], "Tannery Row", "What to do", "most likely the grinder", "How sure: ")
	for _, p := range pages {
		for _, code := range []string{"tannery-row", "shot_time", "NaN", "%!", "\ue000", "\ue001"} {
			if strings.Contains(p, code) {
				t.Errorf("the report says %q:\n%s", code, p)
			}
		}
	}
	if res, _ := d.post("/reading", url.Values{"tag": {"en-US"}, "units": {"us"}, "next": {"/print"}}); res.StatusCode != http.StatusSeeOther {
		t.Fatalf("the choice: %d", res.StatusCode)
	}
	d.want("/print", 200, "1,234.5, US customary units")
	_, pages = d.pdf("/print/report.pdf?scope=site/tannery-row&week=2026-W43", "consistency-report-tannery-row-2026-W43.pdf")
	holds(t, "a report in US units", pages, "October 19 to October 25, 2026", "Values are shown in US customary units", "\u00a0°F", "\u00a0oz")
	for _, p := range pages {
		if strings.Contains(p, "°C") {
			t.Errorf("a report in US units says °C:\n%s", p)
		}
	}
}

func TestCardsAreThoseInForce(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	res, pages := d.pdf("/print/cards.pdf?site=tannery-row&drink=latte", "cards-tannery-row-latte-release-1.pdf")
	if len(pages) != 2 {
		t.Errorf("%d cards of a latte, want 2", len(pages))
	}
	holds(t, "the cards", pages, "Latte", "glass, Whole milk", "release 1, in force from", "samecup:release:1:")
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, res.Request.URL.String(), nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("If-None-Match", res.Header.Get("ETag"))
	if res, body := d.do(req); res.StatusCode != http.StatusNotModified || body != "" {
		t.Errorf("cards that were taken already: %d", res.StatusCode)
	}
	_, pages = d.pdf("/print/cards.pdf?paper=a4", "cards-release-1.pdf")
	if len(pages) != 11 { // 20 cards and the contents
		t.Errorf("%d sheets, want 11", len(pages))
	}
	_, pages = d.pdf("/print/cards.pdf?size=mug", "cards-mug-release-1.pdf")
	holds(t, "the mugs", pages, "Harbour & Finch", "Mocha")
}

func TestTheFormOfAVisitNamesItsSite(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["olu"])
	res, pages := d.pdf("/visits/form.pdf?"+visitQuery().Encode(), "visit-tannery-row-2026-10-26.form.pdf")
	holds(t, "the form", pages, "Audit of Tannery Row", "Monday 26 October 2026", "Tasting, blind", "missed: why")
	if res.Header.Get("ETag") == "" {
		t.Error("the form has no tag")
	}
	d.want("/visits/form?"+visitQuery().Encode(), 200, "Audit of Tannery Row, 2026-10-26")
}

// What cannot be printed is a page that says why and leads back, and never a part
// of a file.
func TestWhatCannotBePrintedIsAPage(t *testing.T) {
	ch := seasonChain(t)
	quality, authority := &cutConn{ClientConnInterface: ch.qc}, &cutConn{ClientConnInterface: ch.cc}
	d := openDesk(t, ch, func(c *Config) { c.Quality, c.Authority = quality, authority }).as(ch.tokens["lea"])
	for path, c := range map[string]struct {
		code  int
		words []string
	}{
		"/print?site=Nowhere+Else":                              {400, []string{"That cannot be printed", "site/NAME"}},
		"/print/report.pdf":                                     {400, []string{"allowed are chain, region/NAME and site/NAME", `href="/print"`}},
		"/print/report.pdf?scope=chain&week=47":                 {400, []string{"2026-W47"}},
		"/print/report.pdf?scope=site/mill-end":                 {404, []string{"No site or area is called", "mill-end", `href="/print"`}},
		"/print/report.pdf?scope=chain&paper=legal":             {400, []string{"allowed are a4 and letter"}},
		"/print/cards.pdf?site=mill-end":                        {404, []string{"No station of mill-end follows a book yet", `href="/print"`}},
		"/print/cards.pdf?drink=soup":                           {400, []string{"choose one of affogato"}},
		"/print/cards.pdf?size=bucket":                          {400, []string{"nothing is served in it"}},
		"/print/cards.pdf?paper=letter":                         {400, []string{"allowed are a5"}},
		"/visits/form.pdf?site=tannery-row&release=1&seed=1":    {400, []string{"draws no visit"}},
		"/visits/form.pdf?site=tannery-row&release=1&seed=soon": {400, []string{"draws no visit"}},
	} {
		res, body := d.get(path)
		if res.StatusCode != c.code || !strings.HasPrefix(res.Header.Get("Content-Type"), "text/html") || res.Header.Get("Content-Disposition") != "" {
			t.Errorf("%s: %d %v", path, res.StatusCode, res.Header)
		}
		for _, w := range c.words {
			if !strings.Contains(body, w) {
				t.Errorf("%s lacks %q:\n%s", path, w, body)
			}
		}
	}
	quality.fail("", status.Error(codes.Unavailable, "gone"))
	d.want("/print", 200, "Part of this page is missing", "how many builds each week has", "Report as PDF", "Cards as PDF")
	d.want("/print/report.pdf?scope=chain", 503, "The centre does not answer")
	d.pdf("/print/cards.pdf?drink=latte&size=glass", "cards-latte-glass-release-1.pdf")
	quality.fail("GetCase", status.Error(codes.PermissionDenied, "an author may not"))
	d.want("/print/report.pdf?scope=site/tannery-row", 403, "Not yours to see or do")
	quality.fail("", nil)
	authority.fail("ListReleases", status.Error(codes.Unavailable, "gone"))
	d.want("/print", 200, "the book in force", "cannot be read at the moment")
}

func TestNoMoreIsDrawnAtATimeThanThereIsRoomFor(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	for range atOnce {
		d.con.press <- struct{}{}
	}
	req := httptest.NewRequest(http.MethodGet, "/print/cards.pdf", nil)
	for _, k := range d.c.Jar.Cookies(nil) {
		req.AddCookie(k)
	}
	gone, stop := context.WithCancel(t.Context())
	stop()
	w := httptest.NewRecorder()
	d.con.printing(printCards)(w, req.WithContext(gone))
	if w.Code != http.StatusServiceUnavailable || !strings.Contains(w.Body.String(), "Others are printing") {
		t.Errorf("with all places taken: %d %s", w.Code, w.Body.String())
	}
	<-d.con.press
	d.pdf("/print/cards.pdf?drink=latte", "cards-latte-release-1.pdf")
	if len(d.con.press) != atOnce-1 {
		t.Errorf("%d places are taken, want %d", len(d.con.press), atOnce-1)
	}
}

func TestNothingToPrintOnTheFirstDay(t *testing.T) {
	ch, err := openChain(testToday)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := ch.close(); err != nil {
			t.Error(err)
		}
	})
	d := openDesk(t, ch, nil)
	d.want("/print", 200, "No site is there yet", "no cards and no drinks to audit", "samecup publish", "Report as PDF", "0 builds")
	_, pages := d.pdf("/print/report.pdf?scope=chain", "consistency-report-chain-2026-W43.pdf")
	holds(t, "the report of nothing", pages, "No build of this week is here.", "Nothing wants somebody this week")
	d.want("/print/cards.pdf", 404, "No book is in force yet", `href="/print"`)
}
