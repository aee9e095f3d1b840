package score

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"samecup.example/samecup/internal/watch"
)

// told makes signals of one chart in these shifts.
func told(a alarm, shifts ...int) []alarm {
	var out []alarm
	for _, s := range shifts {
		a.told = s
		out = append(out, a)
	}
	return out
}

func TestEpisodesOnHandMadeStreams(t *testing.T) {
	low := alarm{kind: watch.SignalPlain, site: "tannery-row", station: "bar-1", measure: "dose", direction: -1}
	with := func(f func(*alarm)) alarm { a := low; f(&a); return a }
	for _, c := range []struct {
		name string
		list []alarm
		want []int // shifts in which episodes begin
	}{
		{"nothing", nil, nil},
		{"one signal", told(low, 4), []int{4}},
		{"a chart that rings on for weeks is one", told(low, 4, 5, 6, 7, 8, 9, 10, 11, 12, 18, 24, 30), []int{4}},
		{"five quiet shifts do not end it", told(low, 4, 10), []int{4}},
		{"six do", told(low, 4, 11), []int{4, 11}},
		{"quiet counts from the last repeat", told(low, 4, 9, 15, 22), []int{4, 22}},
		{"twice in a shift", told(low, 4, 4), []int{4}},
		{"out of order", told(low, 22, 4, 15, 9), []int{4, 22}},
		{"the other side is another", slices.Concat(told(low, 4), told(with(func(a *alarm) { a.direction = 1 }), 5)), []int{4, 5}},
		{"another station", slices.Concat(told(low, 4), told(with(func(a *alarm) { a.station = "bar-2" }), 5)), []int{4, 5}},
		{"another site", slices.Concat(told(low, 4), told(with(func(a *alarm) { a.site = "oyster-steps" }), 5)), []int{4, 5}},
		{"another measure", slices.Concat(told(low, 4), told(with(func(a *alarm) { a.measure = "yield" }), 5)), []int{4, 5}},
		{"another finding", slices.Concat(told(low, 4), told(with(func(a *alarm) { a.finding = "garnish" }), 5)), []int{4, 5}},
		{"another person", slices.Concat(told(low, 4), told(with(func(a *alarm) { a.barista = "b-7" }), 5)), []int{4, 5}},
		{"another statement about the same", slices.Concat(told(low, 4), told(with(func(a *alarm) { a.kind = watch.SignalSpread }), 5)), []int{4, 5}},
		{"later, larger, another case: the same", slices.Concat(told(low, 4), told(with(func(a *alarm) { a.z, a.inCase = 9, "c" }), 5)), []int{4}},
		{"by rule is not of chance", told(with(func(a *alarm) { a.rule = true }), 4), nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			var got []int
			for _, a := range begins(c.list, (*alarm).counts) {
				got = append(got, a.told)
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("-want +got:\n%s", d)
			}
		})
	}
	if got, want := tallyOf(told(low, 4, 5, 6, 20), (*alarm).counts), (tally{Episodes: 2, Signals: 4}); got != want {
		t.Errorf("tally %+v, want %+v", got, want)
	}
}

func TestElsewhereDoesNotCountRepeats(t *testing.T) {
	p := truthAt("F6")
	away := alarm{kind: watch.SignalLevel, site: "oyster-steps", station: "bar-2", measure: "dose"}
	// The onset is in shift 21: begun before it, then again after a pause.
	if n := elsewhere(&p, day0, told(away, 19, 20, 22, 24, 35, 36)); n != 1 {
		t.Errorf("%d episodes elsewhere, want 1", n)
	}
}

func TestLimitForCountsEpisodes(t *testing.T) {
	with := func(shift int, z float64) alarm { return alarm{told: shift, z: z} }
	long := []alarm{with(1, 9), with(2, 8), with(3, 7), with(4, 6), with(30, 5), with(31, 4)}
	bridge := []alarm{with(1, 9), with(9, 8), with(5, 7), with(30, 6)} // 5 joins 1 and 9
	for _, c := range []struct {
		name string
		runs [][]alarm
		n    int
		want float64
	}{
		{"no signals", nil, 0, floor},
		{"nothing allowed", [][]alarm{long}, 0, 9},
		{"repeats cost nothing", [][]alarm{long}, 1, 5.5},
		{"all allowed", [][]alarm{long}, 2, floor},
		{"runs do not join", [][]alarm{{with(1, 9)}, {with(1, 8)}}, 1, 8.5},
		{"no higher limit may leave more", [][]alarm{bridge}, 1, 8.5},
		{"what joins two is a repeat", [][]alarm{bridge}, 2, floor},
		{"equals go together", [][]alarm{{with(1, 9), with(20, 8), with(40, 8)}}, 2, 8.5},
	} {
		if got := limitFor(c.runs, c.n); got != c.want {
			t.Errorf("%s: limit %v, want %v", c.name, got, c.want)
		}
	}
}

// The calibration counts as it goes; it must agree with counting at once.
func TestTrackAgreesWithBegins(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		shifts := rapid.SliceOfN(rapid.IntRange(0, 60), 0, 20).Draw(t, "shifts")
		var tr track
		n := 0
		for i, s := range shifts {
			n += tr.insert(s)
			if want := len(begins(told(alarm{}, shifts[:i+1]...), (*alarm).counts)); n != want {
				t.Fatalf("after %v: %d episodes, want %d", shifts[:i+1], n, want)
			}
		}
	})
}
