package tablet

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"net/http"
	"strings"

	"samecup.example/samecup/internal/look"
)

//go:embed static/tablet.css static/tablet.js static/icon.svg
var staticFiles embed.FS

// asset is a file that the pages load. Its path changes with its content, so it
// may be kept for ever.
type asset struct {
	path, contentType string
	plain, zipped     []byte
}

func loadAssets() (map[string]*asset, error) {
	out := map[string]*asset{}
	for name, kind := range map[string]string{
		"tablet.css": "text/css; charset=utf-8", "tablet.js": "text/javascript; charset=utf-8", "icon.svg": "image/svg+xml",
	} {
		b, err := staticFiles.ReadFile("static/" + name)
		if err != nil {
			return nil, fmt.Errorf("tablet: %w", err)
		}
		if name == "tablet.css" {
			b = bytes.Join([][]byte{look.CSS(), b}, []byte("\n"))
		}
		sum := sha256.Sum256(b)
		out[name] = &asset{"/static/" + name + "?v=" + hex.EncodeToString(sum[:6]), kind, b, zipped(b)}
	}
	return out, nil
}

func (s *Server) serveAsset(w http.ResponseWriter, r *http.Request) {
	a := s.assets[r.PathValue("name")]
	if a == nil {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Content-Type", a.contentType)
	h.Set("Vary", "Accept-Encoding")
	if strings.HasSuffix(a.path, "?"+r.URL.RawQuery) {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	body := a.plain
	if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		body = a.zipped
	}
	_, _ = w.Write(body) // the tablet went away: nobody is left to tell
}
