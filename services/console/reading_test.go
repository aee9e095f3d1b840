package console

import (
	"encoding/csv"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"golang.org/x/text/language"

	"samecup.example/samecup/services/console/reading"
)

func TestAReaderIsWhoChoseElseWhoseBrowserAsks(t *testing.T) {
	ask := func(accept, cookie string) reader {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Header.Set("Accept-Language", accept)
		if cookie != "" {
			r.AddCookie(&http.Cookie{Name: readingCookie, Value: cookie})
		}
		return readerOf(r)
	}
	if r := ask("de-DE,de;q=0.9,en;q=0.5", ""); r.Decimal != "," || r.US || r.Chosen {
		t.Errorf("a German browser: %+v", r)
	}
	if r := ask("de-DE", "en-US.us"); r.Decimal != "." || !r.US || !r.Chosen || !r.MonthFirst {
		t.Errorf("a choice: %+v", r)
	}
	for _, bad := range []string{"", "*", ";;", strings.Repeat("x", 600)} {
		if r := ask(bad, "%%%"); r.Tag != language.BritishEnglish {
			t.Errorf("%q: %+v", bad, r)
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
	for _, sign := range []string{reading.DecimalSign, reading.GroupSign, reading.TimeBegins, reading.TimeEnds} {
		if strings.Contains(body, sign) {
			t.Errorf("the page keeps the sign %q", sign)
		}
	}
	svg := d.want("/drinks/latte/glass?of=m-milk_temp&format=svg", 200, "milk temperature, °F")
	if strings.Contains(svg, reading.DecimalSign) {
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
		if read.Decimal == "" || read.Group == "" || read.Decimal == read.Group {
			t.Errorf("%q, %q: the signs are %q and %q", accept, cookie, read.Decimal, read.Group)
		}
		if got := read.Words(reading.TimeBegins + at + reading.TimeEnds); strings.Contains(got, reading.TimeBegins) && !strings.Contains(at, reading.TimeBegins) {
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
