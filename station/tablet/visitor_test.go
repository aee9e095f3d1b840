package tablet

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"testing"
)

// visitor is a browser without script.
type visitor struct {
	t    testing.TB
	c    *http.Client
	base string
	lang string
	// at is where the last answer came from.
	at string
}

func visit(t testing.TB, s *shop) *visitor {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &visitor{t: t, c: &http.Client{Jar: jar, Timeout: patience}, base: s.url(), lang: "en"}
}

func (v *visitor) do(method, path string, form url.Values) (int, string) {
	v.t.Helper()
	req, err := http.NewRequest(method, v.base+path, strings.NewReader(form.Encode()))
	if err != nil {
		v.t.Fatal(err)
	}
	req.Header.Set("Accept-Language", v.lang)
	if method == http.MethodPost {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set("Origin", v.base)
	}
	res, err := v.c.Do(req)
	if err != nil {
		v.t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		v.t.Fatal(err)
	}
	v.at = res.Request.URL.Path
	return res.StatusCode, string(body)
}

func (v *visitor) get(path string) string {
	v.t.Helper()
	status, body := v.do(http.MethodGet, path, nil)
	if status != http.StatusOK {
		v.t.Fatalf("GET %s: %d: %s", path, status, plainText(body))
	}
	return body
}

// post sends a form of pairs and wants to be sent on to a page.
func (v *visitor) post(path string, pairs ...string) string {
	v.t.Helper()
	status, body := v.do(http.MethodPost, path, form(pairs))
	if status != http.StatusOK {
		v.t.Fatalf("POST %s %v: %d: %s", path, pairs, status, plainText(body))
	}
	return body
}

// refused sends a form that is to be refused and gives what the page says.
func (v *visitor) refused(path string, pairs ...string) string {
	v.t.Helper()
	status, body := v.do(http.MethodPost, path, form(pairs))
	if status < 400 || status >= 500 {
		v.t.Fatalf("POST %s %v: %d, want a refusal", path, pairs, status)
	}
	return plainText(body)
}

func form(pairs []string) url.Values {
	out := url.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		out.Add(pairs[i], pairs[i+1])
	}
	return out
}

var tags = regexp.MustCompile(`(?s)<head>.*?</head>|<[^>]*>`)

func plainText(body string) string {
	text := tags.ReplaceAllString(body, " ")
	for from, to := range map[string]string{"&#39;": "'", "&#34;": `"`, "&amp;": "&", "&#43;": "+", "\u00a0": " "} {
		text = strings.ReplaceAll(text, from, to)
	}
	return strings.Join(strings.Fields(text), " ")
}

func wants(t testing.TB, body string, all ...string) {
	t.Helper()
	text := plainText(body)
	for _, want := range all {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q:\n%s", want, text)
		}
	}
}

func lacks(t testing.TB, body string, all ...string) {
	t.Helper()
	text := plainText(body)
	for _, no := range all {
		if strings.Contains(text, no) {
			t.Errorf("the page says %q:\n%s", no, text)
		}
	}
}
