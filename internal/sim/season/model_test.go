package season_test

import (
	"math"
	"strings"
	"testing"

	"samecup.example/samecup/internal/sim/season"
	"samecup.example/samecup/internal/watch"
)

// All figures here are those of the model, invented; "4 SE" is four standard
// errors of what is estimated, so that a sound model fails once in 16,000.

func params(t *testing.T) season.Params {
	t.Helper()
	p, err := season.Default()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// moments gathers a mean and a standard deviation (Welford).
type moments struct{ n, mean, m2 float64 }

func (m *moments) add(x float64) {
	m.n++
	d := x - m.mean
	m.mean += d / m.n
	m.m2 += d * (x - m.mean)
}

func (m *moments) sd() float64 { return math.Sqrt(m.m2 / (m.n - 1)) }

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.4g, want %.4g ± %.2g", what, got, want, tolerance)
	}
}

// TestTheGrinderWarmsUp leaves the dial alone: the time must fall by 2 × 3 %
// times the share of warming between two times, 1.6 s in all.
func TestTheGrinderWarmsUp(t *testing.T) {
	p := params(t)
	p.Grind.AdjustP = 0
	var early, late moments
	mustRun(t, season.Config{Seed: 4, Params: p}, season.Sink{Truth: func(b *season.BuildTruth) error {
		if b.N == 0 || b.Pulls[0].Channel {
			return nil
		}
		hour := b.Started.Sub(b.Started.Truncate(24 * 3600e9)).Hours()
		off := math.Log(b.Pulls[0].TimeS / b.Pulls[0].AimS)
		switch {
		case hour >= 6.5 && hour < 7:
			early.add(off)
		case hour >= 13 && hour < 13.5: // before the second dial-in
			late.add(off)
		}
		return nil
	}})
	warm := func(h float64) float64 { return 1 - math.Exp(-h/2) }
	want := -2 * 0.03 * (warm(6.75) - warm(0.25))
	// SE: humidity is one draw a station and day, 2 × 0.6 % over 336 of them,
	// beside which the shots' own 3.5 % over some thousands is small; barista
	// habits are on both sides.
	near(t, "log of the time lost to warming", late.mean-early.mean, want, 4*math.Sqrt2*0.012/math.Sqrt(336)+0.002)
	near(t, "time lost when warm through, s", 28*(1-math.Exp(-2*0.03)), 1.6, 0.05)
}

func TestShotsAreAsTheModelSays(t *testing.T) {
	var dose, yield, ey moments
	channel, shots := 0.0, 0.0
	byPerson := map[string]*moments{}
	mustRun(t, season.Config{Seed: 5}, season.Sink{Truth: func(b *season.BuildTruth) error {
		for _, k := range b.Pulls[:b.N] {
			dose.add(k.DoseG)
			yield.add(k.YieldG)
			shots++
			if k.Channel {
				channel++
				continue
			}
			off := k.TimeS - 28
			ey.add(k.EY - (19 + 0.12*off - 0.006*off*off + 1.5*(k.YieldG/k.DoseG-2)))
			if byPerson[b.By] == nil {
				byPerson[b.By] = &moments{}
			}
			byPerson[b.By].add(k.DoseG)
		}
		return nil
	}})
	// Some 39 people with a bias of SD 0.1 g: SE 0.016.
	near(t, "mean dose, g", dose.mean, 18, 4*0.1/math.Sqrt(float64(len(byPerson))))
	for who, m := range byPerson {
		if m.n > 300 && (m.sd() < 0.14 || m.sd() > 0.46) {
			t.Errorf("%s doses with an SD of %.3f g, want 0.15 (skilled) to 0.45 (new)", who, m.sd())
		}
	}
	near(t, "mean yield, g", yield.mean, 36.4, 4*0.5/math.Sqrt(yield.n))
	near(t, "SD of yield, g", yield.sd(), 0.5, 4*0.5/math.Sqrt(2*yield.n))
	near(t, "share of channels", channel/shots, 0.02, 4*math.Sqrt(0.02*0.98/shots))
	near(t, "mean of extraction about the model", ey.mean, 0, 4*0.5/math.Sqrt(ey.n))
	near(t, "SD of extraction about the model", ey.sd(), 0.5, 4*0.5/math.Sqrt(2*ey.n))
}

func TestTheMixIsAsTheModelSays(t *testing.T) {
	count, plant, oat, milk, n := map[string]float64{}, 0.0, 0.0, 0.0, 0.0
	perShift := map[string]float64{}
	people, sites := map[string]map[string]bool{}, map[string]bool{}
	mustRun(t, season.Config{Seed: 6}, season.Sink{Build: func(b *watch.Build) error {
		n++
		count[b.Drink]++
		if b.Milk != "" {
			milk++
			if !strings.HasPrefix(b.Milk, "whole") {
				plant++
			}
			if strings.HasPrefix(b.Milk, "oat") {
				oat++
			}
		}
		perShift[b.Site+b.Station+b.Shift.Day.String()+string(rune('0'+b.Shift.No))]++
		if people[b.By] == nil {
			people[b.By] = map[string]bool{}
		}
		people[b.By][b.Site] = true
		sites[b.Site] = true
		return nil
	}})
	for drink, share := range map[string]float64{"latte": 0.32, "flat-white": 0.18, "cappuccino": 0.15, "americano": 0.09, "mocha": 0.05,
		"hot-chocolate": 0.04, "chai-latte": 0.04, "dirty-chai": 0.01, "espresso": 0.04, "macchiato": 0.01, "long-black": 0.02, "iced-latte": 0.03, "batch-filter": 0.02} {
		near(t, "share of "+drink, count[drink]/n, share, 4*math.Sqrt(share*(1-share)/n))
	}
	near(t, "share of plant milk", plant/milk, 0.28, 4*math.Sqrt(0.28*0.72/milk))
	near(t, "share of oat in it", oat/plant, 0.8, 4*math.Sqrt(0.8*0.2/plant))
	if len(perShift) != 6*2*2*28 {
		t.Errorf("%d shifts, want %d", len(perShift), 6*2*2*28)
	}
	for shift, drinks := range perShift {
		if drinks < 120 || drinks > 420 {
			t.Errorf("shift %s made %v drinks, want 120 to 420", shift, drinks)
		}
	}
	roam := 0.0
	for _, at := range people {
		if len(at) > 1 {
			roam++
		}
	}
	// Rounded to a whole person.
	near(t, "share of people at two sites", roam/float64(len(people)), 0.1, 1/float64(len(people)))
}

// missed counts the prompts of a run that were not done, and those with a value
// out of tolerance.
func missed(t *testing.T, p season.Params) (missedShare, failedShare, prompts float64) {
	t.Helper()
	failed, lost := 0.0, 0.0
	mustRun(t, season.Config{Seed: 9, Params: p}, season.Sink{
		Build: func(b *watch.Build) error {
			if !b.Sampled || b.Audited {
				return nil
			}
			prompts++
			for _, r := range b.Readings {
				if r.Value < r.Low || r.Value > r.High {
					failed++
					break
				}
			}
			return nil
		},
		Event: func(e watch.Event) error {
			if e.Kind == watch.Missed {
				lost++
			}
			return nil
		},
	})
	return lost / prompts, failed / prompts, prompts
}

func TestChecksAreMissedAsTheModelSays(t *testing.T) {
	p := params(t)
	p.Missing = season.Missing{Random: 0.08}
	share, _, n := missed(t, p)
	near(t, "share missed at random", share, 0.08, 4*math.Sqrt(0.08*0.92/n))

	p.Missing = season.Missing{}
	share, failed, _ := missed(t, p)
	near(t, "share missed for no reason", share, 0, 0)
	p.Missing = season.Missing{OutOfTolerance: 0.25}
	share, _, _ = missed(t, p)
	near(t, "share missed since it would have failed", share, failed/4, 4*math.Sqrt(failed*0.25*0.75/n))
}

func TestASampledShiftCostsWhatThePlanSays(t *testing.T) {
	sampled, audits := 0.0, 0.0
	mustRun(t, season.Config{Seed: 10}, season.Sink{Build: func(b *watch.Build) error {
		switch {
		case b.Audited:
			audits++
		case b.Sampled:
			sampled++
		}
		return nil
	}})
	// 3 after the dial-in, 5 pairs, 3 at half time, 4 milk and 1 froth make 21,
	// of which some fall on one drink, beside the weekly check of the pumps.
	near(t, "sampled builds a shift", sampled/(6*2*2*28), 20.5, 1)
	if audits == 0 {
		t.Error("no auditor came in four weeks")
	}
}
