package chart

import (
	"bytes"
	"encoding/xml"
	"flag"
	"fmt"
	"image/png"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"github.com/google/go-cmp/cmp"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"

	"samecup.example/samecup/internal/stat"
)

var update = flag.Bool("update", false, "write the golden pictures anew; then look at them")

func ptr(v float64) *float64 { return &v }

func must[T any](t testing.TB) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func shots(n int, seed uint64) ([]float64, []string) {
	rng := rand.New(rand.NewPCG(seed, 1))
	var x []float64
	var labels []string
	start := time.Date(2026, 11, 16, 7, 0, 0, 0, time.UTC)
	for i := range n {
		v := 29 + rng.NormFloat64()*0.9
		if i > n*3/4 {
			v -= 2.4
		}
		x = append(x, math.Round(v*10)/10)
		labels = append(labels, start.Add(time.Duration(i)*37*time.Minute).Format("Mon 15:04"))
	}
	return x, labels
}

// pictures is one of each kind, from invented figures.
func pictures(t testing.TB) map[string]*Chart {
	t.Helper()
	x, labels := shots(48, 3)
	individuals := must[*stat.Charts](t)(stat.Individuals(x, stat.ChartOptions{Name: "shot time", Unit: "s", Labels: labels,
		Given: &stat.Given{Centre: 29, Sigma: 0.9}, Restarts: []stat.Restart{{At: 18, Reason: "new lot"}}, Tolerance: &stat.Tolerance{Lower: ptr(26), Upper: ptr(32)}}))
	var samples [][]float64
	var days []string
	for i := range 14 {
		s, _ := shots(8, uint64(i+1))
		samples = append(samples, s[:5])
		days = append(days, time.Date(2026, 11, 2+i, 0, 0, 0, 0, time.UTC).Format("2 Jan"))
	}
	means := must[*stat.Charts](t)(stat.XbarS(samples, stat.ChartOptions{Name: "shot time", Unit: "s", Labels: days}))
	ewma := must[*stat.Chart](t)(stat.EWMAChart(x, stat.DriftSettings{Lambda: 0.2, L: 2.962}, stat.ChartOptions{Name: "shot time", Unit: "s", Labels: labels,
		Given: &stat.Given{Centre: 29, Sigma: 0.9}}))
	var sites []stat.SiteCount
	for i, name := range []string{"Tannery Row", "Lantern Hill", "Oyster Steps", "Quillmaker Street", "Rope Walk", "Cooper Lane"} {
		n := []int{812, 604, 455, 390, 21, 1200}[i]
		sites = append(sites, stat.SiteCount{Site: name, N: n, Bad: int(float64(n) * []float64{0.09, 0.05, 0.045, 0.06, 0.1, 0.05}[i])})
	}
	f := must[stat.FunnelResult](t)(stat.Funnel(sites, nil))
	var rows []Interval
	for _, s := range f.Sites {
		r := Interval{Name: s.Site, Low: 100 * s.Wilson.Lower, Mid: 100 * s.Rate, High: 100 * s.Wilson.Upper, N: s.N, Href: "/site/" + strings.ToLower(s.Site)}
		if s.Band == stat.BandNotEnough {
			r.Enough = fmt.Sprintf("not enough data: about %d builds would do", s.Enough)
		}
		rows = append(rows, r)
	}
	from := time.Date(2026, 11, 18, 6, 30, 0, 0, time.UTC)
	day := []Series{{Name: "shot time, s", Tolerance: &Tolerance{Low: ptr(26), High: ptr(32), Label: "tolerance"}}, {Name: "milk, °C", Tolerance: &Tolerance{High: ptr(65), Label: "tolerance"}}}
	for i, v := range x[:30] {
		q := Timed{At: from.Add(time.Duration(i) * 21 * time.Minute), Value: v, Href: fmt.Sprintf("/build/%d", i)}
		if v < 26 || v > 32 {
			q.Off = "out of tolerance"
		}
		day[0].Points = append(day[0].Points, q)
		q.Value, q.Off = 59+v/10+float64(i%5), ""
		if q.Value > 65 {
			q.Off = "above the hard maximum"
		}
		day[1].Points = append(day[1].Points, q)
	}
	events := []Event{{from.Add(time.Hour), "release 7"}, {from.Add(4 * time.Hour), "grinder one step finer"}, {from.Add(270 * time.Minute), "lot HF-0412"}}
	var small []Small
	for i, s := range f.Sites {
		m := Small{Title: s.Site, Href: "/site/x"}
		for d := range 7 {
			v := 4 + float64(i) + math.Sin(float64(d*(i+1)))*2
			m.Points = append(m.Points, Point{XY: XY{float64(d), v}, Low: ptr(math.Max(0, v-1.5)), High: ptr(v + 2)})
		}
		small = append(small, m)
	}
	return map[string]*Chart{
		"control-individuals": Control("c1", individuals, func(i int) string { return fmt.Sprintf("/build/%d?a=1&b=<2>", i) }),
		"control-means":       Control("c2", means, nil),
		"control-ewma":        Control("c3", &stat.Charts{Location: ewma}, nil),
		"funnel":              must[*Chart](t)(FunnelPlot("c4", "Sites beside each other", "builds off spec", f, nil)),
		"intervals":           Intervals("c5", "Builds off spec by site", "builds off spec, %", rows, ptr(100*f.Target), "all together"),
		"histogram":           Histogram("c6", "Shot time against the tolerance of the book", "s", x, 0.5, &stat.Tolerance{Lower: ptr(26), Upper: ptr(32)}),
		"day":                 Day("c7", "Tannery Row bar-1, Wednesday 18 November", from, from.Add(11*time.Hour), day, events),
		"lanes": laneChart(10, func(i int) float64 { return float64(i*i) * 430 }, func(i int) string {
			return []string{"2.4", "espresso: scale without battery"}[i%2]
		}),
		"multiples": Multiples("c8", "Builds off spec by day", "off spec, %", DayAxis(time.Date(2026, 11, 16, 0, 0, 0, 0, time.UTC), 7, 4), small, 3),
	}
}

func TestGoldenPictures(t *testing.T) {
	for name, c := range pictures(t) {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			if err := c.SVG(&b); err != nil {
				t.Fatal(err)
			}
			path := filepath.Join("testdata", name+".svg")
			if *update {
				if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), b.String()); diff != "" {
				t.Errorf("picture differs; -update writes it anew, then look at it (-want +got)\n%s", diff)
			}
		})
	}
}

func TestEveryFormCanBeRead(t *testing.T) {
	for name, c := range pictures(t) {
		t.Run(name, func(t *testing.T) {
			for form, s := range map[string]string{"inline": c.Inline(), "file": file(t, c)} {
				wellFormed(t, form, s)
				if !strings.Contains(s, "<title") || !strings.Contains(s, "<desc") {
					t.Errorf("%s has no title or description for a screen reader", form)
				}
			}
			if in := c.Inline(); strings.Contains(in, "#") && strings.Contains(in, `fill="#`) {
				t.Error("a chart within a page fixes a colour; it must take the page's")
			}
			table := c.Table()
			if len(table.Rows) == 0 {
				t.Error("no data behind the chart")
			}
			for _, r := range table.Rows {
				if len(r) != len(table.Headers) {
					t.Fatalf("row %q has %d cells, the head %d", r, len(r), len(table.Headers))
				}
			}
			if err := table.CSV(io.Discard); err != nil {
				t.Error(err)
			}
			dir := os.Getenv("SAMECUP_PICTURES")
			if dir == "" && name != "control-individuals" && name != "multiples" {
				return // setting letters takes its time
			}
			var b bytes.Buffer
			if err := c.PNG(&b); err != nil {
				t.Fatal(err)
			}
			if dir != "" {
				if err := os.WriteFile(filepath.Join(dir, name+".png"), b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			if _, err := png.DecodeConfig(&b); err != nil {
				t.Error(err)
			}
		})
	}
}

func file(t *testing.T, c *Chart) string {
	var b bytes.Buffer
	if err := c.SVG(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func wellFormed(t *testing.T, form, s string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(s))
	for {
		if _, err := d.Token(); err == io.EOF {
			return
		} else if err != nil {
			t.Fatalf("%s: %v", form, err)
		}
	}
}

// A tolerance is an area with a solid edge and never dashed; a limit is dashed
// and never filled: nothing else may tell them apart on a photocopy.
func TestToleranceAndLimitCannotBeMistaken(t *testing.T) {
	for _, s := range styles {
		switch s.class {
		case "tol":
			if s.fill == "" || s.edge != "" {
				t.Errorf("the tolerance is not an area: %+v", s)
			}
		case "toledge":
			if s.dash != nil || s.width < 1 {
				t.Errorf("the tolerance's edge is not solid: %+v", s)
			}
		case "lim", "faint":
			if s.dash == nil || s.fill != "" {
				t.Errorf("a limit is not a bare dashed line: %+v", s)
			}
		}
	}
	c := pictures(t)["control-individuals"]
	s := c.Inline()
	for _, want := range []string{">tolerance of the book<", ">limits from its own past<"} {
		if !strings.Contains(s, want) {
			t.Errorf("the chart does not say %q", want)
		}
	}
	if n := len(c.Panels[1].Tolerances); n != 0 {
		t.Errorf("a chart of spreads shows %d tolerances; they are for single readings", n)
	}
}

func TestIntervalsAreNoLeagueTable(t *testing.T) {
	c := Intervals("i", "t", "%", []Interval{{Name: "Zinc Yard", Mid: 1}, {Name: "Ash Lane", Mid: 9}, {Name: "Mill End", Mid: 5}}, nil, "")
	var names []string
	for _, k := range c.Panels[0].Y.Ticks {
		names = append(names, k.Label)
	}
	if diff := cmp.Diff([]string{"Ash Lane", "Mill End", "Zinc Yard"}, names); diff != "" {
		t.Errorf("order (-want +got)\n%s", diff)
	}
}

func TestPDFHoldsTheChartAsLines(t *testing.T) {
	f := fpdf.New("P", "mm", "A4", "")
	f.SetCompression(false)
	f.AddUTF8FontFromBytes(PDFFont, "", goregular.TTF)
	f.AddUTF8FontFromBytes(PDFFont, "B", gobold.TTF)
	for name, c := range pictures(t) {
		f.AddPage()
		if err := c.PDF(f, 14, 20, 182); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if h := c.PDFHeight(182); h < 20 || h > 250 {
			t.Errorf("%s is %.0f mm high", name, h)
		}
	}
	var b bytes.Buffer
	if err := f.Output(&b); err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(b.Bytes(), []byte("/Subtype /Image")) {
		t.Error("a chart went into the document as pixels")
	}
	// Dashes of a limit, in points: 8 and 5 units at this scale.
	if !bytes.Contains(b.Bytes(), []byte("] 0.00 d")) {
		t.Error("no dashed line in the document")
	}
}

func TestNothingToDrawIsNoPanic(t *testing.T) {
	for _, c := range []*Chart{Histogram("h", "t", "s", nil, 1, nil), Intervals("i", "t", "%", nil, nil, ""),
		Day("d", "t", time.Unix(0, 0), time.Unix(3600, 0), nil, nil), Multiples("m", "t", "y", Axis{Max: 1}, nil, 0)} {
		wellFormed(t, c.ID, file(t, c))
	}
}

func FuzzControlStaysFinite(f *testing.F) {
	f.Add(1.0, 2.0, 3.0)
	f.Add(0.0, 5e-324, 0.0)
	f.Add(1e15, 1e15+1, 1e15)
	f.Add(1e140, -1e140, 0.0)
	f.Fuzz(func(t *testing.T, a, b, c float64) {
		pair, err := stat.Individuals([]float64{a, b, c}, stat.ChartOptions{Name: "yield <wet>", Unit: "g", SetAside: true, Restarts: []stat.Restart{{At: 2, Reason: "new lot"}}})
		if err != nil {
			return
		}
		s := file(t, Control("f", pair, nil))
		wellFormed(t, "file", s)
		if strings.Contains(s, "NaN") || strings.Contains(s, "Inf") || len(s) > 1e5 {
			t.Fatalf("picture of %d bytes: %.2000s", len(s), s)
		}
	})
}
