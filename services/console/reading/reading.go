// Package reading answers: how does somebody read figures? What is stored is
// metric and has a decimal point; a [Reader] gives figures, units and days the form
// that a person reads, on pages and on paper alike.
package reading

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"

	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/number"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/services/console/chart"
)

// Reader is how somebody reads figures.
type Reader struct {
	Tag language.Tag
	// Chosen is set by a choice, not by what the browser asked for.
	Chosen bool
	// Decimal and Group are the signs within a figure.
	Decimal, Group string
	// MonthFirst writes Oct 26 and 3:04 PM.
	MonthFirst bool
	// US reads in US customary units.
	US bool
}

// Figures and times are made with signs of their own, which the last step turns
// into those of the reader: whoever writes a page needs no reader for that, and
// words that somebody typed stay as they are.
const (
	DecimalSign = "\ue000"
	GroupSign   = "\u202f"
	TimeBegins  = "\ue001"
	TimeEnds    = "\ue002"
)

// Plain is for whoever said nothing: ISO 80000-1 sets thousands apart by a thin
// space, which is read alike everywhere. It is also the reader of files.
var Plain = Reader{Tag: language.BritishEnglish, Decimal: ".", Group: GroupSign}

// New finds the signs of a language, with the digits 0 to 9.
func New(name string) (Reader, bool) {
	tag, err := language.Parse(name)
	if err != nil || len(name) > 35 {
		return Reader{}, false
	}
	if base, sure := tag.Base(); sure == language.No || base.String() == "mul" {
		return Reader{}, false // any language: "*"
	}
	latin, err := tag.SetTypeForKey("nu", "latn")
	if err != nil {
		return Reader{}, false
	}
	shown := message.NewPrinter(latin).Sprint(number.Decimal(1234567.5))
	signs := strings.FieldsFunc(shown, unicode.IsDigit)
	if len(signs) < 2 {
		return Reader{}, false
	}
	region, _ := tag.Region()
	return Reader{Tag: tag, Group: signs[0], Decimal: signs[len(signs)-1], MonthFirst: region.String() == "US" && tag.String() != "en"}, true
}

// Example tells the settings, as an example.
func (r Reader) Example() string {
	units := "metric"
	if r.US {
		units = "US customary units"
	}
	return "1" + GroupSign + "234" + DecimalSign + "5, " + units
}

// Mark gives a figure the sign that stands for the reader's.
func Mark(figure string) string { return strings.ReplaceAll(figure, ".", DecimalSign) }

// Fixed is a figure with so many decimals.
func Fixed(v float64, decimals int) string { return Mark(fmt.Sprintf("%.*f", decimals, v)) }

// PlainFigures turns the signs into those of a file: a point, and nothing between
// thousands.
func PlainFigures(s string) string { return plainSigns.Replace(s) }

var plainSigns = strings.NewReplacer(DecimalSign, ".", GroupSign, "", TimeBegins, "", TimeEnds, "")

// Words turns the signs in a text into the reader's.
func (r Reader) Words(s string) string {
	// What is left of a sign taken out of broken text could make another.
	s = strings.ToValidUTF8(s, "\uFFFD")
	if r.MonthFirst && strings.Contains(s, TimeBegins) {
		var b strings.Builder
		for {
			before, rest, ok := strings.Cut(s, TimeBegins)
			b.WriteString(before)
			if !ok {
				break
			}
			at, after, _ := strings.Cut(rest, TimeEnds)
			b.WriteString(monthFirst(at))
			s = after
		}
		s = b.String()
	}
	return r.signs().Replace(s)
}

// replacers by the signs of a reader: making one takes longer than a table's cell
// is worth.
var replacers sync.Map

func (r Reader) signs() *strings.Replacer {
	key := [2]string{r.Decimal, r.Group}
	if made, ok := replacers.Load(key); ok {
		return made.(*strings.Replacer)
	}
	made, _ := replacers.LoadOrStore(key, strings.NewReplacer(DecimalSign, r.Decimal, GroupSign, r.Group, TimeBegins, "", TimeEnds, ""))
	return made.(*strings.Replacer)
}

// DateWords is a day in one of the layouts that monthFirst can turn around.
func DateWords(t time.Time, layout string) string { return TimeBegins + t.Format(layout) + TimeEnds }

// turned are the layouts of times and days, with those of who reads the month
// first. A weekday is kept as it stands: without a year it cannot be known.
var turned = [][2]string{{"2 Jan 15:04", "Jan 2, 3:04\u00a0PM"}, {"2 Jan 2006 15:04", "Jan 2, 2006, 3:04\u00a0PM"}, {"2 January 2006", "January 2, 2006"}, {"2 January", "January 2"}, {"2 Jan", "Jan 2"}}

// monthFirst turns a time or day around, with the zone that follows and the
// weekday before it; what is neither stays as it is.
func monthFirst(s string) string {
	weekday, rest, ok := strings.Cut(s, " ")
	if !ok || !strings.Contains(" Mon Tue Wed Thu Fri Sat Sun Monday Tuesday Wednesday Thursday Friday Saturday Sunday ", " "+weekday+" ") {
		weekday, rest = "", s
	} else {
		weekday += ", "
	}
	day, zone := rest, ""
	if i := strings.LastIndexByte(rest, ' '); i > 0 && strings.Contains(rest, ":") && !strings.Contains(rest[i:], ":") {
		day, zone = rest[:i], rest[i:]
	}
	for _, l := range turned {
		if t, err := time.Parse(l[0], day); err == nil {
			return weekday + t.Format(l[1]) + zone
		}
	}
	return s
}

// Figures turns also points within figures that a chart wrote into the reader's:
// its words hold no other text than names and our own.
func (r Reader) Figures(s string) string {
	if r.MonthFirst {
		s = monthFirst(s) // the days of an axis
	}
	// In this order: a point between thousands is no decimal sign.
	return r.Words(chart.Decimals(s, r.Decimal))
}

// customary is a US unit: what is read is value x times + plus.
type customary struct {
	symbol      string
	times, plus float64
	decimals    int
}

// customaries by base unit. The avoirdupois ounce is 28.349523125 g, the US fluid
// ounce 29.5735295625 mL, the inch 25.4 mm, and a temperature in °F is 1.8 times
// that in °C plus 32, all exactly. Source: NIST SP 811 (2008), appendix B.8 and
// 4.2.1.1, and NIST Handbook 44, appendix C (from memory). Decimals are as fine
// as the metric figures: 0.001 oz is 0.03 g.
var customaries = map[drink.Unit]customary{
	drink.Gram:       {"oz", 1 / 28.349523125, 0, 3},
	drink.Millilitre: {"fl\u00a0oz", 1 / 29.5735295625, 0, 2},
	drink.Millimetre: {"in", 1 / 25.4, 0, 2},
	drink.Celsius:    {"°F", 1.8, 32, 1},
}

func (r Reader) customary(u drink.Unit) (customary, bool) {
	k, ok := customaries[u]
	return k, ok && r.US
}

// Symbol of the unit that is read.
func (r Reader) Symbol(u drink.Unit) string {
	if k, ok := r.customary(u); ok {
		return k.symbol
	}
	return u.Symbol()
}

// Value is a value in the unit that is read.
func (r Reader) Value(v float64, u drink.Unit) float64 {
	k, ok := r.customary(u)
	if !ok {
		return v
	}
	return v*k.times + k.plus
}

// Difference is a distance between two values in the unit that is read: 1 °C is
// then 1.8 °F, and no 32 is added.
func (r Reader) Difference(v float64, u drink.Unit) float64 {
	k, ok := r.customary(u)
	if !ok {
		return v
	}
	return v * k.times
}

// Decimals are how many a figure of the unit deserves where so many do in metric.
func (r Reader) Decimals(u drink.Unit, metric int) int {
	if k, ok := r.customary(u); ok {
		return k.decimals
	}
	return metric
}

// Figure is a converted figure, no finer than it deserves.
func (r Reader) Figure(v float64, u drink.Unit) string {
	if k, ok := r.customary(u); ok {
		s := strings.TrimRight(strings.TrimRight(strconv.FormatFloat(v, 'f', k.decimals, 64), "0"), ".")
		if s == "-0" {
			s = "0"
		}
		return Mark(s)
	}
	return Mark(chart.Number(v))
}

// Number is a value in thousandths, without its unit.
func (r Reader) Number(milli float64, u drink.Unit) string {
	return r.Figure(r.Value(math.Round(milli)/1000, u), u)
}

// Quantity is a value in thousandths with its unit.
func (r Reader) Quantity(milli float64, u drink.Unit) string {
	return WithUnit(r.Number(milli, u), r.Symbol(u))
}

// WithUnit keeps a figure and its unit on one line.
func WithUnit(figure, symbol string) string {
	if symbol == "" {
		return figure
	}
	return figure + "\u00a0" + symbol
}

// Rounded is a mean in thousandths, to a tenth of what the instrument shows.
func (r Reader) Rounded(milli float64, m *drink.Measure) string {
	return r.Figure(r.Value(toStep(milli, m), unitOf(m)), unitOf(m))
}

// Spread is a standard deviation in thousandths, as Rounded is a mean.
func (r Reader) Spread(milli float64, m *drink.Measure) string {
	return r.Figure(r.Difference(toStep(milli, m), unitOf(m)), unitOf(m))
}

// toStep rounds thousandths to a tenth of what the instrument shows.
func toStep(milli float64, m *drink.Measure) float64 {
	step := 100.0
	if m != nil {
		step = math.Max(1, float64(m.Resolution)/10)
	}
	return math.Round(milli/step) * step / 1000
}

// Limits are a tolerance in words.
func (r Reader) Limits(k *drink.Check, u drink.Unit) string {
	low, high := k.Low != drink.NoLow, k.High != drink.NoHigh
	switch {
	case low && high:
		return r.Number(float64(k.Low), u) + " to " + r.Quantity(float64(k.High), u)
	case low:
		return "at least " + r.Quantity(float64(k.Low), u)
	case high:
		return "at most " + r.Quantity(float64(k.High), u)
	}
	return "none"
}

// The point of ice, as the watch and its checks word it, and in °F: 1.8 times 1 °C,
// and 32 above 1.8 times 0 °C.
const (
	icePoint   = "0 ± 1 °C"
	icePointUS = "32 ± 1" + DecimalSign + "8 °F"
)

// Advice is a check in words, in the units that are read. Masses to weigh with,
// such as 20 g, are things, and stay.
func (r Reader) Advice(words string) string {
	if r.US {
		return strings.ReplaceAll(words, icePoint, icePointUS)
	}
	return words
}

func unitOf(m *drink.Measure) drink.Unit {
	if m == nil {
		return ""
	}
	return m.Unit
}

// Count sets thousands apart by the sign that becomes the reader's.
func Count(n int64) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + GroupSign + s[i:]
	}
	return s
}

// Percent of a share, with as many digits as it deserves.
func Percent(share float64) string {
	p := 100 * share
	switch {
	case p == 0 || p >= 99.95 || p >= 10:
		return Fixed(p, 0) + " %"
	case p < 1:
		return Fixed(p, 2) + " %"
	}
	return Fixed(p, 1) + " %"
}
