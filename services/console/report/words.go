package report

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"

	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/number"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// writer writes numbers, dates and places as the reader is used to.
type writer struct {
	d       *Data
	p       *message.Printer
	monthst bool // the month comes first
}

func newWriter(d *Data) *writer {
	region, _ := d.Locale.Region()
	return &writer{d: d, p: message.NewPrinter(d.Locale), monthst: region == language.MustParseRegion("US")}
}

// number has at most places decimals.
func (w *writer) number(v float64, places int) string {
	return w.p.Sprint(number.Decimal(v, number.MaxFractionDigits(places)))
}

func (w *writer) count(n int) string { return w.number(float64(n), 0) }

// percent of a share from 0 to 1, with a decimal below 10 %.
func (w *writer) percent(share float64) string {
	places := 1
	if share >= 0.0995 {
		places = 0
	}
	return w.number(100*share, places) + " %"
}

// many is "1 build", "3 builds".
func (w *writer) many(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return w.count(n) + " " + one + "s"
}

func (w *writer) date(t time.Time) string {
	if w.monthst {
		return t.Format("January 2, 2006")
	}
	return t.Format("2 January 2006")
}

func (w *writer) day(t time.Time) string {
	if w.monthst {
		return t.Format("Mon, Jan 2")
	}
	return t.Format("Mon 2 Jan")
}

// moment is a time by the clock of a site.
func (w *writer) moment(t time.Time, site string) string {
	t = t.In(w.d.zone(site))
	clock := "15:04"
	if w.monthst {
		clock = "3:04 PM"
	}
	return w.day(t) + ", " + t.Format(clock)
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
	return strings.ToUpper(s[:1]) + s[1:]
}

// sentence ends words with a stop and begins them with a capital.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "?") || strings.HasSuffix(s, "!") {
		return capital(s)
	}
	return capital(s) + "."
}

// measure is how a signal's measure reads.
func measure(code string) string {
	base, syrup, _ := strings.Cut(code, "@")
	label := strings.ReplaceAll(base, "_", " ")
	if m := drink.MeasureByCode(base); m != nil {
		label = m.Label
	}
	if syrup != "" {
		label += " with " + syrup
	}
	return label
}

func unit(code string) string {
	base, _, _ := strings.Cut(code, "@")
	if m := drink.MeasureByCode(base); m != nil {
		return m.Unit.Symbol()
	}
	return ""
}

// movedBy is a signal's change with its sign and unit.
func (w *writer) movedBy(s *pb.Signal) string {
	v := s.Moved
	if v == 0 || math.IsNaN(v) {
		switch s.Direction {
		case 1:
			return "up"
		case -1:
			return "down"
		}
		return ""
	}
	sign := "+"
	if v < 0 {
		sign, v = "−", -v
	}
	return strings.TrimSpace(sign + w.number(v, 2) + " " + unit(s.Measure))
}

// sureOrder ranks the words of the watch, the surest first.
var sureOrder = []string{"very sure", "fairly sure", "likely, may be chance", "may be chance"}

// weekWords are the week's number and dates.
func (w *writer) weekWords() string {
	m, s := w.d.Week.Monday(), w.d.Week.Sunday()
	if w.monthst {
		return fmt.Sprintf("Week %d of %d, %s to %s", w.d.Week.Number, w.d.Week.Year, m.Format("January 2"), w.date(s))
	}
	from := m.Format("2 January")
	if m.Year() != s.Year() {
		from = w.date(m)
	}
	return fmt.Sprintf("Week %d of %d, %s to %s", w.d.Week.Number, w.d.Week.Year, from, w.date(s))
}
