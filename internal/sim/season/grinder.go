package season

import (
	"math"
	"strconv"

	"samecup.example/samecup/internal/watch"
)

// The nominal shot.
const (
	nominalS     = 28.0
	nominalDose  = 18.0
	nominalYield = 36.0
	tick         = 300.0 // s between two steps of humidity
)

// grinder is the state of a station's grinder, in logarithms of grind size.
type grinder struct {
	timeS             float64 // the station's aim is this far off the spec
	setting           float64
	owed              float64 // of the last adjustment, not yet through: retention
	since             int     // shots since it
	lotTime, lotGrind float64
	humid             float64
	ticks             int
	damp              *dice
}

// startHumidity draws the morning's.
func (s *station) startHumidity() {
	if s.damp == nil {
		s.damp = newDice()
	}
	s.damp.set(s.key^uint64(s.day+1)<<20, saltHumid)
	s.humid, s.ticks = s.damp.norm(0, s.run.p.Grind.HumidSD), 0
}

// ground is the logarithm of the grind size that a shot gets at x, without what
// is owed to retention.
func (s *station) ground(x float64) float64 {
	g := &s.run.p.Grind
	since := x - s.openedAt
	for s.ticks < int(since/tick) {
		s.ticks++
		s.humid = g.HumidPhi*s.humid + s.damp.norm(0, g.HumidSD*math.Sqrt(1-g.HumidPhi*g.HumidPhi))
	}
	out := s.setting + s.lotGrind + s.humid + g.WearPerDay*x/day + g.Warm*(1-math.Exp(-since/3600/g.WarmTauH))
	if f := &s.run.fault; f.strikes(WrongLot, s, x) {
		out += math.Log((nominalS+f.sizes.WrongLotS)/nominalS) / s.run.p.Shot.GrindPower
	}
	return out
}

// aim is the shot time, s, that the station's people are content with.
func (s *station) aim(x float64) float64 {
	a := nominalS + s.site.timeS + s.timeS + s.lotTime
	if f := &s.run.fault; f.strikes(WrongLot, s, x) {
		a += f.sizes.WrongLotAimS
	}
	return a
}

// burr is the shift of shot time that nobody grinds against: finer would choke.
func (s *station) burr(x float64) float64 {
	if f := &s.run.fault; f.strikes(DullBurr, s, x) {
		return f.burr(x)
	}
	return 0
}

// dialIn pulls three shots and sets the grinder by them; the shots are drunk or
// discarded, and so are the grounds that the old setting left.
func (s *station) dialIn(x float64, no uint64) {
	p := s.run.p
	d := s.run.d
	d.set(s.shiftKey()^no<<12, saltDial)
	noise := d.norm(0, p.Shot.TimeSD/math.Sqrt(3))
	s.owed = 0
	off := p.Shot.GrindPower*s.ground(x) + p.Shot.YieldPower*math.Log((nominalYield+p.Shot.YieldLag)/nominalYield) +
		noise - math.Log(s.aim(x)/nominalS)
	steps := math.Round(-off / p.Shot.GrindPower / p.Grind.Step)
	if steps == 0 {
		return
	}
	s.setting += steps * p.Grind.Step
	s.since = len(p.Grind.Retention)
	s.happens(x, watch.Adjusted, s.whoDials(), s.notch())
}

func (s *station) whoDials() string {
	if len(s.crew) > 0 {
		return s.crew[0].name
	}
	return ""
}

// notch is the setting as the dial shows it.
func (s *station) notch() string {
	return strconv.FormatFloat(10+s.setting/s.run.p.Grind.Step, 'f', 0, 64)
}

// effective takes what retention still holds back off a grind size.
func (s *station) effective(ground float64) float64 {
	if s.owed == 0 {
		return ground
	}
	if s.since >= len(s.run.p.Grind.Retention) {
		s.owed = 0
		return ground
	}
	ground -= s.owed * (1 - s.run.p.Grind.Retention[s.since])
	s.since++
	return ground
}

// react lets the barista turn the dial after a shot that was far off.
func (s *station) react(x float64, t *Pull, d *dice) {
	p := s.run.p
	off := t.TimeS - s.burr(x) - t.AimS
	u := d.Float64()
	if math.Abs(off) <= p.Grind.AdjustPastS {
		return
	}
	skill := 1 - s.who.skillGap(p)
	chance := p.Grind.AdjustP * (0.4 + 0.6*skill)
	if t.Channel {
		chance *= 1 - skill // whoever sees the spray leaves the grinder alone
	}
	if u >= chance {
		return
	}
	step := math.Copysign(p.Grind.Step, off)
	left := 0.0
	if s.since < len(p.Grind.Retention) {
		left = s.owed * (1 - p.Grind.Retention[s.since])
	}
	s.setting += step
	s.owed, s.since = step+left, 0
	s.happens(x+1, watch.Adjusted, s.who.name, s.notch())
}
