package console

import (
	"bytes"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"

	"golang.org/x/text/language"
	"golang.org/x/text/language/display"
	"golang.org/x/text/message"
	"golang.org/x/text/number"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/services/console/chart"
)

// reader is how somebody reads figures. What is stored is metric; pages and
// pictures follow the reader, files of tables do not.
type reader struct {
	tag language.Tag
	// chosen is set by a choice, not by what the browser asked for.
	chosen bool
	// decimal and group are the signs within a figure.
	decimal, group string
	// monthFirst writes Oct 26 and 3:04 PM.
	monthFirst bool
	// us reads in US customary units.
	us bool
}

// Figures and times are made with signs of their own, which the last step turns
// into those of the reader: whoever writes a page needs no reader for that, and
// words that somebody typed stay as they are.
const (
	decimalSign = "\ue000"
	groupSign   = "\u202f"
	timeBegins  = "\ue001"
	timeEnds    = "\ue002"
)

// plainReader is for whoever said nothing: ISO 80000-1 sets thousands apart by a
// thin space, which is read alike everywhere.
var plainReader = reader{tag: language.BritishEnglish, decimal: ".", group: groupSign}

const readingCookie = "samecup_reading"

// readings are offered; any other language tag may be in the address of a form.
var readings = []string{"en-GB", "en-US", "de-DE", "de-CH", "fr-FR", "es-ES", "it-IT", "nl-NL", "pt-BR", "sv-SE", "pl-PL", "ja-JP"}

// readerOf takes the person's choice, else what the browser asks for.
func readerOf(r *http.Request) reader {
	if k, err := r.Cookie(readingCookie); err == nil {
		tag, units, _ := strings.Cut(k.Value, ".")
		if out, ok := newReader(tag); ok {
			out.us, out.chosen = units == "us", true
			return out
		}
	}
	tags, _, err := language.ParseAcceptLanguage(r.Header.Get("Accept-Language"))
	if err != nil || len(tags) == 0 || len(r.Header.Get("Accept-Language")) > 500 {
		return plainReader
	}
	out, ok := newReader(tags[0].String())
	if !ok {
		return plainReader
	}
	return out
}

// newReader finds the signs of a language, with the digits 0 to 9.
func newReader(name string) (reader, bool) {
	tag, err := language.Parse(name)
	if err != nil || len(name) > 35 {
		return reader{}, false
	}
	if base, sure := tag.Base(); sure == language.No || base.String() == "mul" {
		return reader{}, false // any language: "*"
	}
	latin, err := tag.SetTypeForKey("nu", "latn")
	if err != nil {
		return reader{}, false
	}
	shown := message.NewPrinter(latin).Sprint(number.Decimal(1234567.5))
	signs := strings.FieldsFunc(shown, unicode.IsDigit)
	if len(signs) < 2 {
		return reader{}, false
	}
	region, _ := tag.Region()
	return reader{tag: tag, group: signs[0], decimal: signs[len(signs)-1], monthFirst: region.String() == "US" && tag.String() != "en"}, true
}

// Words tell the settings, as an example.
func (r reader) Words() string {
	units := "metric"
	if r.us {
		units = "US customary units"
	}
	return "1" + groupSign + "234" + decimalSign + "5, " + units
}

// mark gives a figure the sign that stands for the reader's.
func mark(figure string) string { return strings.ReplaceAll(figure, ".", decimalSign) }

// fixed is a figure with so many decimals.
func fixed(v float64, decimals int) string { return mark(fmt.Sprintf("%.*f", decimals, v)) }

// plainFigures turns the signs into those of a file: a point, and nothing between
// thousands.
func plainFigures(s string) string { return plainSigns.Replace(s) }

var plainSigns = strings.NewReplacer(decimalSign, ".", groupSign, "", timeBegins, "", timeEnds, "")

// words turns the signs in a text into the reader's.
func (r reader) words(s string) string {
	if r.monthFirst && strings.Contains(s, timeBegins) {
		var b strings.Builder
		for {
			before, rest, ok := strings.Cut(s, timeBegins)
			b.WriteString(before)
			if !ok {
				break
			}
			at, after, _ := strings.Cut(rest, timeEnds)
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

func (r reader) signs() *strings.Replacer {
	key := [2]string{r.decimal, r.group}
	if made, ok := replacers.Load(key); ok {
		return made.(*strings.Replacer)
	}
	made, _ := replacers.LoadOrStore(key, strings.NewReplacer(decimalSign, r.decimal, groupSign, r.group, timeBegins, "", timeEnds, ""))
	return made.(*strings.Replacer)
}

// dateWords is a day in one of the layouts that monthFirst can turn around.
func dateWords(t time.Time, layout string) string { return timeBegins + t.Format(layout) + timeEnds }

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
	if i := strings.LastIndexByte(rest, ' '); i > 0 && strings.Contains(rest, ":") {
		day, zone = rest[:i], rest[i:]
	}
	for _, l := range turned {
		if t, err := time.Parse(l[0], day); err == nil {
			return weekday + t.Format(l[1]) + zone
		}
	}
	return s
}

// figures turns also points within figures that a chart wrote into the reader's:
// its words hold no other text than names and our own.
func (r reader) figures(s string) string {
	if r.monthFirst {
		s = monthFirst(s) // the days of an axis
	}
	// In this order: a point between thousands is no decimal sign.
	return r.words(chart.Decimals(s, r.decimal))
}

// shown is a view as its reader reads it: charts and the figures of tables carry
// the reader's signs, and the files of tables keep their own.
func (r reader) shown(got *view) {
	for _, f := range got.Figures {
		f.Chart = f.Chart.Reword(r.figures)
		if f.Table != nil {
			r.table(f.Table, true)
		}
	}
	for _, t := range got.Tables {
		r.table(t, false)
	}
}

// table gives a table's figures the reader's signs; with all set, those in words
// too.
func (r reader) table(t *Table, all bool) {
	for _, row := range t.Rows {
		for i := range row {
			c := &row[i]
			if !all && (i >= len(t.Cols) || !t.Cols[i].Num) {
				continue
			}
			if c.CSV == "" {
				c.CSV = plainFigures(c.Text)
			}
			c.Text = r.figures(c.Text)
		}
	}
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

func (r reader) customary(u drink.Unit) (customary, bool) {
	k, ok := customaries[u]
	return k, ok && r.us
}

// symbol of the unit that is read.
func (r reader) symbol(u drink.Unit) string {
	if k, ok := r.customary(u); ok {
		return k.symbol
	}
	return u.Symbol()
}

// value is a value in the unit that is read.
func (r reader) value(v float64, u drink.Unit) float64 {
	k, ok := r.customary(u)
	if !ok {
		return v
	}
	return v*k.times + k.plus
}

// difference is a distance between two values in the unit that is read: 1 °C is
// then 1.8 °F, and no 32 is added.
func (r reader) difference(v float64, u drink.Unit) float64 {
	k, ok := r.customary(u)
	if !ok {
		return v
	}
	return v * k.times
}

// decimals are how many a figure of the unit deserves where so many do in metric.
func (r reader) decimals(u drink.Unit, metric int) int {
	if k, ok := r.customary(u); ok {
		return k.decimals
	}
	return metric
}

// figure is a converted figure, no finer than it deserves.
func (r reader) figure(v float64, u drink.Unit) string {
	if k, ok := r.customary(u); ok {
		s := strings.TrimRight(strings.TrimRight(strconv.FormatFloat(v, 'f', k.decimals, 64), "0"), ".")
		if s == "-0" {
			s = "0"
		}
		return mark(s)
	}
	return mark(chart.Number(v))
}

// number is a value in thousandths, without its unit.
func (r reader) number(milli float64, u drink.Unit) string {
	return r.figure(r.value(math.Round(milli)/1000, u), u)
}

// quantity is a value in thousandths with its unit.
func (r reader) quantity(milli float64, u drink.Unit) string {
	return withUnit(r.number(milli, u), r.symbol(u))
}

func withUnit(figure, symbol string) string {
	if symbol == "" {
		return figure
	}
	return figure + "\u00a0" + symbol
}

// rounded is a mean in thousandths, to a tenth of what the instrument shows.
func (r reader) rounded(milli float64, m *drink.Measure) string {
	return r.figure(r.value(toStep(milli, m), unitOf(m)), unitOf(m))
}

// spread is a standard deviation in thousandths, as rounded is a mean.
func (r reader) spread(milli float64, m *drink.Measure) string {
	return r.figure(r.difference(toStep(milli, m), unitOf(m)), unitOf(m))
}

// toStep rounds thousandths to a tenth of what the instrument shows.
func toStep(milli float64, m *drink.Measure) float64 {
	step := 100.0
	if m != nil {
		step = math.Max(1, float64(m.Resolution)/10)
	}
	return math.Round(milli/step) * step / 1000
}

// limits are a tolerance in words.
func (r reader) limits(k *drink.Check, u drink.Unit) string {
	low, high := k.Low != drink.NoLow, k.High != drink.NoHigh
	switch {
	case low && high:
		return r.number(float64(k.Low), u) + " to " + r.quantity(float64(k.High), u)
	case low:
		return "at least " + r.quantity(float64(k.Low), u)
	case high:
		return "at most " + r.quantity(float64(k.High), u)
	}
	return "none"
}

// axisName is a measure with the unit that is read.
func (r reader) axisName(m *drink.Measure, check string) string {
	if u := r.symbol(unitOf(m)); u != "" {
		return named(m, "") + ", " + u
	}
	return named(m, check)
}

// metric is the reader of files: stored units, no signs of a language.
var metric = plainReader

// both is a cell that is read in the reader's unit and filed in the stored one.
func both(read, filed string) Cell { return Cell{Text: read, CSV: plainFigures(filed)} }

// localise turns the signs of figures and times in all text that goes out into
// the reader's. A figure is never cut in two, since templates and streams write
// words whole.
func localise(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		next.ServeHTTP(&localised{ResponseWriter: w, read: readerOf(r)}, r)
	})
}

type localised struct {
	http.ResponseWriter
	read reader
}

// quotedSigns are the signs as a stream's JSON has them.
var quotedSigns = strings.NewReplacer(`\ue000`, decimalSign, `\u202f`, groupSign, `\ue001`, timeBegins, `\ue002`, timeEnds)

// mayHold is the first byte of the signs in UTF-8, and of a stream's quoted ones.
var mayHold = [][]byte{[]byte("\xee\x80"), []byte(groupSign), []byte(`\ue00`), []byte(`\u202f`)}

func (l *localised) Write(b []byte) (int, error) {
	if !strings.HasPrefix(l.Header().Get("Content-Type"), "text/") {
		return l.ResponseWriter.Write(b)
	}
	for _, sign := range mayHold {
		if bytes.Contains(b, sign) {
			s := string(b)
			if strings.Contains(s, `\u`) {
				s = quotedSigns.Replace(s)
			}
			if _, err := l.ResponseWriter.Write([]byte(l.read.words(s))); err != nil {
				return 0, err
			}
			return len(b), nil
		}
	}
	return l.ResponseWriter.Write(b)
}

// Unwrap lets http.ResponseController reach the connection.
func (l *localised) Unwrap() http.ResponseWriter { return l.ResponseWriter }

// readingPage is the form.
type readingPage struct {
	Next, Tag string
	US        bool
	Choices   []readingChoice
}

type readingChoice struct{ Tag, Name, Example string }

func readingShow(v *visit) (*view, error) {
	p := readingPage{Next: localPath(v.URL.Query().Get("next")), US: v.read.us}
	if v.read.chosen {
		p.Tag = v.read.tag.String()
	}
	for _, t := range readings {
		r, ok := newReader(t)
		if !ok {
			continue
		}
		p.Choices = append(p.Choices, readingChoice{t, display.English.Tags().Name(r.tag), r.words("1" + groupSign + "234" + decimalSign + "5")})
	}
	return &view{Title: "How figures are read", Data: p}, nil
}

// setReading keeps the choice in a cookie of a year.
func (c *Console) setReading(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 16<<10)
	value, age := "", -1
	tag, units := r.FormValue("tag"), r.FormValue("units")
	if units != "us" {
		units = "metric"
	}
	if tag == "" && units == "us" {
		tag = readerOf(r).tag.String()
	}
	if tag != "" {
		read, ok := newReader(tag)
		if !ok {
			c.fail(w, r, person{}, badRequest("The language", fmt.Sprintf("%q is not known", tag), "choose one of the list"))
			return
		}
		value, age = read.tag.String()+"."+units, 365*24*3600
	}
	http.SetCookie(w, &http.Cookie{Name: readingCookie, Value: value, Path: "/", MaxAge: age, HttpOnly: true, Secure: overTLS(r), SameSite: http.SameSiteLaxMode})
	http.Redirect(w, r, localPath(r.FormValue("next")), http.StatusSeeOther)
}

// readingLink leads to the form and back to the page.
func readingLink(u *url.URL) string { return "/reading?next=" + url.QueryEscape(u.RequestURI()) }
