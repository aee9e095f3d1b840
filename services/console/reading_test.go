package console

import (
	"encoding/csv"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"golang.org/x/text/language"
	"pgregory.net/rapid"

	"samecup.example/samecup/internal/drink"
)

// The signs are those of the Unicode Common Locale Data Repository.
func TestEachLanguageHasItsSigns(t *testing.T) {
	const figure = "1" + groupSign + "234" + decimalSign + "5"
	for tag, want := range map[string]string{"en-GB": "1,234.5", "en-US": "1,234.5", "de-DE": "1.234,5", "de-CH": "1’234.5", "fr-FR": "1\u00a0234,5", "sv-SE": "1\u00a0234,5", "ar-EG": "", "": ""} {
		r, ok := newReader(tag)
		if got := r.words(figure); want != "" && (!ok || got != want) {
			t.Errorf("%s: %q, want %q", tag, got, want)
		}
	}
	de, _ := newReader("de-DE")
	if got := de.figures("n = 1" + groupSign + "360, 4.19 and 1" + decimalSign + "5"); got != "n = 1.360, 4,19 and 1,5" {
		t.Errorf("a chart in German: %q", got)
	}
	if got := plainReader.words(figure); got != "1\u202f234.5" {
		t.Errorf("nobody: %q", got)
	}
	for _, tag := range []string{"", "not a tag", strings.Repeat("a-", 40)} {
		if _, ok := newReader(tag); ok {
			t.Errorf("%q is taken for a language", tag)
		}
	}
}

func TestAReaderIsWhoChoseElseWhoseBrowserAsks(t *testing.T) {
	ask := func(accept, cookie string) reader {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Header.Set("Accept-Language", accept)
		if cookie != "" {
			r.AddCookie(&http.Cookie{Name: readingCookie, Value: cookie})
		}
		return readerOf(r)
	}
	if r := ask("de-DE,de;q=0.9,en;q=0.5", ""); r.decimal != "," || r.us || r.chosen {
		t.Errorf("a German browser: %+v", r)
	}
	if r := ask("de-DE", "en-US.us"); r.decimal != "." || !r.us || !r.chosen || !r.monthFirst {
		t.Errorf("a choice: %+v", r)
	}
	for _, bad := range []string{"", "*", ";;", strings.Repeat("x", 600)} {
		if r := ask(bad, "%%%"); r.tag != language.BritishEnglish {
			t.Errorf("%q: %+v", bad, r)
		}
	}
}

// NIST SP 811, appendix B.8 (from memory): exact factors.
func TestUnitsAreConvertedExactly(t *testing.T) {
	us := plainReader
	us.us = true
	for _, c := range []struct {
		milli float64
		unit  drink.Unit
		want  string
	}{{60_000, drink.Celsius, "140\u00a0°F"}, {0, drink.Celsius, "32\u00a0°F"}, {100_000, drink.Celsius, "212\u00a0°F"}, {28_350, drink.Gram, "1\u00a0oz"}, {18_000, drink.Gram, "0.635\u00a0oz"},
		{29_574, drink.Millilitre, "1\u00a0fl\u00a0oz"}, {240_000, drink.Millilitre, "8.12\u00a0fl\u00a0oz"}, {25_400, drink.Millimetre, "1\u00a0in"}, {28_000, drink.Second, "28\u00a0s"}, {10_000, drink.Percent, "10\u00a0%"}} {
		if got := plainFigures(us.quantity(c.milli, c.unit)); got != c.want {
			t.Errorf("%g of %s is read %q, want %q", c.milli, c.unit, got, c.want)
		}
	}
	if got := us.difference(2, drink.Celsius); got != 3.6 {
		t.Errorf("2 °C apart are %g °F apart, want 3.6", got)
	}
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom([]drink.Unit{drink.Gram, drink.Millilitre, drink.Millimetre, drink.Celsius}).Draw(t, "unit")
		m := drink.Milli(rapid.Int64Range(0, 5_000_000).Draw(t, "milli"))
		back, err := drink.ParseQuantity(strings.ReplaceAll(plainFigures(us.quantity(float64(m), u)), "\u00a0", " "), u)
		// As far apart as half of the last decimal shown and no further.
		half := 500 * customaries[u].unit() / pow10(customaries[u].decimals)
		if d := float64(back - m); err != nil || d > half+1.5 || d < -half-1.5 {
			t.Fatalf("%s of %s comes back as %s: %v", m, u, back, err)
		}
	})
}

func (k customary) unit() float64 { return 1 / k.times }

func pow10(n int) float64 {
	out := 1.0
	for range n {
		out *= 10
	}
	return out
}

func TestTimesAreReadInTheOrderOfTheReader(t *testing.T) {
	r, _ := newReader("en-US")
	for in, want := range map[string]string{
		timeBegins + "Mon 26 Oct 15:04 GMT" + timeEnds:                       "Mon, Oct 26, 3:04\u00a0PM GMT",
		"last heard " + timeBegins + "2 Jan 2025 07:30 EST" + timeEnds + ".": "last heard Jan 2, 2025, 7:30\u00a0AM EST.",
		timeBegins + "Monday 26 October 2026" + timeEnds:                     "Monday, October 26, 2026", timeBegins + "29 February" + timeEnds: "February 29",
		"never": "never", timeBegins + "soon" + timeEnds: "soon",
	} {
		if got := r.words(in); got != want {
			t.Errorf("%q is read %q, want %q", in, got, want)
		}
		if got := plainReader.words(in); strings.ContainsAny(got, timeBegins+timeEnds) {
			t.Errorf("%q keeps its signs", got)
		}
	}
}

func TestPagesAndPicturesFollowTheReaderAndFilesDoNot(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	d.want("/reading?next=/sites", 200, "German (Germany): 1.234,5", `value="/sites"`)
	metricCSV := d.want("/drinks/latte/glass?of=checks&format=csv", 200)
	metricDrift := d.want(caseLink(driftCase(t, ch).Id)+"?of=drift1-data&format=csv", 200)
	res, _ := d.post("/reading", url.Values{"tag": {"de-DE"}, "units": {"us"}, "next": {"/sites"}})
	if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/sites" {
		t.Fatalf("the choice leads to %d %s", res.StatusCode, res.Header.Get("Location"))
	}
	body := d.want("/drinks/latte/glass", 200, "°F", "0,705\u00a0oz", "Figures as 1.234,5, US customary units", "How to read it: ")
	for _, sign := range []string{decimalSign, groupSign, timeBegins, timeEnds} {
		if strings.Contains(body, sign) {
			t.Errorf("the page keeps the sign %q", sign)
		}
	}
	svg := d.want("/drinks/latte/glass?of=m-milk_temp&format=svg", 200, "milk temperature, °F")
	if strings.Contains(svg, decimalSign) {
		t.Error("the picture keeps a sign")
	}
	if got := d.want("/drinks/latte/glass?of=checks&format=csv", 200); got != metricCSV {
		t.Errorf("the table's file follows the reader:\n%s\nwant\n%s", got, metricCSV)
	}
	if got := d.want(caseLink(driftCase(t, ch).Id)+"?of=drift1-data&format=csv", 200); got != metricDrift {
		t.Errorf("the chart's file follows the reader:\n%s\nwant\n%s", got, metricDrift)
	}
	if rows, err := csv.NewReader(strings.NewReader(metricDrift)).ReadAll(); err != nil || !strings.Contains(rows[1][1], ".") {
		t.Errorf("the file has no decimal point: %v, %v", rows, err)
	}
	if res, _ := d.post("/reading", url.Values{"tag": {"no such"}, "units": {"us"}}); res.StatusCode != http.StatusBadRequest {
		t.Errorf("an unknown language is taken: %d", res.StatusCode)
	}
}

func FuzzAnyBrowserIsReadTo(f *testing.F) {
	f.Add("de-DE,en;q=0.5", "en-US.us", "Mon 26 Oct 15:04 GMT")
	f.Add("*", "x", "2 Jan")
	f.Fuzz(func(t *testing.T, accept, cookie, at string) {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Header.Set("Accept-Language", accept)
		r.AddCookie(&http.Cookie{Name: readingCookie, Value: cookie})
		read := readerOf(r)
		if read.decimal == "" || read.group == "" || read.decimal == read.group {
			t.Errorf("%q, %q: the signs are %q and %q", accept, cookie, read.decimal, read.group)
		}
		if got := read.words(timeBegins + at + timeEnds); strings.Contains(got, timeBegins) && !strings.Contains(at, timeBegins) {
			t.Errorf("%q keeps a sign", got)
		}
	})
}

func FuzzLimitsOfAVisit(f *testing.F) {
	for _, s := range []string{"milk_temp=2, dose=0.5", "a=", "=1", "a=1e400", "x=NaN"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if got, err := limitsOf(s); err == nil && len(got) == 0 && strings.Trim(s, ",; ") != "" {
			t.Errorf("%q gives no limit and no error", s)
		}
	})
}
