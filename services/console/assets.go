package console

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
	"time"

	"samecup.example/samecup/internal/look"
	"samecup.example/samecup/services/console/chart"
)

//go:embed static
var staticFS embed.FS

// assets are the files that every page needs, by name. Their addresses carry
// their digest, so that a browser never asks twice.
type assets map[string]asset

type asset struct {
	body []byte
	tag  string
}

func loadAssets() (assets, error) {
	out := assets{}
	err := fs.WalkDir(staticFS, "static", func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		body, err := staticFS.ReadFile(name)
		if err != nil {
			return err
		}
		out.add(path.Base(name), body)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read the static files: %w", err)
	}
	own := out["console.css"].body
	out.add("console.css", bytes.Join([][]byte{look.CSS(), own, chart.CSS()}, []byte("\n")))
	return out, nil
}

func (a assets) add(name string, body []byte) {
	sum := sha256.Sum256(body)
	a[name] = asset{body: body, tag: hex.EncodeToString(sum[:6])}
}

// link is the address of a file.
func (a assets) link(name string) (string, error) {
	f, ok := a[name]
	if !ok {
		return "", fmt.Errorf("there is no static file %q", name)
	}
	return "/static/" + f.tag + "/" + name, nil
}

// ServeHTTP answers /static/<digest>/<name>, or <name> alone.
func (a assets) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	rest := strings.TrimPrefix(r.URL.Path, "/static/")
	tag, name, versioned := strings.Cut(rest, "/")
	if !versioned {
		name = tag
	}
	f, ok := a[name]
	if !ok {
		http.NotFound(w, r)
		return
	}
	if versioned && tag == f.tag {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	w.Header().Set("ETag", `"`+f.tag+`"`)
	w.Header().Set("Content-Type", mime.TypeByExtension(path.Ext(name)))
	http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(f.body))
}
