package console

import (
	"bytes"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"golang.org/x/text/language"
	"golang.org/x/text/language/display"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/services/console/reading"
)

// reader is how somebody reads figures: pages and pictures follow the reader, files
// of tables do not.
type reader = reading.Reader

const readingCookie = "samecup_reading"

// readings are offered; any other language tag may be in the address of a form.
var readings = []string{"en-GB", "en-US", "de-DE", "de-CH", "fr-FR", "es-ES", "it-IT", "nl-NL", "pt-BR", "sv-SE", "pl-PL", "ja-JP"}

// readerOf takes the person's choice, else what the browser asks for.
func readerOf(r *http.Request) reader {
	if k, err := r.Cookie(readingCookie); err == nil {
		tag, units, _ := strings.Cut(k.Value, ".")
		if out, ok := reading.New(tag); ok {
			out.US, out.Chosen = units == "us", true
			return out
		}
	}
	tags, _, err := language.ParseAcceptLanguage(r.Header.Get("Accept-Language"))
	if err != nil || len(tags) == 0 || len(r.Header.Get("Accept-Language")) > 500 {
		return reading.Plain
	}
	out, ok := reading.New(tags[0].String())
	if !ok {
		return reading.Plain
	}
	return out
}

// showFor makes a view what its reader reads: charts and the figures of tables carry
// the reader's signs, and the files of tables keep their own.
func showFor(r reader, got *view) {
	for _, f := range got.Figures {
		f.Chart = f.Chart.Reword(r.Figures)
		if f.Table != nil {
			tableFor(r, f.Table, true)
		}
	}
	for _, t := range got.Tables {
		tableFor(r, t, false)
	}
}

// tableFor gives a table's figures the reader's signs; with all set, those in words
// too.
func tableFor(r reader, t *Table, all bool) {
	for _, row := range t.Rows {
		for i := range row {
			c := &row[i]
			if !all && (i >= len(t.Cols) || !t.Cols[i].Num) {
				continue
			}
			if c.CSV == "" {
				c.CSV = reading.PlainFigures(c.Text)
			}
			c.Text = r.Figures(c.Text)
		}
	}
}

// axisName is a measure with the unit that is read.
func axisName(r reader, m *drink.Measure, check string) string {
	if u := r.Symbol(unitOf(m)); u != "" {
		return named(m, "") + ", " + u
	}
	return named(m, check)
}

// metric is the reader of files: stored units, no signs of a language.
var metric = reading.Plain

func fixed(v float64, decimals int) string { return reading.Fixed(v, decimals) }

func dateWords(t time.Time, layout string) string { return reading.DateWords(t, layout) }

// both is a cell that is read in the reader's unit and filed in the stored one.
func both(read, filed string) Cell { return Cell{Text: read, CSV: reading.PlainFigures(filed)} }

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
var quotedSigns = strings.NewReplacer(`\ue000`, reading.DecimalSign, `\u202f`, reading.GroupSign, `\ue001`, reading.TimeBegins, `\ue002`, reading.TimeEnds)

// mayHold is the first byte of the signs in UTF-8, and of a stream's quoted ones.
var mayHold = [][]byte{[]byte("\xee\x80"), []byte(reading.GroupSign), []byte(`\ue00`), []byte(`\u202f`)}

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
			if _, err := l.ResponseWriter.Write([]byte(l.read.Words(s))); err != nil {
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
	p := readingPage{Next: localPath(v.URL.Query().Get("next")), US: v.read.US}
	if v.read.Chosen {
		p.Tag = v.read.Tag.String()
	}
	for _, t := range readings {
		r, ok := reading.New(t)
		if !ok {
			continue
		}
		p.Choices = append(p.Choices, readingChoice{t, display.English.Tags().Name(r.Tag), r.Words("1" + reading.GroupSign + "234" + reading.DecimalSign + "5")})
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
		tag = readerOf(r).Tag.String()
	}
	if tag != "" {
		read, ok := reading.New(tag)
		if !ok {
			c.fail(w, r, person{}, badRequest("The language", fmt.Sprintf("%q is not known", tag), "choose one of the list"))
			return
		}
		value, age = read.Tag.String()+"."+units, 365*24*3600
	}
	http.SetCookie(w, &http.Cookie{Name: readingCookie, Value: value, Path: "/", MaxAge: age, HttpOnly: true, Secure: overTLS(r), SameSite: http.SameSiteLaxMode})
	http.Redirect(w, r, localPath(r.FormValue("next")), http.StatusSeeOther)
}

// readingLink leads to the form and back to the page.
func readingLink(u *url.URL) string { return "/reading?next=" + url.QueryEscape(u.RequestURI()) }
