package season

import (
	"math"

	"samecup.example/samecup/internal/cup"
	"samecup.example/samecup/internal/watch"
)

// pullApart is the time between two pulls of one drink, s.
const pullApart = 34

// step makes the next build of the station and finds the one after.
func (s *station) step() error {
	r, x, rec, who := s.run, s.nextAt, s.rec, s.who
	if s.dial2 > 0 && x >= s.dial2 {
		s.dialIn(x, 2)
		s.plan.run, s.dial2 = 3, 0
	}
	t := &r.truth
	*t = BuildTruth{Site: s.site.slug, Station: s.slug, By: who.name, Serving: rec.id, Started: r.at(x), N: rec.pulls}
	shown, inForce := s.variants(x)
	sp := &rec.specs[inForce]
	if rec.pulls > 0 {
		s.pull(x, rec, who, t)
	}
	want, audited := s.plan.next(s, x, rec, who)
	if r.sink.Truth != nil || want&(milkCheck|frothCheck) != 0 {
		s.pour(x, rec, who, shown, t)
	}
	t.Garnish = rec.specs[shown].garnish
	t.Touched = t.Touched || shown != inForce || s.touches(x, rec, who)

	b := &r.build
	*b = watch.Build{ID: s.id(), Site: t.Site, Station: t.Station, By: t.By, Serving: rec.id, Drink: rec.drink, Milk: rec.milk, Vessel: rec.vesselID,
		Release: 1 + uint64(shown&1), Shift: s.roster, Started: r.at(x + s.clock), Sampled: want != 0, Audited: audited,
		Readings: b.Readings[:0]}
	if rec.pulls > 0 {
		b.CoffeeLot = s.coffeeID
	}
	switch rec.milk {
	case "":
	case wholeMilk:
		b.MilkLot = s.milkID
	default:
		b.MilkLot = rec.milk + "-01"
	}
	t.ID = b.ID
	s.log(x, rec, who, sp, want, audited)
	s.judge(rec, shown, inForce)
	who.made++
	r.whole.Builds++
	if b.Sampled {
		r.whole.Sampled++
	}
	if t.Touched {
		r.whole.Touched++
	}
	// Find the next one first: an event of this build may come before it.
	s.advance()
	if r.sink.Truth != nil {
		if err := r.sink.Truth(t); err != nil {
			return err
		}
	}
	if r.sink.Build != nil {
		return r.sink.Build(b)
	}
	return nil
}

// variants are the book as shown at the station and as in force there.
func (s *station) variants(x float64) (shown, inForce int) {
	r := s.run
	if x >= r.releaseDay*day+opening {
		inForce = 1
	}
	inForce |= s.site.overlay
	shown = inForce
	if r.fault.strikes(StaleSpec, s, x) {
		shown &^= 1
	}
	if r.fault.strikes(OverlayMissing, s, x) {
		shown &^= overlaid
	}
	return shown, inForce
}

// touches reports whether a fault of cup, pump, milk or hand is in this drink,
// whether or not its milk is worked out.
func (s *station) touches(x float64, rec *recipe, who *barista) bool {
	f := &s.run.fault
	switch f.kind {
	case CupSubstitution:
		return f.strikes(CupSubstitution, s, x) && rec.vesselID == f.lot
	case PumpShort:
		return f.strikes(PumpShort, s, x) && rec.pumped == chai
	case MilkLot:
		return rec.hot && rec.milk == wholeMilk && s.milkID == f.lot
	case Overstretch:
		return rec.hot && f.by(Overstretch, who, x)
	}
	return false
}

// spread is the factor on a person's SDs, and timeS the habit, at a time.
func (r *run) spread(who *barista, x float64) (spread, timeS float64) {
	if f := &r.fault; f.by(HonestOutlier, who, x) {
		return f.sizes.OutlierSpread, f.sizes.OutlierTimeS
	}
	return who.spread, who.timeS
}

// pull makes the espresso.
func (s *station) pull(x float64, rec *recipe, who *barista, t *BuildTruth) {
	r, p, d := s.run, &s.run.p.Shot, s.run.d
	d.set(s.key^s.builds<<16, saltPull)
	spread, timeS := r.spread(who, x)
	doseSD := (p.DoseSkilled + (p.DoseNew-p.DoseSkilled)*who.skillGap(r.p)) * spread
	dull := s.burr(x)
	noiseSD := p.TimeSD * spread
	if r.fault.strikes(DullBurr, s, x) {
		noiseSD *= 1 + (r.fault.sizes.BurrSpread-1)*r.fault.ramp(x)
		t.Touched = true
	}
	if r.fault.strikes(WrongLot, s, x) || r.fault.by(HonestOutlier, who, x) {
		t.Touched = true
	}
	for i := range rec.pulls {
		at := x + float64(i)*pullApart
		k := &t.Pulls[i]
		k.AimS = s.aim(at)
		k.DoseG = math.Max(d.norm(nominalDose+who.doseG, doseSD), 5)
		k.YieldG = math.Max(nominalYield+p.YieldLag+spread*p.YieldSD*d.NormFloat64(), 10)
		noise := noiseSD * d.tailed(p.TailDF)
		log := p.GrindPower*s.effective(s.ground(at)) + p.DosePower*math.Log(k.DoseG/nominalDose) +
			p.YieldPower*math.Log(k.YieldG/nominalYield) + noise
		k.TimeS = nominalS*math.Exp(log) + timeS + dull
		k.Channel = d.Float64() < p.Channel
		ey := d.norm(0, p.EYSD)
		if k.Channel {
			k.TimeS *= p.ChannelTime
			ey += p.ChannelEY
		}
		k.TimeS = math.Max(k.TimeS, 3)
		off := k.TimeS - nominalS
		k.EY = math.Max(p.EY+p.EYSlope*off+p.EYCurve*off*off+p.EYRatio*(k.YieldG/k.DoseG-2)+ey, 1)
		k.TDS = k.EY * k.DoseG / k.YieldG
		if i == 0 {
			s.react(x, k, d)
		}
	}
	// A split double is one spout of the last pull.
	t.EspressoML = t.Pulls[0].YieldG
	switch {
	case rec.shots == 1:
		t.EspressoML /= 2
	case rec.shots == 3:
		t.EspressoML += t.Pulls[1].YieldG / 2
	case rec.shots == 4:
		t.EspressoML += t.Pulls[1].YieldG
	}
	t.EspressoG = t.EspressoML
}

// pour fills the cup: steamed milk to the rim gap, so that air takes the place
// of milk; or the parts as they are measured out.
func (s *station) pour(x float64, rec *recipe, who *barista, shown int, t *BuildTruth) {
	r, m, d := s.run, &s.run.p.Milk, s.run.d
	d.set(s.key^s.builds<<16, saltMilk)
	spread, _ := r.spread(who, x)
	v := &rec.vessel
	if r.fault.strikes(CupSubstitution, s, x) {
		if other, ok := s.site.substitute[rec.vesselID]; ok {
			v = &other
		}
	}
	t.BrimML, t.HeightMM = v.brim, v.height
	t.SauceML = rec.sauceML * (1 + m.PumpSD*d.NormFloat64())
	if rec.pumped == chai && r.fault.strikes(PumpShort, s, x) {
		t.SauceML *= 1 + (r.fault.sizes.Pump-1)*r.fault.ramp(x)
	}
	t.SauceG = t.SauceML * rec.sauceGPerML
	t.WaterML = rec.waterML * (1 + 0.015*d.NormFloat64())
	t.WaterG = t.WaterML
	base := t.EspressoML + t.SauceML + t.WaterML
	if !rec.hot {
		s.pourCold(rec, base, d, t)
		return
	}
	e := &rec.specs[shown]
	gap := who.skillGap(r.p)
	sd := (m.TempSkilled + (m.TempNew-m.TempSkilled)*gap) * spread
	t.MilkC = e.temp.target + s.site.tempC + who.tempC + sd*d.tailed(r.p.Shot.TailDF)
	tail, by := d.Float64() < m.Tail, d.between(m.TailLow, m.TailHigh)
	if tail {
		t.MilkC += by
	}
	t.MilkC = math.Min(math.Max(t.MilkC, 25), 99)
	t.Air = rec.air + who.air + (m.AirSkilled+(m.AirNew-m.AirSkilled)*gap)*spread*d.NormFloat64()
	if rec.milk == wholeMilk {
		t.Air += s.milkAir
		if f := &r.fault; f.kind == MilkLot && s.milkID == f.lot {
			t.Air += f.sizes.LotAir * f.ramp(x)
		}
	}
	if r.fault.by(Overstretch, who, x) {
		t.Air += r.fault.sizes.Overstretch * r.fault.ramp(x)
	}
	// Froth of the settled layer's gas share holds no more air than this.
	t.Air = math.Min(math.Max(t.Air, 0.01), 0.95*m.GasShare/(1-m.GasShare))
	left := math.Min(math.Max(rec.gapMM+m.GapSD*d.NormFloat64(), 0.3), v.height/2)
	dil := dilution(m.FridgeC, t.MilkC, d.between(m.DrynessLow, m.DrynessHigh))
	t.FillML = math.Min(math.Max(volumeTo(v, v.height-left), base+1), v.brim)
	t.HotML = (t.FillML - base) / (1 + t.Air)
	t.AirML = t.HotML * t.Air
	t.HotG = t.HotML * rec.hotGPerML
	t.ColdG = t.HotG / (1 + dil)
	t.CondensateG = t.ColdG * dil
	t.ColdML = t.ColdG / rec.coldGPerML
	t.FrothML = t.AirML / m.GasShare
	t.FrothMM = layer(v, t.FillML, t.FrothML)
	t.CupG = t.EspressoG + t.SauceG + t.WaterG + t.HotG
}

// pourCold fills a drink without steamed milk; its parts make the level.
func (s *station) pourCold(rec *recipe, base float64, d *dice, t *BuildTruth) {
	t.IceML = rec.iceML * (1 + 0.03*d.NormFloat64())
	t.ColdML = rec.coldML * (1 + 0.015*d.NormFloat64())
	if over := base + t.IceML + t.ColdML - t.BrimML; over > 0 {
		// Whoever pours stops at the brim: less of what is poured last.
		take := math.Min(over, t.ColdML)
		t.ColdML -= take
		over -= take
		t.WaterML -= over
		t.WaterG = t.WaterML
		base -= over
	}
	t.ColdG = t.ColdML * rec.coldGPerML
	t.FillML = base + t.IceML + t.ColdML
	t.CupG = t.EspressoG + t.SauceG + t.WaterG + t.ColdG + t.IceML*0.917
}

// volumeTo and layer take figures that lie inside the vessel by construction.
func volumeTo(v *vessel, depth float64) float64 {
	ml, err := v.profile.Volume(depth)
	if err != nil {
		return v.brim
	}
	return ml
}

func layer(v *vessel, fill, froth float64) float64 {
	mm, err := cup.LayerDepth(v.profile, fill, math.Min(froth, fill))
	if err != nil {
		return v.height
	}
	return mm
}

const hexDigits = "0123456789abcdef"

// id is a version 4 UUID (RFC 9562) by the seed and the build's place.
func (s *station) id() string {
	hi := mix(s.key ^ s.builds<<16 ^ saltID<<56)
	lo := mix(hi ^ s.builds)
	hi = hi&^0xf000 | 0x4000
	lo = lo&^(3<<62) | 2<<62
	var b [36]byte
	n := 0
	for i := range 32 {
		if i == 8 || i == 12 || i == 16 || i == 20 {
			b[n] = '-'
			n++
		}
		x := hi
		if i >= 16 {
			x = lo
		}
		b[n] = hexDigits[x>>(60-4*(i%16))&15]
		n++
	}
	return string(b[:])
}

// judge compares the logged build with the book in force.
func (s *station) judge(rec *recipe, shown, inForce int) {
	r := s.run
	b, l, made := &r.build, &r.logged, &rec.specs[shown]
	l.ID, l.Serving, l.Release, l.Site, l.Station, l.By = b.ID, b.Serving, b.Release, b.Site, b.Station, b.By
	l.StartedAt, l.FinishedAt = b.Started, b.Started.Add(made.finish)
	l.Vessel, l.Milk, l.Shots, l.Garnish, l.Steps, l.Sampled = rec.vesselID, rec.milk, rec.shots, made.garnish, made.steps, b.Sampled
	rec.specs[inForce].checker.Judge(l, &r.verdict)
	b.Grade, b.Findings = r.verdict.Grade, r.verdict.Findings
	if b.Entered.IsZero() {
		b.Entered = l.FinishedAt
	}
}
