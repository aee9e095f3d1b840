package console

import (
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"go.uber.org/zap/zaptest"
)

// desk is a console with a browser's client.
type desk struct {
	t   *testing.T
	srv *httptest.Server
	c   *http.Client
	con *Console
}

func openDesk(t *testing.T, ch *chain, change func(*Config)) *desk {
	t.Helper()
	if ch.qc == nil {
		if err := ch.serveQuality(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	cfg := Config{Authority: ch.cc, Quality: ch.qc, Now: ch.now, Log: zaptest.NewLogger(t)}
	if change != nil {
		change(&cfg)
	}
	con, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(con.Handler())
	t.Cleanup(func() { srv.CloseClientConnections(); srv.Close() })
	jar := &oneJar{}
	return &desk{t: t, srv: srv, con: con, c: &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// oneJar keeps cookies of the one host.
type oneJar struct{ cookies []*http.Cookie }

func (j *oneJar) SetCookies(_ *url.URL, cs []*http.Cookie) {
	for _, c := range cs {
		if c.MaxAge < 0 {
			j.cookies = nil
			continue
		}
		j.cookies = append(j.cookies, c)
	}
}
func (j *oneJar) Cookies(*url.URL) []*http.Cookie { return j.cookies }

func (d *desk) do(req *http.Request) (*http.Response, string) {
	d.t.Helper()
	res, err := d.c.Do(req)
	if err != nil {
		d.t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		d.t.Fatal(err)
	}
	return res, string(body)
}

func (d *desk) get(path string) (*http.Response, string) {
	d.t.Helper()
	req, err := http.NewRequestWithContext(d.t.Context(), http.MethodGet, d.srv.URL+path, nil)
	if err != nil {
		d.t.Fatal(err)
	}
	return d.do(req)
}

func (d *desk) post(path string, form url.Values, headers ...string) (*http.Response, string) {
	d.t.Helper()
	req, err := http.NewRequestWithContext(d.t.Context(), http.MethodPost, d.srv.URL+path, strings.NewReader(form.Encode()))
	if err != nil {
		d.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for i := 0; i+1 < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	return d.do(req)
}

// as signs a person in.
func (d *desk) as(token string) *desk {
	d.t.Helper()
	res, body := d.post("/sign-in", url.Values{"token": {token}})
	if res.StatusCode != http.StatusSeeOther {
		d.t.Fatalf("sign in: %d %s", res.StatusCode, body)
	}
	return d
}

// want asks for a page and wants a status and words in it.
func (d *desk) want(path string, code int, words ...string) string {
	d.t.Helper()
	res, body := d.get(path)
	if res.StatusCode != code {
		d.t.Fatalf("%s: %d, want %d:\n%s", path, res.StatusCode, code, body)
	}
	for _, w := range words {
		if !strings.Contains(body, w) {
			d.t.Errorf("%s lacks %q", path, w)
		}
	}
	return body
}

func TestTodayAnswersWhatNeedsMe(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	d.want("/", 200, "Open cases, the gravest first", "Stations silent or stale", "never heard of", "holds no release", "Signals since yesterday", "95 % interval", "Builds off spec, day by day", `aria-current="page"`)
}
