// Package look answers: how do Samecup's pages look? It holds the colours, type
// and sizes that the console and the tablet page share. The reasons stand in
// services/console/STYLE.md.
package look

import (
	"bytes"
	"embed"
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// FS holds tokens.css and base.css.
//
//go:embed tokens.css base.css
var FS embed.FS

// CSS is the tokens followed by the base rules: one sheet, to be served as
// text/css before a page's own rules.
func CSS() []byte {
	return bytes.Join([][]byte{read("tokens.css"), read("base.css")}, []byte("\n"))
}

func read(name string) []byte {
	b, err := FS.ReadFile(name)
	if err != nil {
		panic("look: " + err.Error()) // embedded at build
	}
	return b
}

// Scheme is the light or the dark set of colours.
type Scheme string

// The schemes of tokens.css.
const (
	Light Scheme = "light"
	Dark  Scheme = "dark"
)

// Pair is a foreground that is set upon a background somewhere. Names are
// tokens without their dashes.
type Pair struct {
	Fore, Back string
	// Min is the contrast ratio of WCAG 2.2 that it must reach: 4.5 for text
	// (1.4.3), 3 for edges of controls, focus and the lines of a chart (1.4.11).
	Min float64
}

// Pairs lists every pair in use. A page that sets another one adds it here.
func Pairs() []Pair {
	var out []Pair
	for _, back := range []string{"paper", "sheet", "shade"} {
		for _, fore := range []string{"ink", "ink-soft", "accent", "alert", "caution", "good"} {
			out = append(out, Pair{fore, back, 4.5})
		}
		for _, fore := range []string{"edge", "focus", "limit", "tolerance-edge"} {
			out = append(out, Pair{fore, back, 3})
		}
	}
	for _, back := range []string{"accent-wash", "alert-wash", "caution-wash", "good-wash", "tolerance"} {
		out = append(out, Pair{"ink", back, 4.5})
	}
	return append(out,
		Pair{"accent", "accent-wash", 4.5},
		Pair{"alert", "alert-wash", 4.5},
		Pair{"caution", "caution-wash", 4.5},
		Pair{"good", "good-wash", 4.5},
		Pair{"on-accent", "accent", 4.5},
		Pair{"on-alert", "alert", 4.5},
		Pair{"limit", "tolerance", 3},
		Pair{"alert", "tolerance", 4.5},
		Pair{"tolerance-edge", "tolerance", 3},
	)
}

var colour = regexp.MustCompile(`--([a-z0-9-]+):\s*#([0-9a-f]{6});`)

// Colours are the scheme's colours by token, as #rrggbb, for what is drawn where
// no style sheet reaches, such as a picture that is downloaded.
func Colours(s Scheme) (map[string]string, error) {
	css := string(read("tokens.css"))
	light, rest, ok := strings.Cut(css, "@media (prefers-color-scheme: dark)")
	dark, _, ok2 := strings.Cut(rest, "@media")
	if !ok || !ok2 {
		return nil, fmt.Errorf("tokens.css has lost the block of its dark scheme")
	}
	blocks := []string{light}
	switch s {
	case Light:
	case Dark:
		blocks = append(blocks, dark)
	default:
		return nil, fmt.Errorf("there is no scheme %q; use %q or %q", s, Light, Dark)
	}
	out := map[string]string{}
	for _, b := range blocks {
		for _, m := range colour.FindAllStringSubmatch(b, -1) {
			out[m[1]] = "#" + m[2]
		}
	}
	return out, nil
}

// rgb parses #rrggbb to parts from 0 to 1.
func rgb(hex string) ([3]float64, error) {
	if len(hex) != 7 || hex[0] != '#' {
		return [3]float64{}, fmt.Errorf("colour %q is not of the form #rrggbb", hex)
	}
	n, err := strconv.ParseUint(hex[1:], 16, 32)
	if err != nil {
		return [3]float64{}, fmt.Errorf("colour %q is not of the form #rrggbb: %w", hex, err)
	}
	return [3]float64{float64(n>>16) / 255, float64(n>>8&255) / 255, float64(n&255) / 255}, nil
}
