// Package tablet answers one question: what does a barista see and tap at the
// machine?
//
// It serves the page of one station from the station itself, so that it works
// with no network beyond the shop. Pages are plain HTML that works without
// script; one small script adds the running timer, live news and taps without
// a new page.
//
// What it says is data: texts/*.json, a file a language. What the book says
// (names, steps, cautions) stays in the chain's own words and is marked so for
// a screen reader.
package tablet

import (
	"context"
	"fmt"
	"html/template"
	"net"
	"net/http"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
)

// Config sets a Server up.
type Config struct {
	// Bar is what the pages show and drive.
	Bar Bar
	// Log takes what failed; nothing is logged if nil.
	Log *zap.Logger
	// Now is the station's clock; time.Now if nil.
	Now func() time.Time
	// Language is that of a browser that asks for none of ours; "en" if empty.
	Language string
	// BookLanguage is that of the chain's book, for screen readers; "en" if empty.
	BookLanguage string
	// Hosts are names, without port, that the page may be called by, beside
	// localhost and every IP address. Others are refused, so that no name
	// which somebody else points at this machine can drive it.
	Hosts []string
}

// Server serves the pages of one station.
type Server struct {
	cfg    Config
	texts  map[string]*texts
	pages  map[string]map[string]*template.Template
	assets map[string]*asset
	// live ends when Close is called, and with it all streams of news.
	live    context.Context
	endLive context.CancelFunc
	streams chan struct{}
}

// New makes a server. It fails for a missing bar or a language that it has no
// texts for.
func New(cfg Config) (*Server, error) {
	if cfg.Bar == nil {
		return nil, fmt.Errorf("tablet: bar is missing; pass the station's")
	}
	if cfg.Log == nil {
		cfg.Log = zap.NewNop()
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Language == "" {
		cfg.Language = "en"
	}
	if cfg.BookLanguage == "" {
		cfg.BookLanguage = "en"
	}
	all, err := loadTexts()
	if err != nil {
		return nil, err
	}
	if all[cfg.Language] == nil {
		return nil, fmt.Errorf("tablet: language is %q, allowed: %s", cfg.Language, strings.Join(languages(all), ", "))
	}
	s := &Server{cfg: cfg, texts: all, streams: make(chan struct{}, maxStreams)}
	if s.assets, err = loadAssets(); err != nil {
		return nil, err
	}
	if s.pages, err = loadPages(all); err != nil {
		return nil, err
	}
	s.live, s.endLive = context.WithCancel(context.Background())
	return s, nil
}

// Close ends the streams of news, for which http.Server.Shutdown would wait.
func (s *Server) Close() { s.endLive() }

// Handler serves the pages.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	get := func(pattern string, f pageFunc) { mux.Handle("GET "+pattern, s.show(f)) }
	post := func(pattern string, f actFunc, back pageFunc) { mux.Handle("POST "+pattern, s.act(f, back)) }

	get("/{$}", s.home)
	get("/drink/{drink}", s.drinkPage)
	get("/build", s.openBuild)
	get("/build/{build}", s.buildPage)
	get("/build/{build}/keypad", s.keypad)
	get("/taste/{build}", s.tastePage)
	get("/people", s.people)
	get("/dial-in", s.dialIn)
	get("/day", s.day)
	mux.HandleFunc("GET /live", s.serveLive)
	mux.HandleFunc("GET /static/{name}", s.serveAsset)

	post("/begin", s.begin, s.home)
	post("/build/{build}/step", s.step, s.buildPage)
	post("/build/{build}/timer", s.timer, s.buildPage)
	post("/build/{build}/reading", s.reading, s.buildPage)
	post("/build/{build}/keypad", s.reading, s.keypad)
	post("/build/{build}/use", s.use, s.buildPage)
	post("/build/{build}/skip", s.skip, s.buildPage)
	post("/build/{build}/finish", s.finish, s.buildPage)
	post("/build/{build}/abandon", s.abandon, s.buildPage)
	post("/undo", s.undo, s.home)
	post("/taste/{build}", s.taste, s.tastePage)
	post("/taste/{build}/skip", s.skipTasting, s.tastePage)
	post("/taste/{build}/show", s.showVerdict, s.home)
	post("/people", s.setPerson, s.people)
	post("/people/forget", s.forget, s.people)
	post("/news/read", s.readNews, s.home)
	post("/stops/seen", s.seenStop, s.home)
	post("/dial-in/{act}", s.dialInAct, s.dialIn)
	post("/language", s.setLanguage, s.home)

	return s.guard(http.NewCrossOriginProtection().Handler(mux))
}

// policy lets nothing run or load that this server did not send itself.
const policy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// guard refuses foreign names, bounds what is sent here and sets the headers
// that every answer carries.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		// Not "no-referrer": with it a browser sends "Origin: null", by which a
		// page of ours could not be told from a stranger's.
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !s.knownHost(r.Host) {
			http.Error(w, "This station does not answer to the name "+r.Host+". Call it by its address.", http.StatusMisdirectedRequest)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxForm)
		next.ServeHTTP(w, r)
	})
}

// maxForm bounds a form, bytes; the longest holds a note of a few hundred.
const maxForm = 16 << 10

func (s *Server) knownHost(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.Trim(host, "[]")
	return host == "localhost" || net.ParseIP(host) != nil || slices.Contains(s.cfg.Hosts, host)
}
