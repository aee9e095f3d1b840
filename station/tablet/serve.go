package tablet

import (
	"bytes"
	"compress/gzip"
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"time"

	"go.uber.org/zap"

	"samecup.example/samecup/station/bar"
)

//go:embed templates/*.html
var templateFiles embed.FS

var pageNames = []string{"home", "drink", "build", "keypad", "taste", "people", "dialin", "day"}

// funcs are what templates need beside the view's methods.
var funcs = template.FuncMap{
	"join": func(list []string) string { return strings.Join(list, ", ") },
	// pair hands a field and the view to a template within a template.
	"pair": func(v *view, f fieldView) struct {
		V *view
		F fieldView
	} {
		return struct {
			V *view
			F fieldView
		}{v, f}
	},
}

func loadPages(all map[string]*texts) (map[string]map[string]*template.Template, error) {
	out := map[string]map[string]*template.Template{}
	for lang := range all {
		out[lang] = map[string]*template.Template{}
		for _, name := range pageNames {
			t, err := template.New("layout.html").Funcs(funcs).ParseFS(templateFiles, "templates/layout.html", "templates/parts.html", "templates/"+name+".html")
			if err != nil {
				return nil, fmt.Errorf("tablet: page %s: %w", name, err)
			}
			out[lang][name] = t
		}
	}
	return out, nil
}

// view is what a template sees.
type view struct {
	*texts
	State bar.State
	// Page is the page's name, Title its title, Path where it stands.
	Page, Title, Path string
	// Error is why what was asked for was not done, Field where the fault lies.
	Error, Field string
	// BookLang is the language of what the book says, empty where the page is in
	// the same.
	BookLang string
	// Languages that the page can be had in, but for its own.
	Languages []string
	// TasteHere is true where the page itself says that a cup waits to be tasted.
	TasteHere bool
	// Style and Script are where the assets are.
	Style, Script string
	Body          any
}

// pageFunc fills a view's Page, Title and Body. An error that is an elsewhere
// sends the browser on.
type pageFunc func(r *http.Request, v *view) error

// actFunc does what a form asks for and says where to go on.
type actFunc func(r *http.Request, w http.ResponseWriter) (string, error)

// elsewhere is a page that has moved on.
type elsewhere string

func (e elsewhere) Error() string { return "go on at " + string(e) }

// notHere is a page that there is none of.
type notHere struct{ *bar.Refusal }

func refuse(key string, args ...any) *bar.Refusal {
	return &bar.Refusal{Text: key, Args: args, English: key}
}

func (s *Server) show(f pageFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { s.render(w, r, f, nil) })
}

func (s *Server) act(do actFunc, back pageFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if err := r.ParseForm(); err != nil {
			http.Error(w, "the form cannot be read: "+err.Error(), http.StatusBadRequest)
			return
		}
		// What was tapped is carried out even if the tablet goes away meanwhile.
		to, err := do(r.WithContext(context.WithoutCancel(r.Context())), w)
		if err != nil {
			s.render(w, r, back, err)
			return
		}
		http.Redirect(w, r, to, http.StatusSeeOther)
	})
}

// render shows a page, above it what went wrong before, if anything did.
func (s *Server) render(w http.ResponseWriter, r *http.Request, f pageFunc, wrong error) {
	v := s.newView(r)
	status := http.StatusOK
	var err error
	if v.State, err = s.cfg.Bar.State(r.Context()); err == nil {
		if v.State.Zone == nil {
			v.State.Zone = time.UTC
		}
		if wrong != nil {
			status = s.explain(v, r, wrong)
		}
		err = f(r, v)
	}
	var on elsewhere
	var gone notHere
	switch {
	case err == nil:
	case errors.As(err, &on) && wrong == nil:
		http.Redirect(w, r, string(on), http.StatusSeeOther)
		return
	case errors.As(err, &on):
		// The page that the form stood on is gone: say so at the start.
		err = s.home(r, v)
	case errors.As(err, &gone):
		if wrong == nil { // else what was wrong with the tap is said already
			status = http.StatusNotFound
			v.Error = s.say(v, gone.Refusal)
		}
		err = s.home(r, v)
	}
	if err != nil {
		s.cfg.Log.Error("page failed", zap.String("path", r.URL.Path), zap.Error(err))
		http.Error(w, v.T("trouble.page"), http.StatusServiceUnavailable)
		return
	}
	var out bytes.Buffer
	if err := s.pages[v.Lang][v.Page].Execute(&out, v); err != nil {
		s.cfg.Log.Error("page cannot be written", zap.String("page", v.Page), zap.Error(err))
		http.Error(w, v.T("trouble.page"), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Language", v.Lang)
	w.Header().Set("Vary", "Accept-Encoding, Accept-Language, Cookie")
	send(w, r, status, "text/html; charset=utf-8", out.Bytes())
}

func (s *Server) newView(r *http.Request) *view {
	t := s.language(r)
	v := &view{texts: t, Path: "/", Style: s.assets["tablet.css"].path, Script: s.assets["tablet.js"].path}
	if r.Method == http.MethodGet {
		v.Path = r.URL.RequestURI()
	}
	if s.cfg.BookLanguage != t.Lang {
		v.BookLang = s.cfg.BookLanguage
	}
	for _, lang := range languages(s.texts) {
		if lang != t.Lang {
			v.Languages = append(v.Languages, lang)
		}
	}
	return v
}

// explain puts an error into the words of the person at the machine. One that
// is not theirs to mend is logged.
func (s *Server) explain(v *view, r *http.Request, err error) int {
	var no *bar.Refusal
	if errors.As(err, &no) {
		v.Error, v.Field = s.say(v, no), no.Field
		return http.StatusConflict
	}
	s.cfg.Log.Error("tap failed", zap.String("path", r.URL.Path), zap.Error(err))
	v.Error = v.T("trouble.tap")
	return http.StatusInternalServerError
}

func (s *Server) say(v *view, no *bar.Refusal) string {
	for _, key := range []string{no.Text, "refuse." + no.Text} {
		if v.Has(key) {
			return v.T(key, no.Args...)
		}
	}
	return no.English
}

// send writes an answer, compressed where that is asked for and worth it.
func send(w http.ResponseWriter, r *http.Request, status int, contentType string, body []byte) {
	w.Header().Set("Content-Type", contentType)
	if len(body) > 512 && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		body = zipped(body)
		w.Header().Set("Content-Encoding", "gzip")
	}
	w.WriteHeader(status)
	_, _ = w.Write(body) // the tablet went away: nobody is left to tell
}

func zipped(b []byte) []byte {
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	_, _ = z.Write(b) // a Buffer takes everything
	_ = z.Close()
	return out.Bytes()
}
