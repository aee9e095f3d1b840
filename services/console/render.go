package console

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"net/url"
	"strings"
	"time"

	"go.uber.org/zap"
)

//go:embed templates
var templateFS embed.FS

// shell is what the layout shows around a page.
type shell struct {
	Title   string
	Me      person
	Nav     []navGroup
	Path    *url.URL
	Now     time.Time
	Missing []string
	View    *view
	Data    any
	// Read tells how figures are read, by an example.
	Read string
}

// views are the templates by page; each holds the layout and the parts.
type views map[string]*template.Template

func loadViews(a assets) (views, error) {
	names, err := fs.Glob(templateFS, "templates/*.html")
	if err != nil {
		return nil, fmt.Errorf("list the templates: %w", err)
	}
	base, err := template.New("layout.html").Funcs(funcs(a)).ParseFS(templateFS, "templates/layout.html", "templates/parts.html", "templates/office.html")
	if err != nil {
		return nil, fmt.Errorf("read the layout: %w", err)
	}
	out := views{}
	for _, n := range names {
		name := strings.TrimSuffix(strings.TrimPrefix(n, "templates/"), ".html")
		if name == "layout" || name == "parts" || name == "office" {
			continue
		}
		t, err := template.Must(base.Clone()).ParseFS(templateFS, n)
		if err != nil {
			return nil, fmt.Errorf("read the template %s: %w", name, err)
		}
		out[name] = t
	}
	for _, p := range pages() {
		if out[p.name] == nil {
			return nil, fmt.Errorf("page %s has no templates/%s.html", p.path, p.name)
		}
	}
	return out, nil
}

// render writes a page whole or not at all.
func (c *Console) render(w http.ResponseWriter, r *http.Request, name string, code int, s *shell) {
	var b bytes.Buffer
	if err := c.look[name].ExecuteTemplate(&b, "layout.html", s); err != nil {
		c.log.Error("template failed", zap.String("template", name), zap.String("path", r.URL.Path), zap.Error(err))
		http.Error(w, "the page could not be made; why was logged", http.StatusInternalServerError)
		return
	}
	if code == 0 {
		code = http.StatusOK
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	_, _ = w.Write(b.Bytes()) // a reader who went away is no fault
}

func funcs(a assets) template.FuncMap {
	return template.FuncMap{
		"static": a.link,
		"drawn": func(f *Figure) template.HTML {
			return template.HTML(f.Inline()) // #nosec G203 -- the chart escapes all words
		},
		"rows": (*Table).rows,
		"cup":  cupHTML,
		"day":  func(t time.Time) string { return dateWords(t, "Monday 2 January 2006") },
		"help": helpFor, "list": func(s ...string) []string { return s }, "readingLink": readingLink,
		"plural":   plural,
		"sentence": sentence, "sentenceCase": sentenceCase,
		"stop": func(s string) string { return strings.TrimSuffix(s, ".") + "." },
		"join": func(s []string) string { return listWords(s) },
		"isodate": func(t time.Time) string {
			return t.UTC().Format(time.RFC3339)
		},
	}
}
