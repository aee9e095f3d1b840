package report_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"samecup.example/samecup/services/console/reading"
	"samecup.example/samecup/services/console/report"
)

var made = time.Date(2026, 11, 23, 6, 0, 0, 0, time.UTC)

func reader(t testing.TB, tag string, us bool) reading.Reader {
	t.Helper()
	r, ok := reading.New(tag)
	if !ok {
		t.Fatalf("no reader of %q", tag)
	}
	r.US = us
	return r
}

func week(t testing.TB, s string) report.Week { return must(report.ParseWeek(s))(t) }

// words are all words of a document, in order.
func words(d *report.Document) string {
	var b strings.Builder
	line := func(s ...string) { b.WriteString(strings.Join(s, " | ") + "\n") }
	line(d.Title, d.Subtitle)
	for _, k := range d.Blocks {
		switch k := k.(type) {
		case report.Heading:
			line("#", k.Text)
		case report.Para:
			line(k.Text)
		case report.Actions:
			for _, a := range k.List {
				line("-", a.What, a.Where, a.Next, a.Sure)
			}
		case report.Table:
			line(k.Headers...)
			for _, r := range k.Rows {
				line(r...)
			}
			if len(k.Rows) == 0 {
				line(k.None)
			}
		case report.Figure:
			line("[", k.Chart.Title, k.Chart.N, k.Chart.Method, "]")
		}
	}
	return b.String()
}

func print(t *testing.T, d *report.Document, name string) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := d.PDF(&b); err != nil {
		t.Fatal(err)
	}
	if dir := os.Getenv("SAMECUP_PICTURES"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, name+".pdf"), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name+".txt"), []byte(words(d)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return b.Bytes()
}

// TestReportsOfASeason asks real services, on a simulated season with known
// faults, for the reports that a quality lead prints.
func TestReportsOfASeason(t *testing.T) {
	if testing.Short() {
		t.Skip("a season takes some seconds")
	}
	c := openCentre(t)
	c.open()
	c.settled(c.season())
	clients := report.NewClients(c.cc, c.cc)
	w47 := week(t, "2026-W47")

	for _, tc := range []struct {
		name, scope string
		read        reading.Reader
		has, hasNot []string
	}{
		{"chain", "chain", reader(t, "en-GB", false), []string{"The whole chain", "Sites beside the whole chain", "Quillmaker Street, bar-2", "Zones: Europe/Amsterdam, Europe/London",
			"Stop of lot HF-0412", "Shot time of Flat white, cup, at Tannery Row, bar-1: mean of each day", "How to read the figures", "milk"}, []string{"NaN", "%!"}},
		{"region", "region/harbour", reader(t, "de-DE", false), []string{"Area Harbour", "Tannery Row", "by the clock of Europe/London"}, []string{"Oyster Steps", "HF-0412", "NaN", "%!"}},
		{"site", "site/tannery-row", reader(t, "en-US", true), []string{"Tannery Row", "November 16 to November 22, 2026", "Its stations, by name", "The day worth a look: Tannery Row, bar-1", "bar-1", "Check first: "}, []string{"Oyster Steps", "NaN", "%!"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var steps []string
			q := report.Query{Scope: must(report.ParseScope(tc.scope))(t), Week: w47, Made: made, Read: tc.read, Progress: func(s string) { steps = append(steps, s) }}
			d := must(report.Gather(t.Context(), clients, q))(t)
			doc := must(report.Build(d))(t)
			got := words(doc)
			for _, want := range tc.has {
				if !strings.Contains(got, want) {
					t.Errorf("the report does not say %q", want)
				}
			}
			for _, not := range tc.hasNot {
				if strings.Contains(got, not) {
					t.Errorf("the report says %q", not)
				}
			}
			if t.Failed() {
				t.Log(got)
			}
			if len(steps) < 5 {
				t.Errorf("progress %q; each thing asked for is told", steps)
			}
			first, again := print(t, doc, tc.name), print(t, must(report.Build(d))(t), tc.name)
			if !bytes.Equal(first, again) {
				t.Error("the same data printed twice differ")
			}
		})
	}

	t.Run("safety stands first", func(t *testing.T) {
		d := must(report.Gather(t.Context(), clients, report.Query{Scope: report.Scope{Site: "tannery-row"}, Week: w47, Made: made}))(t)
		doc := must(report.Build(d))(t)
		for _, b := range doc.Blocks {
			if a, ok := b.(report.Actions); ok {
				if len(a.List) < 2 || !a.List[0].Safety || a.List[0].Next == "" || a.List[0].Sure == "" {
					t.Errorf("actions %+v: want the hot milk first, with a next step and how sure", a.List)
				}
				return
			}
		}
		t.Error("no list of what to do")
	})
	t.Run("empty week", func(t *testing.T) {
		d := must(report.Gather(t.Context(), clients, report.Query{Week: week(t, "2026-W30"), Made: made}))(t)
		doc := must(report.Build(d))(t)
		if got := words(doc); !strings.Contains(got, "No build of this week is here.") || !strings.Contains(got, "The watch noticed nothing") {
			t.Errorf("an empty week does not say so:\n%s", got)
		}
		print(t, doc, "empty")
	})
	t.Run("unknown site", func(t *testing.T) {
		_, err := report.Gather(t.Context(), clients, report.Query{Scope: report.Scope{Site: "mill-end"}, Week: w47})
		if !errors.Is(err, report.ErrQuery) || !strings.Contains(err.Error(), "mill-end") {
			t.Errorf("error %v; want one that names the site", err)
		}
	})
}

func TestParseScope(t *testing.T) {
	for s, want := range map[string]report.Scope{"chain": {}, "region/harbour": {Region: "harbour"}, "site/tannery-row": {Site: "tannery-row"}} {
		if got, err := report.ParseScope(s); err != nil || got != want || got.String() != s {
			t.Errorf("%q: %+v, %v", s, got, err)
		}
	}
	for _, s := range []string{"", "Chain", "region", "region/", "site/Tannery Row", "site/a/b", "shop/x"} {
		if _, err := report.ParseScope(s); !errors.Is(err, report.ErrQuery) {
			t.Errorf("%q: %v", s, err)
		}
	}
}

// Weeks of ISO 8601 as the calendars have them (2026 has 53: it begins on a
// Thursday).
func TestParseWeek(t *testing.T) {
	for s, monday := range map[string]string{"2026-W47": "2026-11-16", "2026-W01": "2025-12-29", "2026-W53": "2026-12-28", "2021-W01": "2021-01-04"} {
		w, err := report.ParseWeek(s)
		if got := w.Monday().Format(time.DateOnly); err != nil || got != monday || w.String() != s {
			t.Errorf("%s begins %s, %v; want %s", s, got, err, monday)
		}
	}
	for _, s := range []string{"", "2026-47", "2026-W54", "2027-W53", "2026-W00", "2026-w47", "1999-W10"} {
		if _, err := report.ParseWeek(s); !errors.Is(err, report.ErrQuery) {
			t.Errorf("%q: %v", s, err)
		}
	}
}

func TestWeekOfAnyDay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		day := time.Date(2000, 1, 10, 0, 0, 0, 0, time.UTC).AddDate(0, 0, rapid.IntRange(0, 40_000).Draw(t, "days"))
		w := report.WeekOf(day)
		if day.Before(w.Monday()) || day.After(w.Sunday()) || w.Monday().Weekday() != time.Monday {
			t.Errorf("%s is in %s, %s to %s", day, w, w.Monday(), w.Sunday())
		}
		if back := w.Before(3); !back.Monday().AddDate(0, 0, 21).Equal(w.Monday()) {
			t.Errorf("three weeks before %s is %s", w, back)
		}
	})
}

func FuzzParse(f *testing.F) {
	f.Add("2026-W47")
	f.Add("site/tannery-row")
	f.Fuzz(func(t *testing.T, s string) {
		if w, err := report.ParseWeek(s); err == nil && w.String() != s {
			t.Errorf("week %q reads back as %q", s, w)
		}
		if c, err := report.ParseScope(s); err == nil && c.String() != s {
			t.Errorf("scope %q reads back as %q", s, c)
		}
	})
}
