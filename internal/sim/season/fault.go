package season

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Fault is the label of what is injected into a run.
type Fault string

// The faults; one at most in a run.
const (
	DullBurr        Fault = "F1"  // shot time falls day by day and spreads
	CupSubstitution Fault = "F2"  // a delivery of smaller, wider cups at a site
	MilkLot         Fault = "F3"  // a lot that takes less air, at the sites that get it
	PumpShort       Fault = "F4"  // the chai pump of a station delivers short
	StaleSpec       Fault = "F5"  // a station still shows the release before
	ProbeDropped    Fault = "F6"  // a station's probe reads low
	Overstretch     Fault = "F7"  // a barista works in too much air
	FakeCopies      Fault = "F8A" // a barista logs the target, give or take
	FakeHeaps       Fault = "F8B" // … logs fives and noughts
	FakeReplays     Fault = "F8C" // … logs old values, shifted
	FakeRows        Fault = "F8D" // … fills the log in from memory, all at once
	FakePasses      Fault = "F8E" // … pulls again until it passes
	WrongLot        Fault = "F9"  // another coffee in a station's grinder
	OverlayMissing  Fault = "F10" // a site shows the book without its overlay
	HonestOutlier   Fault = "F11" // not a fault: a steady hand, and a long offline batch
	NoFault         Fault = "F12"
)

// Faults lists every label.
var Faults = []Fault{DullBurr, CupSubstitution, MilkLot, PumpShort, StaleSpec, ProbeDropped, Overstretch,
	FakeCopies, FakeHeaps, FakeReplays, FakeRows, FakePasses, WrongLot, OverlayMissing, HonestOutlier, NoFault}

// causes are the likely-cause words of the truth.
var causes = map[Fault]string{
	DullBurr: "burr_wear", CupSubstitution: "cup_substitution", MilkLot: "milk_lot", PumpShort: "pump_delivery",
	StaleSpec: "stale_spec", ProbeDropped: "probe_bias", Overstretch: "barista_technique",
	FakeCopies: "fabricated_log", FakeHeaps: "fabricated_log", FakeReplays: "fabricated_log", FakeRows: "fabricated_log", FakePasses: "fabricated_log",
	WrongLot: "wrong_coffee_lot", OverlayMissing: "overlay_missing", HonestOutlier: "none", NoFault: "none",
}

// Cause is the likely-cause word of a fault: "none" for F11 and F12.
func (f Fault) Cause() string { return causes[f] }

// injection is the fault of a run and where it strikes, in seconds since the
// season's start.
type injection struct {
	kind    Fault
	on, off float64
	site    *site
	station *station
	who     *barista
	group   int // of the milk's supply; F3
	lot     string
	sizes   *FaultSizes
	seasonD float64
}

// strikes reports whether a fault of the kind acts at a station then.
func (f *injection) strikes(kind Fault, s *station, x float64) bool {
	return f.kind == kind && x >= f.on && x < f.off && (f.site == nil || f.site == s.site) && (f.station == nil || f.station == s)
}

// by is strikes for the faults of a person.
func (f *injection) by(kind Fault, who *barista, x float64) bool {
	return f.kind == kind && f.who == who && x >= f.on && x < f.off
}

// fakes reports whether a person's log is made up then.
func (f *injection) fakes(who *barista, x float64) bool {
	return f.who == who && len(f.kind) == 3 && f.kind[:2] == "F8" && x >= f.on && x < f.off
}

// ramp is the share of a fault's size reached, 0 to 1.
func (f *injection) ramp(x float64) float64 {
	if f.sizes.RampDays <= 0 {
		return 1
	}
	return math.Min(1, (x-f.on)/day/f.sizes.RampDays)
}

// fullBurr is the shift of shot time, s, from which a dull burr should be found.
const fullBurr = 2.0

// burr is the shift of shot time, s, at a station with a dull burr.
func (f *injection) burr(x float64) float64 {
	whole := f.seasonD - f.on/day
	if whole <= 0 {
		return 0
	}
	u := (x - f.on) / day / whole
	switch f.sizes.Shape {
	case "quadratic":
		u *= u
	case "root":
		u = math.Sqrt(u)
	case "steps":
		u = math.Ceil(u*3) / 3
	}
	return f.sizes.BurrPerDay * whole * u
}

// place chooses where and when the fault strikes and writes it into the truth.
func (r *run) place(kind Fault) error {
	d := r.d
	d.set(r.key, saltFault)
	f := &r.fault
	*f = injection{kind: kind, sizes: &r.p.Faults, seasonD: float64(r.days), off: float64(r.days) * day}
	t := &r.whole
	t.Fault, t.Cause = kind, kind.Cause()
	onset := math.Floor(float64(r.days) * d.between(r.p.Faults.OnsetLow, r.p.Faults.OnsetHigh))
	within := d.Float64()
	st := r.stations[d.IntN(len(r.stations))]
	who := r.staff[d.IntN(len(r.staff))]
	for who.second != nil { // somebody of one site, so that a place can be named
		who = r.staff[d.IntN(len(r.staff))]
	}
	if kind == NoFault {
		return nil
	}
	open := onset*day + opening
	midShift := open + shiftLong*(0.1+0.6*within)
	f.on = open
	atStation := func() { f.station, f.site = st, st.site }
	lasting := func(days float64) { f.off = math.Min(f.off, onset*day+days*day) }
	switch kind {
	case DullBurr:
		atStation()
		t.Measure, t.Size, t.Unit = "shot_time", f.sizes.BurrPerDay, "s/day"
	case CupSubstitution:
		f.site = st.site
		f.lot = "c350"
		t.Measure, t.Size, t.Unit = "cup_mass", f.sizes.CupBrim-1, "1"
	case MilkLot:
		f.group = st.site.group
		f.lot = fmt.Sprintf("whole-%c-x", 'a'+f.group)
		lasting(8)
		t.Measure, t.Size, t.Unit = "cup_mass", f.sizes.LotAir, "1"
	case PumpShort:
		atStation()
		f.on = midShift
		lasting(14)
		t.Measure, t.Size, t.Unit = "powder", f.sizes.Pump-1, "1"
	case StaleSpec:
		for st.site.overlay == overlaid {
			st = r.stations[d.IntN(len(r.stations))]
		}
		atStation()
		onset = r.releaseDay
		f.on = onset*day + opening
		lasting(f.sizes.StaleDays)
		t.Measure, t.Size, t.Unit = "milk_temp", float64(cooler)/1000, "Cel"
	case ProbeDropped:
		atStation()
		f.on = midShift
		t.Measure, t.Size, t.Unit = "milk_temp", f.sizes.ProbeC, "Cel"
	case Overstretch:
		f.who = who
		t.Measure, t.Size, t.Unit = "cup_mass", f.sizes.Overstretch, "1"
	case FakeCopies, FakeHeaps, FakeReplays, FakeRows, FakePasses:
		f.who = who
	case WrongLot:
		atStation()
		f.on = midShift
		lasting(f.sizes.WrongLotDays)
		f.lot = "C-wrong"
		t.Measure, t.Size, t.Unit = "shot_time", f.sizes.WrongLotS, "s"
	case OverlayMissing:
		i := slices.IndexFunc(r.sites, func(s *site) bool { return s.overlay == overlaid })
		f.site = r.sites[i]
		lasting(f.sizes.OverlayDays)
		t.Measure = "garnish"
	case HonestOutlier:
		f.who = who
		t.Measure, t.Size, t.Unit = "shot_time", f.sizes.OutlierTimeS, "s"
	default:
		return fmt.Errorf("fault %q: it must be one of %v", kind, Faults)
	}
	if f.on >= float64(r.days)*day {
		return fmt.Errorf("fault %s: it would begin after %d days; run a longer season", kind, r.days)
	}
	r.tell(t, f)
	return nil
}

// tell writes the place of the fault into the truth.
func (r *run) tell(t *Truth, f *injection) {
	if f.site != nil {
		t.Site = f.site.slug
	}
	if f.station != nil {
		t.Station = f.station.slug
	}
	if f.who != nil {
		t.Site, t.Barista = f.who.home.slug, f.who.name
	}
	t.Lot = f.lot
	if f.kind == MilkLot {
		for _, s := range r.sites {
			if s.group == f.group {
				t.Sites = append(t.Sites, s.slug)
			}
		}
	}
	t.Onset, t.End = r.at(f.on), r.at(f.off)
	t.OnsetShift = r.shiftAt(f.on)
	full := f.on
	switch f.kind {
	case MilkLot, PumpShort, ProbeDropped, Overstretch:
		full += math.Max(f.sizes.RampDays, 0) * day
	case DullBurr:
		for full = f.on; full < f.off && math.Abs(f.burr(full)) < fullBurr; {
			full += 3600
		}
	}
	if full < f.off {
		t.Full = r.at(full)
	}
}

// at is the instant x seconds into the season, to the millisecond.
func (r *run) at(x float64) time.Time {
	return r.start.Add(time.Duration(x*1000) * time.Millisecond)
}
