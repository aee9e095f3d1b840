package tablet

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"
)

var inline = regexp.MustCompile(`(?i)<script(?:[^>]*)>[^<]|<style|\sstyle=|\son[a-z]+=|javascript:`)

func TestPagesKeepToTheirPolicy(t *testing.T) {
	s := newShop(t)
	v := visit(t, s)
	v.post("/begin", "serving", "mocha/medium")
	build := s.state().Open.ID
	for _, path := range []string{"/", "/drink/latte", "/people", "/dial-in", "/day", "/build/" + build, "/build/" + build + "/keypad?check=yield&n=1"} {
		res, err := v.c.Get(s.url() + path)
		if err != nil {
			t.Fatal(err)
		}
		body, _ := io.ReadAll(res.Body)
		res.Body.Close()
		h := res.Header
		if csp := h.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q", path, csp)
		}
		if h.Get("Cache-Control") != "no-store" || h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Referrer-Policy") != "same-origin" {
			t.Errorf("%s: headers %v", path, h)
		}
		if m := inline.Find(body); m != nil {
			t.Errorf("%s: %q breaks the policy", path, m)
		}
	}
}

func TestStrangersAreRefused(t *testing.T) {
	s := newShop(t)
	for name, set := range map[string]func(*http.Request){
		"another site's form":       func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		"another origin":            func(r *http.Request) { r.Header.Set("Origin", "http://elsewhere.example") },
		"a name pointed here":       func(r *http.Request) { r.Host = "elsewhere.example" },
		"a name pointed here, port": func(r *http.Request) { r.Host = "elsewhere.example:8080" },
	} {
		req, err := http.NewRequest(http.MethodPost, s.url()+"/begin", strings.NewReader("serving=espresso/double"))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		set(req)
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		if res.StatusCode < 400 || s.state().Open != nil {
			t.Errorf("%s: %d", name, res.StatusCode)
		}
	}
	v := visit(t, s)
	if status, _ := v.do(http.MethodGet, "/begin?serving=espresso/double", nil); status != http.StatusMethodNotAllowed {
		t.Errorf("GET begins a build: %d", status)
	}
	if status, _ := v.do(http.MethodPost, "/people", url.Values{"person": {strings.Repeat("x", maxForm)}}); status != http.StatusBadRequest {
		t.Errorf("a form without bounds: %d", status)
	}
}

// The first page with all it loads.
func TestTheFirstPageIsSmall(t *testing.T) {
	const most = 150_000
	s := newShop(t)
	total := 0
	read := func(path string) string {
		req, err := http.NewRequest(http.MethodGet, s.url()+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Accept-Encoding", "gzip")
		res, err := http.DefaultTransport.RoundTrip(req)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		sent, err := io.ReadAll(res.Body)
		if err != nil || res.StatusCode != http.StatusOK {
			t.Fatalf("%s: %d %v", path, res.StatusCode, err)
		}
		total += len(sent)
		if res.Header.Get("Content-Encoding") != "gzip" {
			return string(sent)
		}
		z, err := gzip.NewReader(bytes.NewReader(sent))
		if err != nil {
			t.Fatal(err)
		}
		plain, err := io.ReadAll(z)
		if err != nil {
			t.Fatal(err)
		}
		return string(plain)
	}
	html := read("/")
	assets := regexp.MustCompile(`(?:href|src)="(/static/[^"]+)"`).FindAllStringSubmatch(html, -1)
	if len(assets) < 3 {
		t.Fatalf("%d assets", len(assets))
	}
	for _, a := range assets {
		read(a[1])
	}
	t.Logf("%d bytes are transferred for the first page", total)
	if total > most {
		t.Errorf("%d bytes, allowed: %d", total, most)
	}
}

func TestNewsComeAsAStream(t *testing.T) {
	const limit = 300 * time.Millisecond
	s := newShop(t)
	srv := httptest.NewUnstartedServer(s.srv.Handler())
	srv.Config.WriteTimeout = limit
	srv.Start()
	defer srv.Close()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, srv.URL+"/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Last-Event-ID", "41")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.Header.Get("Content-Type") != "text/event-stream" || res.Header.Get("X-Accel-Buffering") != "no" {
		t.Errorf("%v", res.Header)
	}
	lines := bufio.NewScanner(res.Body)
	next := func(want string) {
		t.Helper()
		for lines.Scan() {
			if lines.Text() == want {
				return
			}
		}
		t.Fatalf("the stream ended before %q: %v", want, lines.Err())
	}
	next("id: 42")
	next("event: change")
	// The server's time limit for an answer is not the stream's.
	<-time.After(3 * limit)
	for _, name := range []string{"otter", "heron", "plover", "curlew", "tern"} {
		s.must(s.bar.SetPerson(context.Background(), name))
		next("event: change")
	}
	// Closing the server ends the stream.
	s.srv.Close()
	for lines.Scan() {
	}
	if ctx.Err() != nil {
		t.Error("the stream outlived the server")
	}
}

func TestStreamsAreBounded(t *testing.T) {
	s := newShop(t)
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	ask := func() *http.Response {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, s.url()+"/live", nil)
		if err != nil {
			t.Fatal(err)
		}
		res, err := (&http.Client{Transport: &http.Transport{DisableKeepAlives: true}}).Do(req)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { res.Body.Close() })
		return res
	}
	for range maxStreams {
		if res := ask(); res.StatusCode != http.StatusOK {
			t.Fatal(res.Status)
		}
	}
	if res := ask(); res.StatusCode != http.StatusServiceUnavailable || res.Header.Get("Retry-After") == "" {
		t.Errorf("one too many: %s", res.Status)
	}
}
