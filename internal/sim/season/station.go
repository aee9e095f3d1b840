package season

import (
	"fmt"
	"math"
	"slices"
	"time"

	"samecup.example/samecup/internal/watch"
)

// station is one machine, grinder and tablet.
type station struct {
	run  *run
	site *site
	no   int
	slug string
	key  uint64

	clock float64 // s that its tablet is ahead
	instruments
	grinder

	day, shift int
	roster     watch.Shift
	arrivals   []float64
	served     int
	builds     uint64 // made in all
	crew       []*barista
	free       []float64
	openedAt   float64
	plan       plan
	dial2      float64
	coffee     int
	coffeeID   string
	milkID     string
	milkAir    float64
	battery    [2]float64

	nextAt float64
	rec    *recipe
	who    *barista

	events []timed
}

type timed struct {
	x float64
	e watch.Event
}

// equip draws the biases of a station's instruments and its habits.
func (s *station) equip(d *dice) {
	in := &s.run.p.Instruments
	s.clock = d.norm(0, in.ClockSD)
	s.timeS = d.norm(0, s.run.p.Effects.StationTime)
	s.probe = d.norm(0, in.ProbeBias)
	s.scale = d.norm(0, in.ScaleBias)
	s.span = d.norm(0, in.ScaleSpan)
	// Half of the machines show whole seconds.
	s.timerStep = 0.1
	if d.IntN(2) == 0 {
		s.timerStep = 1
	}
}

// advance finds the next build: when, what and by whom.
func (s *station) advance() {
	for s.served >= len(s.arrivals) {
		if s.shift++; s.shift >= shifts {
			s.shift, s.day = 0, s.day+1
		}
		if s.day >= s.run.days {
			s.nextAt = math.Inf(1)
			return
		}
		s.openShift()
	}
	d := s.run.d
	s.builds++
	d.set(s.key^s.builds<<16, saltOrder)
	s.rec = s.run.menu.choose(d, s.run.p.Volume.Plant, s.run.p.Volume.Oat)
	takes := 48 + 14*d.Float64()
	at := s.arrivals[s.served]
	s.served++
	// Whoever is free takes it; if both are, either.
	k := d.IntN(len(s.crew))
	for i := range s.free {
		if s.free[k] > at && s.free[i] < s.free[k] {
			k = i
		}
	}
	at = math.Max(at, s.free[k])
	s.who, s.free[k] = s.crew[k], at+takes
	s.nextAt = at
}

// openShift brings in the crew, the orders, the day's lots and the plan.
func (s *station) openShift() {
	r, d := s.run, s.run.d
	at := float64(s.day)*day + opening + float64(s.shift)*shiftLong
	s.roster = r.shiftAt(at)
	if s.shift == 0 {
		s.openDay(at)
	}
	s.crew = r.crew(s.site, s.no, s.day, s.shift, len(r.stations)/len(r.sites))
	s.free = s.free[:0]
	for range s.crew {
		s.free = append(s.free, at)
	}
	v := &r.p.Volume
	d.set(s.shiftKey(), saltShift)
	mean := v.Mean * s.site.busy * week[s.day%7]
	if s.shift == 1 {
		mean *= v.SecondShift
	} else {
		mean *= 2 - v.SecondShift
	}
	n := min(max(d.negativeBinomial(mean, v.Dispersion), v.Least), v.Most)
	s.arrivals, s.served = s.arrivals[:0], 0
	for range n {
		s.arrivals = append(s.arrivals, at+arrive(d, s.shift))
	}
	slices.Sort(s.arrivals)
	s.dialIn(at, 1)
	s.dial2 = float64(s.day)*day + 13.5*3600 + float64(s.shift)*5*3600
	d.set(s.shiftKey(), saltPlan)
	s.plan.draw(d, at, s)
}

func (s *station) shiftKey() uint64 { return s.key ^ uint64(s.day*shifts+s.shift+1)<<20 }

// week is how busy the days are, from Monday; invented.
var week = [7]float64{0.95, 0.95, 1, 1, 1.1, 1.1, 0.9}

// arrive draws when in a shift an order comes: evenly, with peaks at 08:00 and
// 12:30, and a low one at 17:30.
func arrive(d *dice, shift int) float64 {
	for {
		u, z := d.Float64(), d.NormFloat64()
		v := d.Float64() * shiftLong
		switch {
		case shift == 0 && u < 0.25:
			v = 1.5*3600 + z*1800
		case shift == 0 && u < 0.45:
			v = 6*3600 + z*1800
		case shift == 1 && u < 0.15:
			v = 3*3600 + z*2400
		}
		// The last orders are taken ten minutes before the end.
		if v >= 0 && v < shiftLong-600 {
			return v
		}
	}
}

// peak reports whether the time is within 45 min of 08:00 or 12:30.
func peak(x float64) bool {
	h := math.Mod(x, day) / 3600
	return math.Abs(h-8) < 0.75 || math.Abs(h-12.5) < 0.75
}

// openDay sets the lots, and draws the day's gaps.
func (s *station) openDay(at float64) {
	r := s.run
	s.openedAt = at
	s.startHumidity()
	if lot := r.coffeeLot(s.site, s.day); s.day == 0 || lot != s.coffee {
		s.coffee, s.coffeeID = lot, fmt.Sprintf("C-%02d", lot+1)
		s.lotTime = r.lotEffect(1, lot, r.p.Effects.LotTime)
		s.lotGrind = r.lotEffect(2, lot, r.p.Grind.LotSD)
		if s.day > 0 {
			s.happens(at, watch.NewLot, "", s.coffeeID)
		}
	}
	n := s.day / milkLotLong
	id, air := fmt.Sprintf("whole-%c-%02d", 'a'+s.site.group, n+1), r.lotEffect(3+s.site.group, n, r.p.Effects.LotAir)
	if f := &r.fault; f.kind == MilkLot && f.group == s.site.group && at >= f.on && at < f.off {
		id = f.lot
	}
	if id != s.milkID && s.day > 0 {
		s.happens(at, watch.NewMilkLot, "", id)
	}
	s.milkID, s.milkAir = id, air
	r.d.set(s.key^uint64(s.day+1)<<20, saltDay)
	s.drawGaps(at)
	if s.day == (s.site.no*4+3)%28 {
		s.happens(at, watch.NewCups, "", "c350")
	}
	if f := &r.fault; f.kind == CupSubstitution && f.site == s.site && f.on == at {
		s.happens(at, watch.NewCups, "", f.lot)
	}
}

// drawGaps draws when the scale's battery is dead and the station cut off.
func (s *station) drawGaps(at float64) {
	d, m := s.run.d, &s.run.p.Missing
	dead, from, long := d.Float64() < m.BatteryPerDay, d.between(0, 2*shiftLong), d.between(m.BatteryLowH, m.BatteryHighH)*3600
	s.battery = [2]float64{}
	if dead {
		s.battery = [2]float64{at + from, at + from + long}
	}
	cut, begin, hours := d.Float64() < m.OfflinePerDay, d.between(0, shiftLong), d.between(m.OfflineLowH, m.OfflineHighH)
	f := &s.run.fault
	if f.kind == HonestOutlier && f.who.home == s.site && s.no == 0 && f.on == at {
		cut, begin, hours = true, 1800, m.OfflineHighH
	}
	if cut {
		// Told when the station is back and its batch comes in.
		s.happens(at+begin+hours*3600, watch.Offline, "", (time.Duration(hours*60) * time.Minute).String())
	}
	if serviced := d.Float64() < 0.5/28; serviced {
		s.happens(at, watch.Serviced, "", "")
	}
}

// happens queues an event for its time.
func (s *station) happens(x float64, kind watch.EventKind, by, detail string) {
	e := timed{x, watch.Event{Kind: kind, At: s.run.at(x + s.clock), Site: s.site.slug, Station: s.slug, By: by, Detail: detail}}
	i := len(s.events)
	for i > 0 && s.events[i-1].x > x {
		i--
	}
	s.events = slices.Insert(s.events, i, e)
}

// emit hands over the first event.
func (s *station) emit() error {
	e := s.events[0].e
	s.events = slices.Delete(s.events, 0, 1)
	if e.Kind == watch.Missed {
		s.run.whole.Missed++
	}
	if s.run.sink.Event == nil {
		return nil
	}
	return s.run.sink.Event(e)
}
