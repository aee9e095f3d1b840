package release_test

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/release"
)

func hours(t testing.TB, zone string, opening []int32, cut int32) release.Hours {
	t.Helper()
	return must[release.Hours](t)(release.ParseHours(zone, opening, cut))
}

func minute(h, m int) *int { x := 60*h + m; return &x }

// The clock changes are those of the IANA time zone database (the copy in Go's
// time/tzdata). London: 29 March 2026 01:00→02:00, 25 October 02:00→01:00. New
// York: 8 March 2026 02:00→03:00, 1 November 02:00→01:00. Lord Howe changes by
// half an hour, 5 April 2026 02:00→01:30, 4 October 02:00→02:30. Samoa went
// from 29 to 31 December 2011.
func TestEffectiveAt(t *testing.T) {
	early := []int32{180, 180, 180, 180, 180, 180, 180}
	closedSunday := []int32{300, 300, 300, 300, 300, 360, -1}
	onlyFriday := []int32{-1, -1, -1, -1, 420, -1, -1}
	for _, c := range []struct {
		name, zone string
		opening    []int32
		cut        int32
		day        string
		minute     *int
		want       string
	}{
		{"London before the change", "Europe/London", nil, 0, "2026-10-24", nil, "2026-10-24T05:00:00+01:00"},
		{"London on the day of 25 hours", "Europe/London", nil, 0, "2026-10-25", nil, "2026-10-25T05:00:00Z"},
		{"London on the day of 23 hours", "Europe/London", nil, 0, "2026-03-29", nil, "2026-03-29T05:00:00+01:00"},
		{"London in the gap", "Europe/London", nil, 1, "2026-03-29", minute(1, 30), "2026-03-29T02:00:00+01:00"},
		{"London at the end of the gap", "Europe/London", nil, 1, "2026-03-29", minute(2, 0), "2026-03-29T02:00:00+01:00"},
		{"London, twice, the first", "Europe/London", nil, 1, "2026-10-25", minute(1, 30), "2026-10-25T01:30:00+01:00"},
		{"London past midnight belongs to the day before", "Europe/London", nil, 0, "2026-10-24", minute(1, 30), "2026-10-25T01:30:00+01:00"},
		{"New York, twice, the first", "America/New_York", nil, 1, "2026-11-01", minute(1, 15), "2026-11-01T01:15:00-04:00"},
		{"New York opening after it", "America/New_York", early, 0, "2026-11-01", nil, "2026-11-01T03:00:00-05:00"},
		{"New York in the gap", "America/New_York", nil, 1, "2026-03-08", minute(2, 1), "2026-03-08T03:00:00-04:00"},
		{"Lord Howe in the gap of half an hour", "Australia/Lord_Howe", nil, 1, "2026-10-04", minute(2, 10), "2026-10-04T02:30:00+11:00"},
		{"Lord Howe, twice, the first", "Australia/Lord_Howe", nil, 1, "2026-04-05", minute(1, 45), "2026-04-05T01:45:00+11:00"},
		{"Samoa, a minute of the day that was not", "Pacific/Apia", nil, 0, "2011-12-30", minute(7, 0), "2011-12-31T00:00:00+14:00"},
		{"Samoa, opening on the day that was not", "Pacific/Apia", nil, 0, "2011-12-30", nil, "2011-12-31T05:00:00+14:00"},
		{"Samoa, only open on the day that was not", "Pacific/Apia", onlyFriday, 0, "2011-12-30", nil, "2012-01-06T07:00:00+14:00"},
		{"Samoa the day before", "Pacific/Apia", nil, 0, "2011-12-29", nil, "2011-12-29T05:00:00-10:00"},
		{"a closed Sunday is the Monday", "Europe/London", closedSunday, 0, "2026-10-25", nil, "2026-10-26T05:00:00Z"},
		{"a minute on a closed Sunday", "Europe/London", closedSunday, 0, "2026-10-25", minute(9, 0), "2026-10-25T09:00:00Z"},
		{"Saturday has its own opening", "Europe/London", closedSunday, 0, "2026-10-24", nil, "2026-10-24T06:00:00+01:00"},
		{"open one day a week", "Europe/London", onlyFriday, 0, "2026-10-24", nil, "2026-10-30T07:00:00Z"},
		{"no clock change at all", "Asia/Kolkata", nil, 0, "2026-10-25", nil, "2026-10-25T05:00:00+05:30"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := release.EffectiveAt(c.day, c.minute, hours(t, c.zone, c.opening, c.cut))
			if err != nil {
				t.Fatal(err)
			}
			if s := got.Format(time.RFC3339); s != c.want {
				t.Fatalf("got %s, want %s", s, c.want)
			}
		})
	}
}

func TestHoursThatCannotBe(t *testing.T) {
	for name, f := range map[string]func() error{
		"no zone":           func() error { _, err := release.ParseHours("", nil, 0); return err },
		"a local zone":      func() error { _, err := release.ParseHours("Local", nil, 0); return err },
		"an unknown zone":   func() error { _, err := release.ParseHours("Europe/Atlantis", nil, 0); return err },
		"a path for a zone": func() error { _, err := release.ParseHours("../etc/passwd", nil, 0); return err },
		"six openings":      func() error { _, err := release.ParseHours("UTC", make([]int32, 6), 0); return err },
		"never open":        func() error { _, err := release.ParseHours("UTC", []int32{-1, -1, -1, -1, -1, -1, -1}, 0); return err },
		"open before the cut": func() error {
			_, err := release.ParseHours("UTC", []int32{60, 300, 300, 300, 300, 300, 300}, 0)
			return err
		},
		"a cut after midnight": func() error { _, err := release.ParseHours("UTC", nil, 1440); return err },
		"a day that is none":   func() error { _, err := release.EffectiveAt("2026-02-30", nil, hours(t, "UTC", nil, 0)); return err },
		"a minute that is none": func() error {
			_, err := release.EffectiveAt("2026-02-03", minute(24, 0), hours(t, "UTC", nil, 0))
			return err
		},
		"no hours": func() error { _, err := release.BusinessDay(noon, release.Hours{}); return err },
	} {
		t.Run(name, func(t *testing.T) {
			if f() == nil {
				t.Fatal("passes")
			}
		})
	}
}

func TestBusinessDay(t *testing.T) {
	for _, c := range []struct{ zone, at, want string }{
		{"Europe/London", "2026-10-25T01:59:59Z", "2026-10-24"}, // 01:59 wall, second time
		{"Europe/London", "2026-10-25T02:59:59Z", "2026-10-24"},
		{"Europe/London", "2026-10-25T03:00:00Z", "2026-10-25"},
		{"Europe/London", "2026-03-29T01:59:59Z", "2026-03-28"}, // 02:59 wall
		{"Europe/London", "2026-03-29T02:00:00Z", "2026-03-29"},
		{"America/New_York", "2026-11-01T12:00:00Z", "2026-11-01"},
		// 01:00 on 31 December still belongs to the last day that was.
		{"Pacific/Apia", "2011-12-30T11:00:00Z", "2011-12-29"},
		{"Pacific/Apia", "2011-12-30T13:00:00Z", "2011-12-31"},
	} {
		at := must[time.Time](t)(time.Parse(time.RFC3339, c.at))
		if got := must[string](t)(release.BusinessDay(at, hours(t, c.zone, nil, 0))); got != c.want {
			t.Errorf("%s %s: got %s, want %s", c.zone, c.at, got, c.want)
		}
	}
	// The clock goes back over the cut: the day does not.
	h := hours(t, "Europe/London", nil, 90)
	for _, at := range []string{"2026-10-25T00:30:00Z", "2026-10-25T01:10:00Z"} {
		if got := must[string](t)(release.BusinessDay(must[time.Time](t)(time.Parse(time.RFC3339, at)), h)); got != "2026-10-25" {
			t.Errorf("%s: %s", at, got)
		}
	}
}

var zones = []string{"Europe/London", "America/New_York", "Australia/Lord_Howe", "Pacific/Apia", "America/Sao_Paulo", "Africa/Casablanca", "Asia/Kathmandu", "America/St_Johns", "Pacific/Chatham", "Asia/Gaza", "Antarctica/Troll", "UTC"}

// drawDay prefers days on which the clock changes.
func drawDay(t *rapid.T, zone *time.Location) time.Time {
	at := time.Unix(rapid.Int64Range(0, 2_208_988_800).Draw(t, "at"), 0).In(zone) // 1970 to 2040
	if _, end := at.ZoneBounds(); !end.IsZero() && rapid.IntRange(0, 3).Draw(t, "near") > 0 {
		at = end.AddDate(0, 0, rapid.IntRange(-1, 1).Draw(t, "off"))
	}
	y, m, d := at.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// The first minute, of all minutes around, whose wall clock is at the wanted
// time or past it.
func TestEffectiveAtAgreesWithAMinuteByMinuteSearch(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		name := rapid.SampledFrom(zones).Draw(rt, "zone")
		h := hours(t, name, nil, 1)
		day := drawDay(rt, h.Zone)
		m := rapid.IntRange(1, 1439).Draw(rt, "minute")
		got, err := release.EffectiveAt(day.Format(time.DateOnly), &m, h)
		if err != nil {
			rt.Fatal(err)
		}
		wall := day.Add(time.Duration(m) * time.Minute)
		want := wall.Add(-26 * time.Hour)
		for wallOf(want.In(h.Zone)).Before(wall) {
			want = want.Add(time.Minute)
		}
		if !got.Equal(want) {
			rt.Fatalf("%s %s %d: got %s, want %s", name, day.Format(time.DateOnly), m, got, want.In(h.Zone))
		}
	})
}

// wallOf is what the clock on the wall shows, as if it hung in Greenwich.
func wallOf(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, t.Hour(), t.Minute(), t.Second(), 0, time.UTC)
}

func TestBusinessDayRisesAndHoldsItsOpening(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		cut := rapid.Int32Range(1, 600).Draw(rt, "cut")
		opening := make([]int32, 7)
		for i := range opening {
			opening[i] = rapid.OneOf(rapid.Just(int32(-1)), rapid.Int32Range(cut, 1439)).Draw(rt, fmt.Sprint("opening", i))
		}
		opening[rapid.IntRange(0, 6).Draw(rt, "open")] = 700
		h := hours(t, rapid.SampledFrom(zones).Draw(rt, "zone"), opening, cut)
		day := drawDay(rt, h.Zone)
		at, err := release.EffectiveAt(day.Format(time.DateOnly), nil, h)
		if err != nil {
			rt.Fatal(err)
		}
		got, err := release.BusinessDay(at, h)
		if err != nil {
			rt.Fatal(err)
		}
		if got < day.Format(time.DateOnly) || got > day.AddDate(0, 0, 8).Format(time.DateOnly) {
			rt.Fatalf("opening of %s is at %s, in business day %s", day.Format(time.DateOnly), at, got)
		}
		last := ""
		for x := at.Add(-30 * time.Hour); x.Before(at.Add(30 * time.Hour)); x = x.Add(17 * time.Minute) {
			d, err := release.BusinessDay(x, h)
			if err != nil || d < last {
				rt.Fatalf("%s after %s at %s (%v)", d, last, x, err)
			}
			last = d
		}
	})
}
