package console

import (
	"compress/gzip"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync"
)

// policy lets a page load from here only: no inline script or style, no frame
// around it, and forms that lead nowhere else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; " +
	"form-action 'self'; frame-ancestors 'none'; base-uri 'none'"

// guard sets what every answer carries and refuses requests that another site
// made a browser send.
func (c *Console) guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c.fail(w, r, person{}, &stateError{code: http.StatusForbidden, title: "Not from here",
			text: "This request was sent by another site, so nothing was done.", next: "Open the page here and do it again."})
	}))
	protected := cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=()")
		if overTLS(r) {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		h.Set("Cache-Control", "private, no-cache")
		if !c.hostKnown(r.Host) {
			http.Error(w, "this host name is not the console's; start it with --host to name it", http.StatusMisdirectedRequest)
			return
		}
		protected.ServeHTTP(w, r)
	})
}

// hostKnown keeps a foreign name that was made to point here from reading pages.
func (c *Console) hostKnown(hostport string) bool {
	return ownName(hostport) || c.hosts[hostport] || c.hosts[hostOf(hostport)]
}

func hostOf(hostport string) string {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		host = hostport
	}
	return strings.Trim(host, "[]")
}

// ownName says that a host is this machine's own: localhost or its loopback
// address.
func ownName(hostport string) bool {
	host := hostOf(hostport)
	a, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && a.IsLoopback()
}

var gzips = sync.Pool{New: func() any { return gzip.NewWriter(nil) }}

// compress packs text for whoever takes it. The stream of news is left alone: it
// must leave at once.
func compress(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Add("Vary", "Accept-Encoding")
		if strings.HasSuffix(r.URL.Path, "/live") || !strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
			next.ServeHTTP(w, r)
			return
		}
		p := &packed{ResponseWriter: w}
		defer p.close()
		next.ServeHTTP(p, r)
	})
}

// packed decides at the header whether to compress.
type packed struct {
	http.ResponseWriter
	z       *gzip.Writer
	decided bool
}

func (p *packed) WriteHeader(code int) {
	if !p.decided {
		p.decided = true
		h := p.Header()
		typ := h.Get("Content-Type")
		if code >= 200 && code != http.StatusNoContent && code != http.StatusNotModified && h.Get("Content-Encoding") == "" && typ != "application/pdf" && !strings.HasPrefix(typ, "image/png") {
			h.Set("Content-Encoding", "gzip")
			h.Del("Content-Length")
			// What was packed is another representation.
			if tag := h.Get("ETag"); tag != "" {
				h.Set("ETag", "W/"+strings.TrimPrefix(tag, "W/"))
			}
			p.z = gzips.Get().(*gzip.Writer)
			p.z.Reset(p.ResponseWriter)
		}
	}
	p.ResponseWriter.WriteHeader(code)
}

func (p *packed) Write(b []byte) (int, error) {
	if !p.decided {
		if p.Header().Get("Content-Type") == "" {
			p.Header().Set("Content-Type", http.DetectContentType(b))
		}
		p.WriteHeader(http.StatusOK)
	}
	if p.z != nil {
		return p.z.Write(b)
	}
	return p.ResponseWriter.Write(b)
}

func (p *packed) close() {
	if p.z != nil {
		_ = p.z.Close() // a reader who went away is no fault
		gzips.Put(p.z)
	}
}

// Unwrap lets http.ResponseController reach the connection.
func (p *packed) Unwrap() http.ResponseWriter { return p.ResponseWriter }
