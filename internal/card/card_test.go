package card

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/drink"
)

var update = flag.Bool("update", false, "rewrite the golden cards")

func TestGoldenCards(t *testing.T) {
	b := loadBook(t, "testdata/book")
	for _, c := range []struct {
		id string
		o  Options
	}{{"cappuccino/cup", released}, {"affogato/glass", Options{}}, {"dirty-chai/glass", Options{Release: 3}}} {
		s, ok := b.ServingByID(c.id)
		if !ok {
			t.Fatalf("no serving %s", c.id)
		}
		p, err := Draw(b, s, c.o)
		if err != nil {
			t.Fatal(err)
		}
		var got bytes.Buffer
		if err := p.SVG(&got); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join("testdata", "golden", strings.ReplaceAll(c.id, "/", "-")+".svg")
		if *update {
			if err := os.WriteFile(path, got.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got.String(), "\n")); diff != "" {
			t.Errorf("%s differs from its golden card; look at it, then go test -update:\n%s", c.id, diff)
		}
	}
}

func TestSVGIsWellFormedAndSaysWhatItShows(t *testing.T) {
	bothBooks(t, func(t *testing.T, b *drink.Book, s *drink.Serving) {
		p, err := Draw(b, s, released)
		if err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		if err := p.SVG(&out); err != nil {
			t.Fatal(err)
		}
		said := map[string]string{}
		var open []string
		for d := xml.NewDecoder(&out); ; {
			tok, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			switch e := tok.(type) {
			case xml.StartElement:
				open = append(open, e.Name.Local)
			case xml.EndElement:
				open = open[:len(open)-1]
			case xml.CharData:
				if len(open) > 0 {
					said[open[len(open)-1]] += string(e)
				}
			}
		}
		if !strings.Contains(said["title"], s.DrinkName) {
			t.Errorf("title %q", said["title"])
		}
		for _, want := range []string{"Cross-section", "Steps: 1.", "Contains: "} {
			if !strings.Contains(said["desc"], want) {
				t.Errorf("description lacks %q: %s", want, said["desc"])
			}
		}
	})
}

// textBox is what a line of words covers, by the font's usual heights.
func textBox(o text) (lo, hi point) {
	return point{o.at.x, o.at.y - 0.72*o.size}, point{o.at.x + o.width, o.at.y + 0.2*o.size}
}

// layoutFaults lists what runs off the page and what words cover each other.
func layoutFaults(p *Page) []string {
	var out []string
	var all []text
	check := func(what string, pts ...point) {
		for _, q := range pts {
			if !(q.x >= 3 && q.x <= PageWidth-3 && q.y >= 2 && q.y <= PageHeight-3) {
				out = append(out, fmt.Sprintf("%s runs off the page at %.1f, %.1f", what, q.x, q.y))
				return
			}
		}
	}
	for _, op := range p.ops {
		switch o := op.(type) {
		case fill:
			for _, poly := range o.polys {
				check("a shape", poly...)
			}
		case stroke:
			check("a line", o.pts...)
		case disc:
			check("a disc", o.at)
		case text:
			lo, hi := textBox(o)
			check(fmt.Sprintf("%q", o.words), lo, hi)
			for _, other := range all {
				l, h := textBox(other)
				if lo.x < h.x-0.01 && l.x < hi.x-0.01 && lo.y < h.y-0.01 && l.y < hi.y-0.01 {
					out = append(out, fmt.Sprintf("%q and %q overlap", o.words, other.words))
				}
			}
			all = append(all, o)
		}
	}
	return out
}

func TestNothingOverlapsOrRunsOffThePage(t *testing.T) {
	bothBooks(t, func(t *testing.T, b *drink.Book, s *drink.Serving) {
		for _, o := range []Options{{}, released} {
			p, err := Draw(b, s, o)
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range layoutFaults(p) {
				t.Error(f)
			}
			// A step below 2.8 mm (8 point) is not legible at arm's length.
			for _, op := range p.ops {
				if o, ok := op.(text); ok && o.bold && o.words == "1" && o.size < 2.8 {
					t.Errorf("steps are set at %.1f mm", o.size)
				}
			}
		}
	})
}

func TestTheLongestDrinkStaysOnItsPage(t *testing.T) {
	b := loadBook(t, "testdata/book")
	base, _ := b.ServingByID("dirty-chai/glass")
	s := *base
	s.DrinkName = strings.Repeat("Extraordinarily long-named ", 6)
	s.ID = strings.Repeat("extraordinarily-long/", 8)
	s.Cautions = []string{strings.Repeat("Mind this and that, and then mind it again. ", 12), strings.Repeat("unbroken", 60)}
	for i := range 40 {
		s.Steps = append(s.Steps, drink.Step{ID: fmt.Sprint("more", i), Act: "stir", Text: strings.Repeat("stir slowly and look ", 1+i%7), After: []string{"pull"}})
	}
	for _, o := range []Options{{}, released} {
		p, err := Draw(b, &s, o)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range layoutFaults(p) {
			t.Error(f)
		}
	}
}

func TestPNGHasTheSizeAsked(t *testing.T) {
	b := loadBook(t, "testdata/book")
	s, _ := b.ServingByID("cappuccino/cup")
	p, err := Draw(b, s, released)
	if err != nil {
		t.Fatal(err)
	}
	for dpi, want := range map[int][2]int{0: {1165, 1654}, 72: {420, 595}} {
		var out bytes.Buffer
		if err := p.PNG(&out, dpi); err != nil {
			t.Fatal(err)
		}
		c, err := png.DecodeConfig(&out)
		if err != nil || c.Width != want[0] || c.Height != want[1] {
			t.Errorf("dpi %d: %d x %d, %v", dpi, c.Width, c.Height, err)
		}
	}
	for _, dpi := range []int{-1, 35, 1201} {
		if err := p.PNG(io.Discard, dpi); err == nil || !strings.Contains(err.Error(), "36 to 1200") {
			t.Errorf("dpi %d: %v", dpi, err)
		}
	}
}

// Kinds that never meet in one cup, or are the same thing to a barista, share a
// pattern; all others must differ by more than their tone.
func TestPatternsDifferInBlackAndWhite(t *testing.T) {
	same := map[string]string{"coffee": Espresso, "plant_milk": "milk", "topping": "powder"}
	byPattern := map[Pattern]string{}
	for _, kind := range append([]string{Espresso, Froth}, drink.IngredientKinds...) {
		if _, ok := same[kind]; ok {
			continue
		}
		st, ok := styles[kind]
		if !ok {
			t.Errorf("kind %s has no style", kind)
		}
		if other, taken := byPattern[st.Pattern]; taken {
			t.Errorf("%s and %s have the same pattern", kind, other)
		}
		byPattern[st.Pattern] = kind
	}
}

func TestOptions(t *testing.T) {
	if got, want := CodeText(released, "latte/small"), "samecup:release:7:9f86d081884c7d65:latte/small"; got != want {
		t.Errorf("code %q, want %q", got, want)
	}
	if got := CodeText(Options{Release: 7}, "latte/small"); got != "" {
		t.Errorf("a release with no digest has code %q", got)
	}
	for _, c := range []struct {
		o    Options
		want string
	}{
		{Options{Effective: time.Now()}, "release 0"},
		{Options{Release: 1, Digest: []byte{1, 2}}, "at least 8 bytes"},
		{Options{Release: 1, Code: strings.Repeat("x", 301)}, "at most 300"},
	} {
		if err := c.o.Check(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", c.o, err)
		}
	}
	for _, bad := range []string{"", "zz", "9f86d081884c7d6", "9f86"} {
		if _, err := ParseDigest(bad); err == nil {
			t.Errorf("digest %q was taken", bad)
		}
	}
}

func TestFooterSaysWhetherItIsReleased(t *testing.T) {
	b := loadBook(t, "testdata/book")
	s, _ := b.ServingByID("affogato/glass")
	for want, o := range map[string]Options{"draft: not released": {}, "release 7, in force from 2026-05-04 03:00 UTC": released} {
		p, err := Draw(b, s, o)
		if err != nil {
			t.Fatal(err)
		}
		found := false
		for _, op := range p.ops {
			if o, ok := op.(text); ok && o.words == want {
				found = true
			}
		}
		if !found {
			t.Errorf("footer lacks %q", want)
		}
	}
}

func TestWordsAreThoseOfTheTextCard(t *testing.T) {
	bothBooks(t, func(t *testing.T, b *drink.Book, s *drink.Serving) {
		w := wordsOf(b, s)
		checks := len(w.handover)
		for _, st := range w.steps {
			checks += len(st.checks)
		}
		if len(w.steps) != len(s.Steps) || checks != len(s.Checks) {
			t.Errorf("%d steps and %d tolerances of %d and %d", len(w.steps), checks, len(s.Steps), len(s.Checks))
		}
		if w.garnish == "" || w.contains == "" || w.mayContain == "" || s.Shots > 0 && w.coffee == "" {
			t.Errorf("words are missing: %+v", w)
		}
	})
}
