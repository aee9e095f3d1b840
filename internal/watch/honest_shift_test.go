package watch

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// honestDesk is one shift of somebody's honest log: values of their own level
// and skill, rounded as shown, some shots channelled.
func honestDesk(rng *rand.Rand, skill float64) *desk {
	d := &desk{Typed: map[string][]logged{}}
	shot := func() float64 {
		v := skill * 0.35 * rng.NormFloat64()
		if rng.Float64() < 0.02 {
			v -= 2.3
		}
		return v
	}
	step := 0.1 + 0.9*float64(rng.IntN(2)) // tenths or whole seconds
	for range 60 {
		d.Machine = append(d.Machine, math.Round(shot()*3/step)*step/3)
	}
	for _, s := range specs {
		res, n := s.step, 8
		switch s.measure {
		case "shot_time":
			res = step
		case "milk_temp", "cup_mass", "froth_depth":
			n = 2
		}
		level := 0.3 * rng.NormFloat64()
		for range n {
			u := level + skill*0.4*rng.NormFloat64()
			if s.measure == "shot_time" {
				u = shot()
			}
			v := math.Round((s.target+s.half*u)/res) * res
			d.Typed[s.measure] = append(d.Typed[s.measure], logged{V: v, U: (v - s.target) / s.half, Half: s.half, Res: res})
		}
	}
	return d
}

// TestHonestShiftsStandOutNoMoreOftenThanTheySay holds the p-values of all
// grounds of single shifts against honest logs of steady and of new hands.
func TestHonestShiftsStandOutNoMoreOftenThanTheySay(t *testing.T) {
	usual := map[string]float64{"dose": 0.4, "yield": 0.4, "shot_time": 0.4, "milk_temp": 0.4, "cup_mass": 0.4, "froth_depth": 0.4}
	w := newWatch(t)
	w.st.Usual = usual
	w.st.Levels = map[string]peopleLevel{}
	for _, m := range onTargetMeasures {
		w.st.Levels[m] = peopleLevel{0, 0.3}
	}
	const runs, at = 4000, 0.01
	for _, skill := range []float64{0.45, 1, 1.5} {
		rng := rand.New(rand.NewPCG(9, uint64(skill*100)))
		low := map[string]int{}
		asked := 0
		for range runs {
			g := w.grounds([]session{honestDesk(rng, skill).session(usual)}, 1)
			seen := map[string]bool{}
			for _, x := range g {
				if x.P <= at && !seen[x.Family] {
					seen[x.Family] = true
					low[x.Family]++
				}
			}
			if joined(g) < 1e-6 {
				asked++
			}
		}
		t.Logf("skill %.2f: of %d shifts at or below %g: %v", skill, runs, at, low)
		for f, n := range low {
			// 4 standard errors of the share.
			if most := at*runs + 4*math.Sqrt(at*runs); float64(n) > most {
				t.Errorf("skill %.2f: %s at or below %g in %d of %d honest shifts, want at most %.0f", skill, f, at, n, runs, most)
			}
		}
		if asked > 0 {
			t.Errorf("skill %.2f: %d of %d honest shifts would be asked about", skill, asked, runs)
		}
	}
}

func TestAReplayedStretchIsFoundAndChanceIsNot(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	log := func(n int) *person {
		p := &person{Values: map[string][]logged{}}
		for range n {
			v := math.Round((36+0.6*rng.NormFloat64())*10) / 10
			p.Values["yield"] = append(p.Values["yield"], logged{V: v, U: (v - 36) / 1.5, Half: 1.5, Res: 0.1})
		}
		return p
	}
	small := 0
	for range 2000 {
		if g := log(90).replays(); g[0].P <= 0.01 {
			small++
		}
	}
	if small > 30 {
		t.Errorf("%d of 2000 honest logs at or below 0.01, want at most about 20", small)
	}
	p := log(60)
	for i := range 8 {
		v := p.Values["yield"][20+i]
		v.V, v.U = v.V+0.1, v.U+0.1/1.5
		p.Values["yield"] = append(p.Values["yield"], v)
	}
	if g := p.replays(); g[0].P > 1e-4 {
		t.Errorf("eight values replayed have p %g, want at most 1e-4", g[0].P)
	}
}

func TestRowsTypedInAtOnceAreCountedAndHonestHabitsAreNot(t *testing.T) {
	open := time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC)
	for _, tc := range []struct {
		name    string
		entered func(i int, at time.Time) time.Time
		want    int
	}{
		{"each after its drink", func(_ int, at time.Time) time.Time { return at.Add(time.Minute) }, 0},
		{"in twos, after a rush", func(i int, at time.Time) time.Time { return at.Truncate(time.Hour).Add(time.Hour) }, 0},
		{"all at the end, a row every six seconds", func(i int, _ time.Time) time.Time { return open.Add(8*time.Hour + time.Duration(i)*6*time.Second) }, 12},
		{"all at the end, each row typed in its own time", func(i int, _ time.Time) time.Time { return open.Add(8*time.Hour + time.Duration(i)*40*time.Second) }, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var d desk
			for i := range 12 {
				at := open.Add(time.Duration(i) * 31 * time.Minute)
				d.Builds = append(d.Builds, loggedBuild{place: place{At: at, ID: fmt.Sprint(i)}, Entered: tc.entered(i, at)})
			}
			var e session
			e.together(d.Builds)
			if e.Together != tc.want {
				t.Errorf("%d rows typed in at once, want %d", e.Together, tc.want)
			}
			// By itself it is no reason to ask anybody.
			w := newWatch(t)
			if got := w.ask([]asking{{person: &person{}, grounds: w.grounds([]session{e}, 1)}}); len(got) > 0 {
				t.Error("asked on the clock alone")
			}
		})
	}
}
