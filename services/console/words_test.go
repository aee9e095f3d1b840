package console

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/reading"
)

func FuzzASignInLeadsToThisHostOnly(f *testing.F) {
	for _, s := range []string{"/", "//evil.example", "/cases?x=1", "https://evil.example/", `/\evil.example`, "/a\r\nSet-Cookie: b", "", "javascript:alert(1)", "/%2f/evil"} {
		f.Add(s)
	}
	base := &url.URL{Scheme: "http", Host: "127.0.0.1:7180"}
	f.Fuzz(func(t *testing.T, next string) {
		got := localPath(next)
		u, err := base.Parse(got)
		if err != nil || u.Host != base.Host || u.Scheme != base.Scheme || strings.HasPrefix(got, "//") || strings.ContainsAny(got, "\\\r\n") {
			t.Errorf("%q leads to %q", next, got)
		}
	})
}

func TestCellsAreNoFormulas(t *testing.T) {
	for in, want := range map[string]string{"=1+1": "'=1+1", "@x": "'@x", "-3.5": "-3.5", "+2.10": "+2.10", "-cmd": "'-cmd", "latte": "latte", "": "", "+": "'+"} {
		if got := safeCell(Cell{Text: in}); got != want {
			t.Errorf("%q is written %q, want %q", in, got, want)
		}
	}
}

func TestWords(t *testing.T) {
	for got, want := range map[string]string{
		count(0): "0", count(999): "999", count(1000): "1\u202f000", count(1234567): "1\u202f234\u202f567",
		percent(0): "0 %", percent(0.0042): "0.42 %", percent(0.034): "3.4 %", percent(0.18): "18 %", percent(1): "100 %",
		listWords([]string{"a", "b", "c"}): "a, b and c", listWords(nil): "",
		plural(1, "case", "cases"): "1 case", plural(2, "case", "cases"): "2 cases",
		sentence("it is so"): "It is so.", sentence(""): "",
	} {
		if got = reading.Plain.Words(got); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func TestACaseIsNamedAsPeopleSayIt(t *testing.T) {
	sites := &siteList{by: map[string]*pb.Site{"tannery-row": {Id: "tannery-row", Name: "Tannery Row"}}}
	for title, c := range map[string]struct {
		k    *pb.Case
		want string
	}{
		"tannery-row/bar-1: tannery-row, coffee, likely grinder": {&pb.Case{Sites: []string{"tannery-row"}, Stations: []string{"tannery-row/bar-1"}}, "Coffee at Tannery Row, bar-1: likely grinder"},
		"several sites: pour_height, likely chain":               {&pb.Case{}, "Pour height across the whole chain: likely chain"},
		"tannery-row: tannery-row, coffee, likely grinder ":      {&pb.Case{Sites: []string{"tannery-row"}, Fix: &pb.CaseFix{Cause: "probe"}}, "Coffee at Tannery Row: a thermometer"},
		"something else": {&pb.Case{}, "something else"},
	} {
		c.k.Title = title
		if got := caseTitle(c.k, sites); got != c.want {
			t.Errorf("%q is called %q, want %q", title, got, c.want)
		}
	}
}

func TestASpanKnowsItsDays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, rapid.IntRange(0, 2000).Draw(t, "from"))
		n := rapid.IntRange(1, maxSpan).Draw(t, "days")
		s := span{from, from.AddDate(0, 0, n-1)}
		if s.Days() != n {
			t.Fatalf("%s to %s is %d days, want %d", s.First(), s.Last(), s.Days(), n)
		}
		d := rapid.IntRange(0, n-1).Draw(t, "day")
		if got := s.day(from.AddDate(0, 0, d).Format(time.DateOnly)); got != d {
			t.Fatalf("day %d is found at %d", d, got)
		}
	})
}
