package report

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/reading"
)

// writer writes numbers, units, dates and places with the signs of package
// reading, which the last step of [Build] turns into those of the reader.
type writer struct {
	d    *Data
	read reading.Reader
}

// british reads a report that nobody chose a language for.
var british, _ = reading.New("en-GB")

func newWriter(d *Data) *writer {
	w := &writer{d: d, read: d.Read}
	if w.read.Decimal == "" {
		us := w.read.US
		w.read, w.read.US = british, us
	}
	return w
}

// number has at most places decimals.
func (w *writer) number(v float64, places int) string {
	whole, part, _ := strings.Cut(strconv.FormatFloat(math.Abs(v), 'f', places, 64), ".")
	n, err := strconv.ParseInt(whole, 10, 64)
	if err != nil {
		return reading.Mark(strconv.FormatFloat(v, 'g', 4, 64)) // beyond any count
	}
	out := reading.Count(n)
	if part = strings.TrimRight(part, "0"); part != "" {
		out += reading.Mark("." + part)
	}
	if v < 0 && out != "0" {
		out = "−" + out
	}
	return out
}

func (w *writer) count(n int) string { return reading.Count(int64(n)) }

// percent of a share from 0 to 1.
func (w *writer) percent(share float64) string { return reading.Percent(share) }

// many is "1 build", "3 builds".
func (w *writer) many(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return w.count(n) + " " + one + "s"
}

func (w *writer) date(t time.Time) string { return reading.DateWords(t, "2 January 2006") }

func (w *writer) day(t time.Time) string { return reading.DateWords(t, "Mon 2 Jan") }

// moment is a time by the clock of a site.
func (w *writer) moment(t time.Time, site string) string {
	return reading.DateWords(t.In(w.d.zone(site)), "Mon 2 Jan 15:04")
}

// place is a site by its name, and the station within.
func (w *writer) place(site, station string) string {
	name := site
	for _, s := range w.d.Sites {
		if s.Id == site {
			name = cmp.Or(s.Name, site)
		}
	}
	if station == "" {
		return name
	}
	return name + ", " + station
}

// places names up to three.
func (w *writer) places(sites []string) string {
	if len(sites) == 0 {
		return "the whole chain"
	}
	var names []string
	for i, s := range sites {
		if i == 3 && len(sites) > 4 {
			return strings.Join(names, ", ") + " and " + w.count(len(sites)-3) + " more sites"
		}
		names = append(names, w.place(s, ""))
	}
	return strings.Join(names, ", ")
}

// scope names what the report is about.
func (w *writer) scope() string {
	s := w.d.Scope
	switch {
	case s.Site != "":
		return w.place(s.Site, "")
	case s.Region != "":
		return "Area " + named(s.Region)
	}
	return "The whole chain"
}

// named turns a slug into a name.
func named(slug string) string {
	words := strings.Split(slug, "-")
	for i, s := range words {
		words[i] = capital(s)
	}
	return strings.Join(words, " ")
}

func capital(s string) string {
	if s == "" {
		return s
	}
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}

// sentence ends words with a stop and begins them with a capital.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "?") || strings.HasSuffix(s, "!") {
		return capital(s)
	}
	return capital(s) + "."
}

// thing is what people call a drink or an ingredient.
func (w *writer) thing(id string) string {
	if name := w.d.Names[id]; name != "" {
		return name
	}
	return strings.ReplaceAll(id, "_", " ")
}

// measure is how a signal's measure, or the thing that a finding is about, reads.
func (w *writer) measure(code string) string {
	base, syrup, _ := strings.Cut(code, "@")
	label := w.thing(base)
	if m := drink.MeasureByCode(base); m != nil {
		label = m.Label
	}
	if syrup != "" {
		label += " with " + w.thing(syrup)
	}
	return label
}

// serving is a serving as people say it: "Flat white, cup, Whole milk".
func (w *writer) serving(id string) string {
	parts := strings.Split(id, "/")
	for i := range parts {
		parts[i] = strings.ReplaceAll(w.thing(parts[i]), "-", " ")
	}
	return strings.Join(parts, ", ")
}

func unitOf(code string) drink.Unit {
	base, _, _ := strings.Cut(code, "@")
	if m := drink.MeasureByCode(base); m != nil {
		return m.Unit
	}
	return ""
}

// movedBy is a signal's change with its sign and unit.
func (w *writer) movedBy(s *pb.Signal) string {
	v, u := s.Moved, unitOf(s.Measure)
	if v == 0 || math.IsNaN(v) {
		switch s.Direction {
		case 1:
			return "up"
		case -1:
			return "down"
		}
		return ""
	}
	out := w.number(w.read.Difference(v, u), w.read.Decimals(u, 2))
	if v > 0 {
		out = "+" + out
	}
	return reading.WithUnit(out, w.read.Symbol(u))
}

// sureOrder ranks the words of the watch, the surest first.
var sureOrder = []string{"very sure", "fairly sure", "likely, may be chance", "may be chance"}

// weekWords are the week's number and dates.
func (w *writer) weekWords() string {
	m, s := w.d.Week.Monday(), w.d.Week.Sunday()
	from := reading.DateWords(m, "2 January")
	if m.Year() != s.Year() {
		from = w.date(m)
	}
	return fmt.Sprintf("Week %d of %d, %s to %s", w.d.Week.Number, w.d.Week.Year, from, w.date(s))
}
