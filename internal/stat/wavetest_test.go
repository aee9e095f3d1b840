package stat_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"samecup.example/samecup/internal/stat"
)

// NIST/SEMATECH e-Handbook 6.2.6: p0 .01, p1 .10, alpha .05, beta .10 gives
// -.939 + .0397 n and 1.205 + .0397 n (inputs and rounded lines from memory,
// further digits computed). A wave with one build to 99 outside has p0 = .01,
// and a ratio of 11 gives p1 = .10, so each deviation is one of NIST's checks
// and one in the wave is one of its bad items.
func TestWaveTestHasTheLinesOfTheHandbook(t *testing.T) {
	w := stat.WaveTest{FalseAlarm: .05, MissedHarm: .10, HarmfulRatio: 11}
	k := math.Log(.10 * .99 / (.01 * .90))
	lower, upper := w.Bounds()
	if math.Abs(-lower/k-.938862) > 1e-6 || math.Abs(upper/k-1.205379) > 1e-6 {
		t.Fatalf("h1 %.6f h2 %.6f", -lower/k, upper/k)
	}
	sprt, err := stat.NewSPRT(.01, .10, .05, .10, 0)
	if err != nil {
		t.Fatal(err)
	}
	for bad := range 5 {
		for n := bad; n <= 150; n++ {
			if n == 0 {
				continue
			}
			// One batch, so that only the state at n counts.
			r, err := w.Decide(stat.WavePast{}, []stat.WaveBatch{{
				WaveBuilds: 1000, WaveDeviations: uint64(bad), OtherBuilds: 99000, OtherDeviations: uint64(n - bad)}})
			if err != nil {
				t.Fatal(err)
			}
			want, err := sprt.Decide(bad, n)
			if err != nil {
				t.Fatal(err)
			}
			if got := r.OtherSites.Advice; got != map[stat.Answer]stat.Advice{stat.Accept: stat.AdviceGoOn, stat.Reject: stat.AdviceRollBack, stat.GoOn: stat.AdviceCannotTell}[want] {
				t.Fatalf("%d bad of %d: %s, the handbook's lines say %s", bad, n, got, want)
			}
		}
	}
}

// By hand: ratio 2, equal builds: p0 1/2, p1 2/3, so a deviation in the wave
// adds ln(4/3), one outside ln(2/3).
func TestWaveTestByHand(t *testing.T) {
	w := stat.WaveTest{HarmfulRatio: 2}
	want := 7*math.Log(4./3) + 3*math.Log(2./3)
	r, err := w.Decide(stat.WavePast{Builds: 500, Deviations: 3}, []stat.WaveBatch{
		{WaveBuilds: 200, WaveDeviations: 4, OtherBuilds: 200, OtherDeviations: 2},
		{WaveBuilds: 300, WaveDeviations: 3, OtherBuilds: 300, OtherDeviations: 1},
	})
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]stat.RateComparison{"own past": r.OwnPast, "other sites": r.OtherSites} {
		if math.Abs(c.LogLikelihoodRatio-want) > 1e-12 {
			t.Errorf("%s: %.9f, want %.9f", name, c.LogLikelihoodRatio, want)
		}
	}
	if r.Advice != stat.AdviceCannotTell {
		t.Error(r.Advice)
	}
}

func TestWaveAdvice(t *testing.T) {
	same := stat.WavePast{Builds: 20000, Deviations: 800}
	many := func(k, d uint64) []stat.WaveBatch {
		return []stat.WaveBatch{{WaveBuilds: 5000, WaveDeviations: k, OtherBuilds: 20000, OtherDeviations: d}}
	}
	for name, c := range map[string]struct {
		past stat.WavePast
		in   []stat.WaveBatch
		want stat.Advice
		text string
	}{
		"no worse than either":          {same, many(200, 800), stat.AdviceGoOn, "Go on"},
		"worse than both":               {same, many(330, 800), stat.AdviceRollBack, "Roll back"},
		"all got worse":                 {same, many(330, 1320), stat.AdviceHold, "chain-wide"},
		"the others got better":         {same, many(200, 500), stat.AdviceHold, "worse before"},
		"too few":                       {same, []stat.WaveBatch{{WaveBuilds: 60, WaveDeviations: 3, OtherBuilds: 200, OtherDeviations: 8}}, stat.AdviceCannotTell, "more builds"},
		"nothing at all":                {stat.WavePast{}, nil, stat.AdviceCannotTell, "no builds to compare with"},
		"no past":                       {stat.WavePast{}, many(200, 800), stat.AdviceCannotTell, "One comparison has answered"},
		"nobody outside":                {same, []stat.WaveBatch{{WaveBuilds: 9000, WaveDeviations: 360}}, stat.AdviceCannotTell, "no builds to compare with"},
		"nothing ever deviated":         {stat.WavePast{Builds: 900}, []stat.WaveBatch{{WaveBuilds: 90, OtherBuilds: 900}}, stat.AdviceCannotTell, "tells nothing of the ratio"},
		"a past too short to ever tell": {stat.WavePast{Builds: 200, Deviations: 8}, many(200, 800), stat.AdviceCannotTell, "too small"},
	} {
		t.Run(name, func(t *testing.T) {
			r, err := stat.WaveTest{}.Decide(c.past, c.in)
			if err != nil {
				t.Fatal(err)
			}
			if r.Advice != c.want || !strings.Contains(r.Text, c.text) {
				t.Fatalf("%s: %s", r.Advice, r.Text)
			}
		})
	}
}

func TestAnAnswerOnceGivenStands(t *testing.T) {
	bad := stat.WaveBatch{WaveBuilds: 1000, WaveDeviations: 90, OtherBuilds: 4000, OtherDeviations: 160}
	good := stat.WaveBatch{WaveBuilds: 9000, WaveDeviations: 300, OtherBuilds: 36000, OtherDeviations: 1440}
	r, err := stat.WaveTest{}.Decide(stat.WavePast{Builds: 20000, Deviations: 800}, []stat.WaveBatch{bad, good})
	if err != nil || r.Advice != stat.AdviceRollBack || r.OwnPast.DecidedAfter != 1000 {
		t.Fatal(r.Text, err)
	}
}

func TestWaveTestRefuses(t *testing.T) {
	ok := []stat.WaveBatch{{WaveBuilds: 1}}
	for name, f := range map[string]func() (stat.WaveReport, error){
		"a ratio below 1": func() (stat.WaveReport, error) { return stat.WaveTest{HarmfulRatio: .5}.Decide(stat.WavePast{}, ok) },
		"a ratio of nothing": func() (stat.WaveReport, error) {
			return stat.WaveTest{HarmfulRatio: math.NaN()}.Decide(stat.WavePast{}, ok)
		},
		"a chance above 1": func() (stat.WaveReport, error) { return stat.WaveTest{FalseAlarm: 1.5}.Decide(stat.WavePast{}, ok) },
		"chances adding up": func() (stat.WaveReport, error) {
			return stat.WaveTest{FalseAlarm: .6, MissedHarm: .4}.Decide(stat.WavePast{}, ok)
		},
		"more bad than built": func() (stat.WaveReport, error) {
			return stat.WaveTest{}.Decide(stat.WavePast{}, []stat.WaveBatch{{WaveDeviations: 1}})
		},
		"a past more bad": func() (stat.WaveReport, error) { return stat.WaveTest{}.Decide(stat.WavePast{Deviations: 1}, ok) },
		"more bad than others": func() (stat.WaveReport, error) {
			return stat.WaveTest{}.Decide(stat.WavePast{}, []stat.WaveBatch{{OtherDeviations: 1}})
		},
	} {
		if _, err := f(); !errors.Is(err, stat.ErrInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// The exact error rates of the comparison with other sites when deviations
// come one by one, by carrying the distribution forward: the test is a binomial
// SPRT of p0 = n/(n+m) against p1 = R n/(R n + m). Wald's inequalities hold, and
// truncation at 2,000 deviations leaves almost nothing open.
func TestWaveErrorRatesExactly(t *testing.T) {
	w, err := stat.WaveTest{}.Filled()
	if err != nil {
		t.Fatal(err)
	}
	for _, share := range []float64{.05, .2, .5} {
		p1 := w.HarmfulRatio * share / (w.HarmfulRatio*share + 1 - share)
		s, err := stat.NewSPRT(share, p1, w.FalseAlarm, w.MissedHarm, 2000)
		if err != nil {
			t.Fatal(err)
		}
		c, err := s.Curve(share, p1)
		if err != nil {
			t.Fatal(err)
		}
		if c[0].PReject > w.FalseAlarm/(1-w.MissedHarm) || c[1].PAccept > w.MissedHarm/(1-w.FalseAlarm) {
			t.Errorf("share %g: false alarm %.4f, missed harm %.4f", share, c[0].PReject, c[1].PAccept)
		}
		if c[0].PAccept < .9 || c[1].PReject < .85 {
			t.Errorf("share %g: accepts %.4f under H0, rejects %.4f under H1", share, c[0].PAccept, c[1].PReject)
		}
	}
}

// Both comparisons and the joint advice, day by day, with rates that differ from
// day to day for all alike and Poisson counts: the 99.9 % intervals of the simulated
// error rates must not lie above Wald's bounds.
func TestWaveErrorRatesInBatches(t *testing.T) {
	const runs, days = 4000, 12
	w, err := stat.WaveTest{}.Filled()
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(4, 2026))
	draw := func(mean float64, most uint64) uint64 {
		return min(uint64(distuv.Poisson{Lambda: mean, Src: rnd}.Rand()), most)
	}
	count := func(ratio float64) (advice map[stat.Advice]int, own, others map[stat.Advice]int) {
		advice, own, others = map[stat.Advice]int{}, map[stat.Advice]int{}, map[stat.Advice]int{}
		for range runs {
			const rate = .04
			past := stat.WavePast{Builds: 12000}
			past.Deviations = draw(12000*rate, 12000)
			batches := make([]stat.WaveBatch, days)
			for d := range batches {
				swing := rate * (1 + []float64{-.1, .1}[d%2])
				batches[d] = stat.WaveBatch{WaveBuilds: 800, OtherBuilds: 4000,
					WaveDeviations: draw(800*swing*ratio, 800), OtherDeviations: draw(4000*swing, 4000)}
			}
			r, err := w.Decide(past, batches)
			if err != nil {
				t.Fatal(err)
			}
			advice[r.Advice]++
			own[r.OwnPast.Advice]++
			others[r.OtherSites.Advice]++
		}
		return advice, own, others
	}
	notAbove := func(what string, n int, bound float64) {
		b, err := stat.ClopperPearson(n, runs, .999)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %.4f (99.9 %% %.4f to %.4f), bound %.4f", what, float64(n)/runs, b.Lower, b.Upper, bound)
		if b.Lower > bound {
			t.Errorf("%s: too often", what)
		}
	}
	falseAlarm, missed := w.FalseAlarm/(1-w.MissedHarm), w.MissedHarm/(1-w.FalseAlarm)
	joint, own, others := count(1)
	notAbove("own past, false alarm", own[stat.AdviceRollBack], falseAlarm)
	notAbove("other sites, false alarm", others[stat.AdviceRollBack], falseAlarm)
	notAbove("joint, false alarm", joint[stat.AdviceRollBack], falseAlarm)
	if joint[stat.AdviceGoOn] < runs*8/10 {
		t.Errorf("went on in %d of %d when nothing got worse", joint[stat.AdviceGoOn], runs)
	}
	joint, own, others = count(w.HarmfulRatio)
	notAbove("own past, missed harm", own[stat.AdviceGoOn], missed)
	notAbove("other sites, missed harm", others[stat.AdviceGoOn], missed)
	notAbove("joint, missed harm", joint[stat.AdviceGoOn], missed)
	if joint[stat.AdviceRollBack] < runs*8/10 {
		t.Errorf("rolled back in %d of %d when it got worse", joint[stat.AdviceRollBack], runs)
	}
}

// More deviations in the wave never make the ratio smaller, more outside never
// larger, and no input gives NaN.
func TestWaveRatioIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Uint64Range(1, 1e9).Draw(t, "wave builds")
		m := rapid.Uint64Range(1, 1e9).Draw(t, "other builds")
		k := rapid.Uint64Range(0, n-1).Draw(t, "wave deviations")
		d := rapid.Uint64Range(0, m-1).Draw(t, "other deviations")
		w := stat.WaveTest{HarmfulRatio: rapid.Float64Range(1.01, 100).Draw(t, "ratio")}
		at := func(k, d uint64) float64 {
			r, err := w.Decide(stat.WavePast{Builds: m, Deviations: d}, []stat.WaveBatch{{WaveBuilds: n, WaveDeviations: k, OtherBuilds: m, OtherDeviations: d}})
			if err != nil {
				t.Fatal(err)
			}
			if a, b := r.OwnPast.LogLikelihoodRatio, r.OtherSites.LogLikelihoodRatio; a != b || math.IsNaN(a) || math.IsInf(a, 0) {
				t.Fatalf("%v %v", a, b)
			}
			return r.OwnPast.LogLikelihoodRatio
		}
		if at(k+1, d) < at(k, d) || at(k, d+1) > at(k, d) {
			t.Fatal("the ratio moves the wrong way")
		}
	})
}
