package console

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"net"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestEveryPageOfTheQualityLead(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	k := driftCase(t, ch)
	for path, words := range map[string][]string{
		"/cases":                {"Cases, the gravest first", k.Id, "Coffee at Tannery Row"},
		"/cases?show=all":       {"closed ones too"},
		caseLink(k.Id):          {"What to check, in order", "limits from its own past", "began about here", "State the cause", "Evidence", "History"},
		"/questions":            {"never an accusation"},
		"/sites":                {"99.8 % limits of chance", "Where each site", "higher than chance gives", "Oyster Steps"},
		"/sites?drink=espresso": {"Each site, by name"},
		"/drinks":               {"Cappuccino", `class="in-espresso"`, "to one scale"},
		"/drinks/latte/glass":   {"tolerance of the book", "Measure by measure", "5 % to 95 % of the readings"},
		"/stations":             {"never heard of", "Quillmaker Street, bar-2"},
		"/stations/tannery-row/bar-1?day=2026-10-26":                                       {"every reading", "lot SO-42", "release 1", "The day before", "grind finer", "grinder set 2.4"},
		"/stations/tannery-row/bar-1?day=2026-01-01":                                       {"Nothing was logged on this day"},
		"/builds?grade=off":                                                                {"Further builds", "off spec"},
		"/builds?site=lantern-hill&side=low&check=shot_time&from=2026-10-01&to=2026-10-02": {"No build answers to this"},
	} {
		d.want(path, 200, words...)
	}
}

func TestFiguresOpenOntoTheBuildsBeneath(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	body := d.want("/sites", 200)
	m := regexp.MustCompile(`<td class="num" data-name="off spec"><a href="([^"]+)">`).FindStringSubmatch(body)
	if m == nil {
		t.Fatalf("no link from a figure to its builds in\n%s", body)
	}
	path := strings.ReplaceAll(m[1], "&amp;", "&")
	body = d.want(path, 200, "off spec")
	b := regexp.MustCompile(`href="(/builds/[0-9a-f-]{36})"`).FindStringSubmatch(body)
	if b == nil {
		t.Fatalf("no build at %s", path)
	}
	d.want(b[1], 200, "Readings", "Steps as done")
	// A signal leads to its builds too.
	body = d.want(caseLink(driftCase(t, ch).Id), 200)
	s := regexp.MustCompile(`href="(/builds\?case=[^"]+)"`).FindStringSubmatch(body)
	if s == nil {
		t.Fatal("no link from a signal to its builds")
	}
	d.want(strings.ReplaceAll(s[1], "&amp;", "&"), 200, "The builds behind signal", "Tannery Row")
}

func TestTablesAndChartsCanBeTakenAway(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	for _, path := range []string{"/?of=cases", "/cases?", "/sites?of=sites", "/sites?of=funnel-data", "/drinks?", "/drinks/latte/glass?of=checks", "/stations?", "/stations/tannery-row/bar-1?day=2026-10-26&of=day-data", "/builds?"} {
		res, body := d.get(path + "&format=csv")
		if typ := res.Header.Get("Content-Type"); !strings.HasPrefix(typ, "text/csv") {
			t.Errorf("%s: %s %s", path, typ, body)
			continue
		}
		rows, err := csv.NewReader(strings.NewReader(body)).ReadAll()
		if err != nil || len(rows) < 2 {
			t.Errorf("%s: %d rows, %v", path, len(rows), err)
		}
	}
	for _, path := range []string{"/?of=chain", "/sites?of=funnel", "/sites?of=probable", "/drinks/latte/glass?of=m-shot_time", "/stations/tannery-row/bar-1?day=2026-10-26", caseLink(driftCase(t, ch).Id) + "?of=drift1"} {
		res, body := d.get(path + "&format=svg")
		if res.Header.Get("Content-Type") != "image/svg+xml" {
			t.Errorf("%s: %s", path, body)
			continue
		}
		x := xml.NewDecoder(strings.NewReader(body))
		for {
			if _, err := x.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Errorf("%s is no XML: %v", path, err)
				break
			}
		}
		for _, part := range []string{"<title", "<desc", "n = "} {
			if !strings.Contains(body, part) && !strings.Contains(path, "probable") {
				t.Errorf("%s lacks %q", path, part)
			}
		}
		_, body = d.get(path + "&format=png")
		if img, err := png.Decode(strings.NewReader(body)); err != nil || img.Bounds().Dx() < 1000 {
			t.Errorf("%s as PNG: %v", path, err)
		}
	}
	d.want("/sites?format=doc", 400, "Ask for csv, svg or png")
	d.want("/sites?format=svg&of=nothing", 400, "has no svg called")
}

func TestACaseIsActedOnAndRefusalsAreShown(t *testing.T) {
	ch := seasonChain(t)
	lea := openDesk(t, ch, nil).as(ch.tokens["lea"])
	path := caseLink(driftCase(t, ch).Id)
	form := func(act string, more ...string) url.Values {
		_, body := lea.get(path)
		f := url.Values{"act": {act}, "request_id": {uuid.NewString()}, "etag": {regexp.MustCompile(`name="etag" value="([^"]+)"`).FindStringSubmatch(body)[1]}}
		for i := 0; i+1 < len(more); i += 2 {
			f.Set(more[i], more[i+1])
		}
		return f
	}
	done := func(f url.Values) {
		t.Helper()
		if res, body := lea.post(path, f); res.StatusCode != http.StatusSeeOther {
			t.Fatalf("%v: %d %s", f, res.StatusCode, body)
		}
	}
	refused := func(f url.Values, code int, words ...string) {
		t.Helper()
		res, body := lea.post(path, f)
		if res.StatusCode != code {
			t.Errorf("%v: %d, want %d", f, res.StatusCode, code)
		}
		for _, w := range words {
			if !strings.Contains(body, w) {
				t.Errorf("%v: the answer lacks %q", f, w)
			}
		}
	}
	old := form("take", "owner", "store manager")
	done(form("take", "owner", "store manager, Tannery Row"))
	refused(old, http.StatusConflict, "Somebody was faster", "store manager")
	done(form("contain", "containment", "a timed shot each hour"))
	refused(form("close"), http.StatusConflict, "Nothing was changed")
	refused(form("fix", "cause", "grinder", "explanation", "barista reminded", "done", "talked", "prevention", "will be more careful"),
		http.StatusUnprocessableEntity, "This cannot be stated so", "barista reminded")
	done(form("fix", "cause", "grinder", "explanation", "the burrs were worn", "done", "burrs replaced", "prevention", "burr age is on the monthly list", "at", "2026-10-27T07:10"))
	lea.want(path, 200, "burrs replaced", "The builds since", "a timed shot each hour", "store manager, Tannery Row")
	refused(form("close"), http.StatusConflict, "The builds cannot tell yet")
	if res, body := lea.post(path, form("dance")); res.StatusCode != http.StatusBadRequest || !strings.Contains(body, "is not known") {
		t.Errorf("an unknown act: %d", res.StatusCode)
	}

	// Who may read may not act.
	olu := openDesk(t, ch, nil).as(ch.tokens["olu"])
	olu.want(path, 200, "Quality leads act on it")
	if res, body := olu.post(path, form("note", "note", "hm")); res.StatusCode != http.StatusForbidden || !strings.Contains(body, "auditor") {
		t.Errorf("an auditor's note: %d", res.StatusCode)
	}
}

func TestStates(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	for path, want := range map[string]struct {
		code  int
		words string
	}{
		"/nowhere":                                          {404, "The morning page leads everywhere"},
		"/cases/C-99999":                                    {404, "All open cases"},
		"/drinks/tea/bucket":                                {404, "All drinks"},
		"/stations/tannery-row/bar-9":                       {404, "All stations"},
		"/builds/" + uuid.NewString():                       {404, "Builds of the last four weeks"},
		"/sites?from=2026-10-01&to=soon":                    {400, "is not a date"},
		"/sites?from=2026-10-09&to=2026-10-1":               {400, "is not a date"},
		"/sites?from=2026-10-09&to=2026-10-01":              {400, "are not a span of"},
		"/builds?grade=nice":                                {400, "Use off, unsafe"},
		"/builds?side=left":                                 {400, "Use low, high or any"},
		"/builds?station=bar-1":                             {400, "is not a station"},
		"/stations/tannery-row/bar-1?day=yes":               {400, "is not a date"},
		"/sites?from=2025-01-01&to=2025-01-28":              {200, "Nothing was judged on these days"},
		"/drinks/latte/glass?from=2025-01-01&to=2025-01-28": {200, "None was judged on these days"},
	} {
		d.want(path, want.code, want.words)
	}
}

func TestPartAndAllOfThePageMissing(t *testing.T) {
	ch := seasonChain(t)
	all := &cutConn{ClientConnInterface: ch.qc}
	d := openDesk(t, ch, func(c *Config) { c.Quality = all }).as(ch.tokens["lea"])
	all.fail("ListCases", status.Error(codes.Unavailable, "gone"))
	d.want("/", 200, "Part of this page is missing", "the cases", "Stations silent or stale", "Quality does not say")
	all.fail("", status.Error(codes.Unavailable, "gone"))
	d.want("/", 200, "Part of this page is missing", "Stations silent or stale")
	d.want("/cases", 503, "The centre does not answer", "what they log is kept")
	d.want("/drinks", 200, "the figures", "Cappuccino")
	all.fail("", status.Error(codes.Internal, "boom"))
	body := d.want("/cases", 500, "Something went wrong here")
	if strings.Contains(body, "boom") {
		t.Error("an inner error is shown")
	}
	all.fail("", status.Error(codes.DeadlineExceeded, "slow"))
	d.want("/cases", 504, "It takes too long")
	all.fail("", status.Error(codes.PermissionDenied, "an auditor may not"))
	d.want("/cases", 403, "Not yours to see or do", "An auditor may not.")
}

func TestSignInAndWhoMayDoWhat(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil)
	res, _ := d.get("/cases?show=all")
	if to := res.Header.Get("Location"); res.StatusCode != http.StatusSeeOther || to != "/sign-in?next=%2Fcases%3Fshow%3Dall" {
		t.Errorf("without a token: %d to %q", res.StatusCode, to)
	}
	d.want("/sign-in", 200, "Use the token")
	for token, words := range map[string]string{"": "begins with sct_", "sct_nobody": "belongs to nobody here", "with space": "no spaces"} {
		if res, body := d.post("/sign-in", url.Values{"token": {token}}); res.StatusCode < 400 || !strings.Contains(body, words) {
			t.Errorf("token %q: %d, want words %q", token, res.StatusCode, words)
		}
	}
	res, _ = d.post("/sign-in", url.Values{"token": {ch.tokens["ada"]}, "next": {"//evil.example/"}})
	if to := res.Header.Get("Location"); to != "/" {
		t.Errorf("after the sign-in it goes to %q", to)
	}
	k := res.Cookies()[0]
	if !k.HttpOnly || k.SameSite != http.SameSiteStrictMode || strings.Contains(k.Value, ch.tokens["ada"]) {
		t.Errorf("cookie %v", k)
	}
	res, body := d.get("/cases")
	if res.StatusCode != 200 || strings.Contains(body, `aria-label="Quality"`) {
		t.Errorf("an author reads cases and is not offered them: %d", res.StatusCode)
	}
	if res, _ := d.post("/sign-out", nil); res.StatusCode != http.StatusSeeOther {
		t.Errorf("sign out: %d", res.StatusCode)
	}
	if res, _ := d.get("/"); res.StatusCode != http.StatusSeeOther {
		t.Errorf("after signing out: %d", res.StatusCode)
	}
}

func TestRequestsOfOtherSitesAreRefused(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	for _, h := range [][]string{{"Origin", "https://evil.example"}, {"Sec-Fetch-Site", "cross-site"}} {
		res, body := d.post(caseLink(driftCase(t, ch).Id), url.Values{"act": {"note"}, "note": {"x"}}, h...)
		if res.StatusCode != http.StatusForbidden || !strings.Contains(body, "another site") {
			t.Errorf("%v: %d", h, res.StatusCode)
		}
	}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.srv.URL+"/", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Host = "evil.example"
	if res, _ := d.do(req); res.StatusCode != http.StatusMisdirectedRequest {
		t.Errorf("another host's name: %d", res.StatusCode)
	}
}

// No page may be slow on a poor line: 200 kB as sent, with its sheet and script.
func TestPagesAreSmall(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	for name, path := range shownPages(t, ch) {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.srv.URL+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Accept-Encoding", "gzip")
		if _, packed := d.do(req); len(packed) > 180_000 {
			t.Errorf("%s is sent as %d bytes", name, len(packed))
		}
	}
}

func TestHeadersStaticsAndCompression(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	res, body := d.get("/")
	for name, want := range map[string]string{"Content-Security-Policy": "default-src 'none'", "X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "Cache-Control": "private, no-cache"} {
		if got := res.Header.Get(name); !strings.HasPrefix(got, want) {
			t.Errorf("%s is %q", name, got)
		}
	}
	for _, bad := range []string{" style=", "<style", "<script>", " onclick"} {
		if strings.Contains(body, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	css := regexp.MustCompile(`/static/[0-9a-f]+/console\.css`).FindString(body)
	res, sheet := d.get(css)
	if !strings.Contains(res.Header.Get("Cache-Control"), "immutable") || !strings.Contains(sheet, "--paper") || !strings.Contains(sheet, ".ch-tol") {
		t.Errorf("%s: %v", css, res.Header)
	}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.srv.URL+css, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("If-None-Match", res.Header.Get("ETag"))
	if res, _ := d.do(req); res.StatusCode != http.StatusNotModified {
		t.Errorf("asked again with its tag: %d", res.StatusCode)
	}
	if res, _ := d.get("/static/nothing.css"); res.StatusCode != http.StatusNotFound {
		t.Errorf("a static file that is not there: %d", res.StatusCode)
	}
	req.Header.Del("If-None-Match")
	req.Header.Set("Accept-Encoding", "gzip")
	if res, packed := d.do(req); res.Header.Get("Content-Encoding") != "gzip" || len(packed) >= len(sheet) {
		t.Errorf("packed to %d of %d bytes, %v", len(packed), len(sheet), res.Header)
	}
}

func TestNewsArriveAndAreResumed(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	for i := range 5 {
		d.con.live.tell(news{Cursor: uint64(i + 1), Text: "x", data: []byte(`{"text":"x"}`)})
	}
	read := func(last string, stop func(line string) bool) []string {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.srv.URL+"/live", nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Last-Event-ID", last)
		res, err := d.c.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = res.Body.Close() }()
		var out []string
		in := bufio.NewScanner(res.Body)
		for in.Scan() {
			if id, ok := strings.CutPrefix(in.Text(), "id: "); ok {
				out = append(out, id)
			}
			if stop(in.Text()) {
				return out
			}
		}
		return out
	}
	n := 0
	got := read("3", func(l string) bool {
		if strings.HasPrefix(l, "data: {\"t") {
			n++
		}
		return n == 2
	})
	if want := "5 4 5"; strings.Join(got, " ") != want {
		t.Errorf("after 3 it told %q, want %q", got, want)
	}
	d.waitOpen(0)
	told := make(chan []string, 1)
	go func() { told <- read("", func(l string) bool { return strings.HasPrefix(l, "data: {\"t") }) }()
	d.waitOpen(1)
	d.con.live.tell(news{Cursor: 6, data: []byte(`{"text":"y"}`)})
	if got := <-told; strings.Join(got, " ") != "5 6" {
		t.Errorf("a new page was told %q", got)
	}
	// Nobody signed in hears nothing, and is asked not to come back.
	if res, _ := openDesk(t, ch, nil).get("/live"); res.StatusCode != http.StatusNoContent {
		t.Errorf("without a sign-in: %d", res.StatusCode)
	}
}

func TestAThousandOpenPagesHearTheNews(t *testing.T) {
	const pages = 1000
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	heard := make(chan error, pages)
	for range pages {
		go func() {
			req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.srv.URL+"/live", nil)
			if err != nil {
				heard <- err
				return
			}
			res, err := d.c.Do(req)
			if err != nil {
				heard <- err
				return
			}
			defer func() { _ = res.Body.Close() }()
			in := bufio.NewScanner(res.Body)
			for in.Scan() {
				if strings.Contains(in.Text(), `"text":"news for all"`) {
					heard <- nil
					return
				}
			}
			heard <- errors.Join(errors.New("the stream ended without the news"), in.Err())
		}()
	}
	d.waitOpen(pages)
	d.con.live.tell(news{Cursor: 1, data: []byte(`{"text":"news for all"}`)})
	for range pages {
		if err := <-heard; err != nil {
			t.Fatal(err)
		}
	}
}

// waitOpen waits until so many pages listen.
func (d *desk) waitOpen(n int) {
	d.t.Helper()
	if err := eventually("pages listen", func() (bool, error) {
		d.con.live.mu.Lock()
		defer d.con.live.mu.Unlock()
		return len(d.con.live.open) == n, nil
	}); err != nil {
		d.t.Fatal(err)
	}
}

func TestTheHubFollowsTheCentre(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, func(c *Config) { c.Token = ch.tokens["lea"] })
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.con.Serve(ctx, lis) }()
	// A page that listens does not hold the end up.
	before, _, ch1, ok := d.con.live.join(0)
	if len(before) > 0 || !ok {
		t.Errorf("a page joins: %v, %d before", ok, len(before))
	}
	if err := eventually("the hub has the season's deviations", func() (bool, error) {
		d.con.live.mu.Lock()
		defer d.con.live.mu.Unlock()
		return d.con.live.last > 300, nil
	}); err != nil {
		t.Error(err)
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	for range ch1 { //nolint:revive // until it is closed
	}
}

func TestTheFirstDay(t *testing.T) {
	ch, err := openChain(testToday)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := ch.close(); err != nil {
			t.Error(err)
		}
	})
	// Nobody was added: whoever is at this machine may do everything.
	d := openDesk(t, ch, nil)
	d.want("/", 200, "The first day: nothing has been logged yet", "You, at this machine", "No station is enrolled yet", "No case is open")
	d.want("/cases", 200, "No case is open")
	d.want("/sites", 200, "needs two sites")
	d.want("/drinks", 404, "No book was published yet")
	d.want("/stations", 200, "samecup station-code")
	d.want("/builds", 200, "No build answers to this")
	d.want("/questions", 200, "Nothing about the logs")
}

// Counters that are all in spec, or all off it, leave nothing to compare; the page
// says so instead of failing.
func TestSitesThatAreAllAlikeAreNotCompared(t *testing.T) {
	ch := seasonChain(t)
	for _, c := range []struct {
		name, words string
		off         func(builds int64) int64
	}{
		{"none off spec", "nothing in which sites could differ", func(int64) int64 { return 0 }},
		{"all off spec", "look at the spec and the instruments before the sites", func(n int64) int64 { return n }},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := openDesk(t, ch, func(cfg *Config) {
				cfg.Quality = &tellConn{ClientConnInterface: cfg.Quality, change: func(reply any) {
					if r, ok := reply.(*pb.QueryRollupsResponse); ok {
						for _, g := range r.Rollups {
							n := g.Builds.GetBuilds()
							g.Builds = &pb.BuildCounts{Builds: n, OffSpec: c.off(n), InSpec: n - c.off(n)}
						}
					}
				}}
			}).as(ch.tokens["lea"])
			d.want("/sites", 200, c.words, "nothing to compare")
			for _, path := range []string{"/", "/drinks", "/drinks/latte/glass", "/stations", "/stations/tannery-row/bar-1?day=2026-10-26"} {
				d.want(path, 200)
			}
		})
	}
}
