// Package sim answers one question: what would a chain look like of which we
// know the truth?
//
// Simulated baristas make builds of a book's servings and, at a stated rate,
// get one thing wrong. Whether a build deviates follows from what was injected
// and from nothing else: this package never asks the verdict, so that the two
// can be held against each other. Rates, noise and mix are invented.
package sim

import (
	"errors"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"slices"
	"time"

	"samecup.example/samecup/internal/drink"
)

// Config describes one simulated bar.
type Config struct {
	// Seed and Run make the builds reproducible: the same seed, run, site and
	// station give the same builds, ids included. A later run on data that are
	// kept needs another Run, or its ids would repeat.
	Seed, Run uint64
	// Site and Station are slugs.
	Site, Station string
	// FaultRate is the share of builds with a fault injected, 0 to 1.
	FaultRate float64
	// Faults to draw from; empty means all of [Faults].
	Faults []Fault
}

// Bar is one station with its baristas. It is not safe for concurrent use.
type Bar struct {
	cfg      Config
	rng      *rand.Rand
	baristas []barista
	plan     plan

	release  uint64
	servings []drink.Serving
	mix      []float64 // cumulative weights, by serving
	stock    stock
}

// barista makes drinks with a bias and a spread of their own, both as
// multiples of the trade's usual spread of each measure.
type barista struct {
	name         string
	bias, spread float64
}

// NewBar opens a bar; give it something to make with [Bar.Use].
func NewBar(cfg Config) (*Bar, error) {
	if cfg.FaultRate < 0 || cfg.FaultRate > 1 {
		return nil, fmt.Errorf("fault rate %v; allowed are 0 to 1", cfg.FaultRate)
	}
	if cfg.Site == "" || cfg.Station == "" {
		return nil, fmt.Errorf("site %q, station %q; both must be named", cfg.Site, cfg.Station)
	}
	if len(cfg.Faults) == 0 {
		cfg.Faults = Faults
	}
	h := fnv.New64a()
	fmt.Fprintf(h, "%s/%s/%d", cfg.Site, cfg.Station, cfg.Run)
	b := &Bar{cfg: cfg, rng: rand.New(rand.NewPCG(cfg.Seed, h.Sum64()))}
	for range 3 {
		b.baristas = append(b.baristas, barista{
			name:   fmt.Sprintf("b-%02d", 10+b.rng.IntN(90)),
			bias:   b.rng.NormFloat64() * 0.3,
			spread: 0.6 + 0.8*b.rng.Float64(),
		})
	}
	return b, nil
}

// Use changes the card that the bar works from: the release shown and its
// servings, which must not change afterwards.
func (b *Bar) Use(release uint64, servings []drink.Serving) error {
	if len(servings) == 0 {
		return errors.New("servings: none; a bar needs something to make")
	}
	b.release, b.servings = release, servings
	b.mix = cumulativeMix(servings)
	b.stock = takeStock(servings)
	return nil
}

// Release is the number of the release that the bar works from; 0 before Use.
func (b *Bar) Release() uint64 { return b.release }

// Make makes the next drink, finished at now, and tells the truth about it.
func (b *Bar) Make(now time.Time) (drink.Build, Truth) {
	s := b.draw()
	fault := NoFault
	if b.rng.Float64() < b.cfg.FaultRate {
		if able := b.applicable(s); len(able) > 0 {
			fault = able[b.rng.IntN(len(able))]
		}
	}
	build, truth, _ := b.MakeWith(s, fault, now)
	return build, truth
}

// MakeWith makes a given serving with a given fault. It is false, and the
// build sound, when the serving has nothing that the fault could apply to.
func (b *Bar) MakeWith(s *drink.Serving, fault Fault, now time.Time) (drink.Build, Truth, bool) {
	sampled := b.plan.next(b.rng) || fault == ReadingMissing
	build := b.sound(s, sampled)
	injected := fault != NoFault && b.inject(s, &build, fault)
	done := injected || fault == NoFault
	if !injected {
		fault = NoFault
	}
	stamp(&build, now)
	if fault == FutureTime {
		shift(&build, 2*time.Hour+time.Duration(b.rng.IntN(240))*time.Minute)
	}
	return build, Truth{
		BuildID: build.ID, Site: build.Site, Station: build.Station, Serving: build.Serving,
		Fault: string(fault), Deviates: injected,
	}, done
}

// applicable lists the faults that the serving offers a place for.
func (b *Bar) applicable(s *drink.Serving) []Fault {
	var able []Fault
	for _, f := range b.cfg.Faults {
		if b.offers(s, f) {
			able = append(able, f)
		}
	}
	return able
}

// sound makes a build within every limit. Its times are offsets from the zero
// time until stamp sets them.
func (b *Bar) sound(s *drink.Serving, sampled bool) drink.Build {
	who := b.baristas[b.rng.IntN(len(b.baristas))]
	build := drink.Build{
		ID: b.uuid(), Serving: s.ID, Release: b.release,
		Site: b.cfg.Site, Station: b.cfg.Station,
		Vessel: s.Vessel, Milk: s.Milk, Shots: s.Shots,
		Garnish: slices.Clone(s.Garnish), Sampled: sampled,
		By: who.name, How: "keypad",
	}
	b.rng.Shuffle(len(build.Garnish), func(i, j int) {
		build.Garnish[i], build.Garnish[j] = build.Garnish[j], build.Garnish[i]
	})
	build.Steps = b.steps(s)
	for i := range s.Checks {
		if c := &s.Checks[i]; sampled || c.Need == drink.Always || b.rng.Float64() < 0.1 {
			build.Readings = append(build.Readings, b.readings(c, who)...)
		}
	}
	return build
}

// uuid is a version 4 UUID (RFC 9562) from the seeded source.
func (b *Bar) uuid() string {
	hi, lo := b.rng.Uint64(), b.rng.Uint64()
	hi = hi&^0xf000 | 0x4000
	lo = lo&^(3<<62) | 2<<62
	return fmt.Sprintf("%08x-%04x-%04x-%04x-%012x", hi>>32, hi>>16&0xffff, hi&0xffff, lo>>48, lo&0xffffffffffff)
}

// plan chooses the builds to measure: the first three of a shift, as after
// dialling in, then two in a row at a random place in every ten.
type plan struct{ made, at int }

func (p *plan) next(rng *rand.Rand) bool {
	if p.made%10 == 0 {
		p.at = rng.IntN(9)
	}
	k := p.made % 10
	p.made++
	return p.made <= 3 || k == p.at || k == p.at+1
}
