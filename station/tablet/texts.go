package tablet

import (
	"embed"
	"encoding/json"
	"fmt"
	"net/http"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
)

//go:embed texts/*.json
var textFiles embed.FS

// texts are the words of one language, and how it writes numbers and times.
type texts struct {
	Lang string
	m    map[string]string
}

func loadTexts() (map[string]*texts, error) {
	files, err := textFiles.ReadDir("texts")
	if err != nil {
		return nil, fmt.Errorf("tablet: texts: %w", err)
	}
	out := map[string]*texts{}
	for _, f := range files {
		b, err := textFiles.ReadFile("texts/" + f.Name())
		if err != nil {
			return nil, fmt.Errorf("tablet: texts: %w", err)
		}
		t := &texts{Lang: strings.TrimSuffix(f.Name(), path.Ext(f.Name()))}
		if err := json.Unmarshal(b, &t.m); err != nil {
			return nil, fmt.Errorf("tablet: texts/%s: %w", f.Name(), err)
		}
		out[t.Lang] = t
	}
	return out, nil
}

func languages(all map[string]*texts) []string {
	var out []string
	for lang := range all {
		out = append(out, lang)
	}
	slices.Sort(out)
	return out
}

// Has is true for a key that there is a text for.
func (t *texts) Has(key string) bool { return t.m[key] != "" }

// T is a text with its values put in place of {0}, {1} and so on. A key without
// a text shows itself; a test sees to it that there is none.
func (t *texts) T(key string, args ...any) string {
	text, ok := t.m[key]
	if !ok {
		return key
	}
	if len(args) == 0 {
		return text
	}
	pairs := make([]string, 0, 2*len(args))
	for i, a := range args {
		pairs = append(pairs, "{"+strconv.Itoa(i)+"}", t.arg(a))
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

// N is a text about n things: the key with ".one" or ".other".
func (t *texts) N(key string, n any, more ...any) string {
	text := t.arg(n)
	if text == "1" {
		key += ".one"
	} else {
		key += ".other"
	}
	return t.T(key, append([]any{n}, more...)...)
}

func (t *texts) arg(a any) string {
	switch v := a.(type) {
	case string:
		return v
	case drink.Milli:
		return t.Num(v)
	case float64:
		return t.Num(drink.Milli(v * 1000))
	default:
		return fmt.Sprint(v)
	}
}

// Num writes a value as the language does.
func (t *texts) Num(m drink.Milli) string {
	s := strings.Replace(m.String(), ".", t.m["locale.decimal"], 1)
	return strings.Replace(s, "-", "−", 1)
}

// Q writes a value with its unit, held together.
func (t *texts) Q(m drink.Milli, u drink.Unit) string {
	if s := u.Symbol(); s != "" {
		return t.Num(m) + "\u00a0" + s
	}
	return t.Num(m)
}

// Range writes limits: "26 to 32 s", "at most 65 °C".
func (t *texts) Range(low, high drink.Milli, u drink.Unit) string {
	switch {
	case low == drink.NoLow && high == drink.NoHigh:
		return t.T("range.any")
	case low == drink.NoLow:
		return t.T("range.most", t.Q(high, u))
	case high == drink.NoHigh:
		return t.T("range.least", t.Q(low, u))
	case low == high:
		return t.T("range.exactly", t.Q(low, u))
	}
	return t.T("range.between", t.Num(low), t.Q(high, u))
}

// Span is a length of time as a person says it, in its largest unit.
func (t *texts) Span(d time.Duration) string {
	switch d = max(d, 0); {
	case d < time.Minute:
		return t.T("span.moment")
	case d < 2*time.Hour:
		return t.N("span.minutes", int(d.Minutes()))
	case d < 48*time.Hour:
		return t.N("span.hours", int(d.Hours()))
	}
	return t.N("span.days", int(d.Hours()/24))
}

// parseNumber reads a value in base units as a person types it, with a point or
// a comma, to three places.
func parseNumber(text string) (drink.Milli, bool) {
	text = strings.Replace(strings.TrimSpace(text), "−", "-", 1)
	text = strings.Replace(text, ",", ".", 1)
	body, negative := strings.CutPrefix(text, "-")
	whole, part, _ := strings.Cut(body, ".")
	if whole == "" && part == "" || len(whole) > 9 || len(part) > 3 {
		return 0, false
	}
	var v int64
	for _, r := range whole + part + strings.Repeat("0", 3-len(part)) {
		if r < '0' || r > '9' {
			return 0, false
		}
		v = v*10 + int64(r-'0')
	}
	if negative {
		v = -v
	}
	return drink.Milli(v), true
}

// language is the one chosen at this tablet, else the first of the browser's
// that there are texts in, else the station's.
func (s *Server) language(r *http.Request) *texts {
	if c, err := r.Cookie(languageCookie); err == nil && s.texts[c.Value] != nil {
		return s.texts[c.Value]
	}
	for want := range strings.SplitSeq(r.Header.Get("Accept-Language"), ",") {
		want, _, _ = strings.Cut(strings.TrimSpace(want), ";")
		want, _, _ = strings.Cut(want, "-")
		if t := s.texts[strings.ToLower(want)]; t != nil {
			return t
		}
	}
	return s.texts[s.cfg.Language]
}

const languageCookie = "language"

func (s *Server) setLanguage(r *http.Request, w http.ResponseWriter) (string, error) {
	lang := r.PostFormValue("language")
	if s.texts[lang] == nil {
		return "", refuse("refuse.language", lang)
	}
	http.SetCookie(w, &http.Cookie{
		Name: languageCookie, Value: lang, Path: "/", MaxAge: 400 * 24 * 3600, HttpOnly: true, SameSite: http.SameSiteStrictMode,
	})
	return safePath(r.PostFormValue("back")), nil
}

// safePath keeps a way back on this server.
func safePath(p string) string {
	if !strings.HasPrefix(p, "/") || strings.HasPrefix(p, "//") || strings.ContainsAny(p, "\\\r\n") {
		return "/"
	}
	return p
}
