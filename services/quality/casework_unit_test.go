package quality

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"samecup.example/samecup/internal/watch"
	"samecup.example/samecup/services/quality/rollup"
)

func TestPartsOfASnapshotGoTogetherAgain(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		table := rapid.MapOf(rapid.String(), rapid.MapOf(rapid.String(), rapid.Int()))
		in := map[string]any{"version": 1, "none": nil, "list": []int{1, 2},
			"state": map[string]any{"day": "x", "stations": table.Draw(rt, "stations"), "people": table.Draw(rt, "people")}}
		data, err := json.Marshal(in)
		if err != nil {
			rt.Fatal(err)
		}
		parts, err := splitParts(data)
		if err != nil {
			rt.Fatal(err)
		}
		var p packer
		for name, body := range parts {
			packed, err := p.pack(body)
			if err == nil {
				parts[name], err = unpack(packed)
			}
			if err != nil {
				rt.Fatal(err)
			}
		}
		got, err := joinParts(parts)
		if err != nil {
			rt.Fatal(err)
		}
		var a, b any
		if err := json.Unmarshal(data, &a); err != nil {
			rt.Fatal(err)
		}
		if err := json.Unmarshal(got, &b); err != nil {
			rt.Fatal(err)
		}
		if d := cmp.Diff(a, b); d != "" {
			rt.Fatal(d)
		}
	})
}

// signalsOf makes cases of every grade of risk.
func signalsOf() []watch.Signal {
	at := time.Date(2026, 11, 2, 8, 0, 0, 0, time.UTC)
	level := func(kind watch.SignalKind, site, measure string) watch.Signal {
		return watch.Signal{Kind: kind, Site: site, Measure: measure, Direction: 1, Seen: at, Began: at, Where: []watch.Where{{Site: site, Station: "bar-1"}}}
	}
	return []watch.Signal{
		level(watch.SignalLevel, "tannery-row", "dose"),
		level(watch.SignalQuestion, "oyster-steps", ""),
		{Kind: watch.SignalSafety, Site: "lantern-hill", Station: "bar-1", Finding: "wrong_milk whole", Seen: at, Began: at},
		{Kind: watch.SignalSafety, Site: "tannery-row", Station: "bar-2", Finding: "above_tolerance milk_temp", Seen: at, Began: at},
		{Kind: watch.SignalStale, Site: "quillmaker-street", Station: "bar-1", Finding: "release", Seen: at, Began: at},
		level(watch.SignalSite, "oyster-steps", "froth_depth"),
	}
}

func TestCasesAreRankedAsOnTheMorningPage(t *testing.T) {
	cases := watch.NewCases()
	for i, g := range signalsOf() {
		g.ID = fmt.Sprint(i)
		cases.Take(watch.Out{Signals: []watch.Signal{g}})
	}
	var want []string
	list := cases.Morning()
	for i := range list {
		want = append(want, list[i].ID)
	}
	slices.SortFunc(list, func(a, b watch.Case) int {
		if rank(&a) < rank(&b) {
			return -1
		}
		return 1
	})
	var got []string
	for i := range list {
		got = append(got, list[i].ID)
	}
	if d := cmp.Diff(want, got); d != "" || len(want) != len(signalsOf()) {
		t.Errorf("ranks differ from the morning page:\n%s", d)
	}
}

func TestAnInstantFallsIntoAThirdOfTheSitesDay(t *testing.T) {
	london, err := rollup.NewCalendar("Europe/London", 4)
	if err != nil {
		t.Fatal(err)
	}
	s := shiftSpans{sites: map[string]rollup.Calendar{"tannery-row": london}}
	day := func(d int) time.Time { return time.Date(2026, 7, d, 0, 0, 0, 0, time.UTC) }
	for _, tc := range []struct {
		site string
		at   string
		want watch.Shift
	}{
		{"elsewhere", "2026-07-01T00:00:00Z", watch.Shift{Day: day(1), No: 1}},
		{"elsewhere", "2026-07-01T07:59:59Z", watch.Shift{Day: day(1), No: 1}},
		{"elsewhere", "2026-07-01T08:00:00Z", watch.Shift{Day: day(1), No: 2}},
		{"elsewhere", "2026-07-01T23:59:59Z", watch.Shift{Day: day(1), No: 3}},
		// Four o'clock in London's summer is three in UTC.
		{"tannery-row", "2026-07-02T02:59:59Z", watch.Shift{Day: day(1), No: 3}},
		{"tannery-row", "2026-07-02T03:00:00Z", watch.Shift{Day: day(2), No: 1}},
		{"tannery-row", "2026-07-02T11:00:00Z", watch.Shift{Day: day(2), No: 2}},
	} {
		at, err := time.Parse(time.RFC3339, tc.at)
		if err != nil {
			t.Fatal(err)
		}
		if got := s.shift(tc.site, at); got != tc.want {
			t.Errorf("%s at %s: %v, want %v", tc.site, tc.at, got, tc.want)
		}
	}
}

func TestEvidenceIsWhatTheSignalIsAbout(t *testing.T) {
	at := func(h int) time.Time { return time.Date(2026, 11, 2, h, 0, 0, 0, time.UTC) }
	var r recents
	build := func(ref int64, station, by, measure string, h int) {
		r.add(ref, &watch.Build{Site: "tannery-row", Station: station, By: by, MilkLot: "ml-1", Started: at(h), Readings: []watch.Reading{{Measure: measure}}})
	}
	build(1, "bar-1", "p1", "shot_time", 8)
	build(2, "bar-1", "p2", "shot_time", 9)
	build(3, "bar-2", "p1", "shot_time", 9)
	build(4, "bar-1", "p1", "milk_temp", 10)
	build(5, "bar-1", "p1", "shot_time", 12)
	r.add(6, &watch.Build{Site: "tannery-row", Station: "bar-1", Started: at(9)})
	for _, tc := range []struct {
		name string
		g    watch.Signal
		want []int64
	}{
		{"a level at a station", watch.Signal{Kind: watch.SignalLevel, Site: "tannery-row", Station: "bar-1", Measure: "shot_time", Began: at(8), Seen: at(11)}, []int64{2, 1}},
		{"a site", watch.Signal{Kind: watch.SignalSite, Site: "tannery-row", Measure: "shot_time", Began: at(9), Seen: at(11)}, []int64{3, 2}},
		{"the chain", watch.Signal{Kind: watch.SignalChain, Measure: "milk_temp", Began: at(8), Seen: at(11)}, []int64{4}},
		{"a person", watch.Signal{Kind: watch.SignalQuestion, Site: "tannery-row", Station: "bar-2", Barista: "p1", Began: at(11), Seen: at(11)}, []int64{4, 3, 1}},
		{"a lot not used", watch.Signal{Kind: watch.SignalLot, Lot: "ml-2", Measure: "milk_temp", Began: at(8), Seen: at(11)}, []int64{}},
	} {
		if d := cmp.Diff(tc.want, r.behind(&tc.g)); d != "" {
			t.Errorf("%s: %s", tc.name, d)
		}
	}
}
