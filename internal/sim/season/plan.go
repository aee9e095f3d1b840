package season

// kinds of check that a prompt asks for.
type kinds uint8

const (
	shotsCheck kinds = 1 << iota
	milkCheck
	frothCheck
)

func (k kinds) String() string {
	switch {
	case k&shotsCheck != 0 && k&milkCheck != 0:
		return "shots and milk"
	case k&shotsCheck != 0:
		return "shots"
	case k&milkCheck != 0:
		return "milk"
	}
	return "froth"
}

const (
	windows     = 5
	windowLong  = 90 * 60.0
	milkPrompts = 4
)

// plan is the sampling plan of one station and shift. Times are drawn inside
// windows, so that nobody knows beforehand which drink is measured.
type plan struct {
	run     int // shots in a row still to be measured
	window  int
	at      [windows]float64
	milkAt  [milkPrompts]float64
	milked  [milkPrompts]bool
	frothAt float64
	frothed bool
	// sauces still owed to the weekly check of each pump.
	sauces [2]bool
	// audit is when an auditor measures every fourth drink.
	audit [2]float64
	since int
}

// pumpedSauces are the sauces whose pumps are checked weekly.
var pumpedSauces = [2]string{chai, "mocha-sauce"}

func (p *plan) draw(d *dice, open float64, s *station) {
	*p = plan{run: 3} // three in a row after the dial-in
	for i := range p.at {
		p.at[i] = open + float64(i)*windowLong + d.between(600, windowLong-900)
	}
	quarter := shiftLong / milkPrompts
	for i := range p.milkAt {
		p.milkAt[i] = open + float64(i)*quarter + d.between(0, quarter-1200)
	}
	p.frothAt = open + d.between(0, shiftLong-3600)
	if weekly := s.day%7 == (s.site.no+s.no)%7 && s.shift == 0; weekly {
		p.sauces = [2]bool{true, true}
	}
	if s.day%7 == (2*s.site.no+2)%7 && s.shift == 0 && s.no == (s.day/7)%max(1, len(s.run.stations)/len(s.run.sites)) {
		p.audit = [2]float64{open + 3*3600, open + 5*3600}
	}
}

// next says what is to be measured of a build, and whether by an auditor.
func (p *plan) next(s *station, x float64, rec *recipe, who *barista) (k kinds, audited bool) {
	if x >= p.audit[0] && x < p.audit[1] {
		if p.since++; p.since%4 == 1 {
			if rec.pulls > 0 {
				k |= shotsCheck
			}
			if rec.hot {
				k |= milkCheck
			}
			if k != 0 {
				return k, true
			}
		}
	}
	if rec.pulls > 0 {
		if p.run == 0 && p.window < windows && x >= p.at[p.window] {
			p.run = 2
			p.window++
		}
		if p.run > 0 {
			p.run--
			k |= shotsCheck
		}
	}
	if !rec.hot {
		return k, false
	}
	for i := range p.milkAt {
		if p.milked[i] || x < p.milkAt[i] || !p.wants(i, s, rec, who) {
			continue
		}
		p.milked[i] = true
		k |= milkCheck
		break
	}
	for i, sauce := range pumpedSauces {
		if p.sauces[i] && rec.pumped == sauce {
			p.sauces[i] = false
			k |= milkCheck
		}
	}
	if !p.frothed && x >= p.frothAt {
		p.frothed = true
		k |= frothCheck
	}
	return k, false
}

// wants says whether a milk prompt suits: one for each barista, one for a plant
// milk, the last for any.
func (p *plan) wants(i int, s *station, rec *recipe, who *barista) bool {
	switch i {
	case 0, 1:
		return who == s.crew[i%len(s.crew)]
	case 2:
		return rec.milk != wholeMilk
	}
	return true
}
