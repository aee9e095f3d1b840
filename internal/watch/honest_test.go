package watch

import (
	"hash/fnv"
	"strings"
	"testing"
	"time"
)

// level gives everybody a level of their own, about a quarter of the tolerance.
func level(b *Build) {
	for i := range b.Readings {
		h := fnv.New32a()
		h.Write([]byte(b.By + b.Readings[i].Measure))
		move(b, b.Readings[i].Measure, 0.5*(float64(h.Sum32()%1000)/500-1))
	}
}

func TestFabricatedLogsAreAskedAbout(t *testing.T) {
	const who = "ta-1"
	for _, tc := range []struct {
		name   string
		bend   func(w *world, b *Build, day int)
		within int // days
	}{
		{"copies the target and logs no failure", func(w *world, b *Build, day int) {
			for i := range b.Readings {
				r := &b.Readings[i]
				r.Value = r.Target + 0.1*float64(w.rng.IntN(3)-1)
			}
		}, 3},
		{"types the shift in at one sitting, the same values again and again", func(w *world, b *Build, day int) {
			for i := range b.Readings {
				r := &b.Readings[i]
				r.Value = r.Target + float64(i%2)*r.Resolution
			}
			b.Entered = day0.AddDate(0, 0, day).Add(20*time.Hour + time.Duration(b.Started.Hour()*3)*time.Second)
		}, 6},
	} {
		t.Run(tc.name, func(t *testing.T) {
			w, wt := newWorld(3), newWatch(t)
			w.perShift = 24
			w.within = 0.5 // some honest failures
			w.bend = func(w *world, b *Build, day int) {
				level(b)
				if day >= onset && b.By == who {
					tc.bend(w, b, day)
				}
			}
			out := w.run(t, wt, nil, 0, onset+8)
			s, ok := first(out.Signals, func(s Signal) bool { return s.Kind == SignalQuestion })
			if !ok {
				t.Fatal("no question")
			}
			if s.Barista != who {
				t.Errorf("asks about %s, want %s: %s", s.Barista, who, s.Words)
			}
			if d := int(s.Seen.Sub(day0.AddDate(0, 0, onset)).Hours() / 24); d > tc.within {
				t.Errorf("asks after %d days, want %d", d, tc.within)
			}
			if !strings.Contains(s.Words, "no verdict") || !strings.Contains(s.Words, "?") {
				t.Errorf("words do not ask: %s", s.Words)
			}
			if n := count(out.Signals, func(s Signal) bool { return s.Kind == SignalQuestion && s.Barista != who }); n > 0 {
				t.Errorf("%d questions about others", n)
			}
			t.Log(s.Words)
		})
	}
}

// TestTheHonestOutlierIsNotAskedAbout has steady hands, an odd level and an
// offline afternoon in every chain; none of it is dishonest.
func TestTheHonestOutlierIsNotAskedAbout(t *testing.T) {
	if testing.Short() {
		t.Skip("long and without goroutines: the full run has it")
	}
	const seeds = 16
	asked, months := 0, 0
	for seed := range uint64(seeds) {
		w, wt := newWorld(100+seed), newWatch(t)
		w.perShift = 20
		w.bend = func(w *world, b *Build, day int) {
			level(b)
			for i := range b.Readings {
				r := &b.Readings[i]
				half := (r.High - r.Low) / 2
				switch b.By {
				case "ta-0": // twice as steady as the others, and never far off
					r.Value = r.Target + (r.Value-r.Target)/2
				case "la-1": // always high, with honest spread
					r.Value += 0.6 * half
				}
			}
		}
		out := w.run(t, wt, nil, 0, 28)
		months++
		asked += count(out.Signals, func(s Signal) bool { return s.Kind == SignalQuestion })
		for _, s := range out.Signals {
			if s.Kind == SignalQuestion {
				t.Log(s.Words)
			}
		}
	}
	t.Logf("%d questions in %d chain-months of %d honest logs each", asked, months, len(fourSites)*4)
	if asked > 0 {
		t.Errorf("%d questions about honest logs", asked)
	}
}
