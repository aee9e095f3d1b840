package instrument

import (
	"fmt"
	"slices"
	"time"

	"samecup.example/samecup/internal/drink"
)

// Role is what an instrument's readings are taken for. One scale may weigh both
// dose and yield.
type Role string

// The roles, named as the measures that they fill.
const (
	Dose      Role = "dose"
	Yield     Role = "yield"
	ShotTime  Role = "shot_time"
	MilkTemp  Role = "milk_temp"
	WaterTemp Role = "water_temp"
	ServeTemp Role = "serve_temp"
	CupMass   Role = "cup_mass"
)

var roleKinds = map[Role]Kind{Dose: Scale, Yield: Scale, CupMass: Scale, ShotTime: Timer, MilkTemp: Thermometer, WaterTemp: Thermometer, ServeTemp: Thermometer}

// Wiring says what each instrument at the station is used for.
type Wiring map[string][]Role

// Check refuses a wiring that cannot be, naming the instrument and the role.
func (w Wiring) Check() error {
	if len(w) > maxInstruments {
		return fmt.Errorf("wiring: %d instruments, allowed: %d at one station", len(w), maxInstruments)
	}
	taken := map[Role]string{}
	for _, id := range w.ids() {
		if !isSlug(id) {
			return fmt.Errorf("wiring: instrument is %.70q, allowed: 1 to 64 of a to z, 0 to 9 and -", id)
		}
		kind := Kind(0)
		for _, r := range w[id] {
			k, ok := roleKinds[r]
			if !ok {
				return fmt.Errorf("wiring of %s: role is %q, allowed: dose, yield, shot_time, milk_temp, water_temp, serve_temp, cup_mass", id, r)
			}
			if kind != 0 && k != kind {
				return fmt.Errorf("wiring of %s: %s needs a %s, and its other roles a %s; give the role to another instrument", id, r, k, kind)
			}
			if other, ok := taken[r]; ok {
				return fmt.Errorf("wiring: %s is given to %s and %s; give it to one", r, other, id)
			}
			kind, taken[r] = k, id
		}
	}
	return nil
}

func (w Wiring) ids() []string {
	out := make([]string, 0, len(w))
	for id := range w {
		out = append(out, id)
	}
	slices.Sort(out)
	return out
}

// How long a joiner waits for a value to come to rest; common practice, no
// source. A scale gains 1 to 2 g of drips after the stop; a probe follows with a
// time constant of 3 to 8 s.
const (
	dripLag     = 3 * time.Second
	probeHeld   = 2 * time.Second
	probeSettle = 12 * time.Second
	// lookback is how long before a build was opened its dose may be weighed.
	lookback = time.Minute
	// timerSlip is how far a timer's value may lie from its start and stop.
	timerSlip = 1500 * time.Millisecond
)

// Joined is a reading that became a value of the build.
type Joined struct {
	Build   string
	Reading drink.Reading
	// Extra is true beyond the occurrences that the check asks for: a shot that
	// was pulled again. It is told, not dropped.
	Extra bool
	// How it was arrived at, and what speaks against it; Doubt may be empty.
	How, Doubt string
}

// Note is something that a reading did not become, and why.
type Note struct{ Build, Instrument, Words string }

// Result of one call.
type Result struct {
	Joined []Joined
	Notes  []Note
}

// OpenBuild is the build that readings belong to.
type OpenBuild struct {
	ID      string
	Serving *drink.Serving
	// StartEvent is what the book's shot time counts from; see drink.Pull.
	StartEvent string
	// VesselMass of the empty cup, g thousandths, is taken off a whole-cup
	// mass; 0 where it was not weighed or the scale was set to nought with it on.
	VesselMass drink.Milli
	At         time.Time
}

// Joiner turns feeds into the values of the build that is open. It is not safe
// for concurrent use. A time is the station's, as [Health] gives it.
type Joiner struct {
	roles map[string][]Role
	// yieldScale is the scale beneath the cup; underCup is true from a shot on
	// until the cup was lifted or the scale set to nought: what it shows then is
	// neither a dose nor a finished drink.
	yieldScale string
	underCup   bool
	build      *OpenBuild
	out        Result
	// filled counts the values of each check so far.
	filled map[string]int
	weigh  weighing
	shot   shot
	milk   steaming
	// resting holds the last value at rest for the roles that want one.
	resting map[Role]*sample
	extras  int
}

// sample is a reading in its base unit, at the station's time.
type sample struct {
	r                 Reading
	value, resolution drink.Milli
	at                time.Time
}

// NewJoiner takes a wiring.
func NewJoiner(w Wiring) (*Joiner, error) {
	if err := w.Check(); err != nil {
		return nil, err
	}
	j := &Joiner{roles: map[string][]Role{}, resting: map[Role]*sample{}}
	for id, roles := range w {
		j.roles[id] = slices.Clone(roles)
		if slices.Contains(roles, Yield) {
			j.yieldScale = id
		}
	}
	return j, nil
}

// Open begins a build. One that was open is closed first, with what it had.
func (j *Joiner) Open(b OpenBuild) (Result, error) {
	if b.ID == "" || b.Serving == nil || b.At.IsZero() {
		return Result{}, fmt.Errorf("joining readings: build %q lacks its id, serving or time", b.ID)
	}
	if b.StartEvent != "pump_on" && b.StartEvent != "first_drop" {
		return Result{}, fmt.Errorf("joining readings: start_event is %q, allowed: pump_on, first_drop; take it from the book", b.StartEvent)
	}
	if j.build != nil {
		j.close()
	}
	j.build, j.filled, j.extras = &b, map[string]int{}, 0
	clear(j.resting)
	j.milk = steaming{}
	j.shot.pulls = 0
	if j.shot.pulling || j.shot.settling { // pulled before it was tapped
		j.shot.pulls = 1
		j.takeDose(j.shot.start.at)
	}
	return j.result(), nil
}

// Build is the ID of the open build; empty without one.
func (j *Joiner) Build() string {
	if j.build == nil {
		return ""
	}
	return j.build.ID
}

// Take takes one checked reading, measured at a time by the station's clock.
func (j *Joiner) Take(r Reading, at time.Time) (Result, error) {
	value, resolution, _, err := r.Base()
	if err != nil {
		return Result{}, err
	}
	s := sample{r, value, resolution, at}
	// A shot that came to rest by time alone is settled before this reading.
	if j.shot.settling && at.After(j.shot.stopAt.Add(dripLag)) {
		j.settleYield("")
	}
	for _, role := range j.roles[r.Instrument] {
		if roleKinds[role] != r.Kind {
			return j.result(), &FieldError{"kind", r.Kind.String(), fmt.Sprintf("a %s: %s is wired for %s", roleKinds[role], r.Instrument, role)}
		}
		switch role {
		case Dose:
			j.weigh.take(s, j.cupOn(r.Instrument))
		case Yield:
			j.pour(s)
		case ShotTime:
			j.timer(s)
		case MilkTemp:
			j.steam(s)
		default:
			j.rest(role, s)
		}
	}
	return j.result(), nil
}

// Tick lets time pass when no reading comes.
func (j *Joiner) Tick(now time.Time) Result {
	// A second for the readings of that moment to arrive.
	if j.shot.settling && now.After(j.shot.stopAt.Add(dripLag+time.Second)) {
		j.settleYield("")
	}
	if j.milk.tracing && now.After(j.milk.last.at.Add(probeSettle)) {
		j.settleMilk("", "no reading came after it")
	}
	return j.result()
}

// Close ends the build with what there is.
func (j *Joiner) Close() Result {
	if j.build != nil {
		j.close()
	}
	return j.result()
}

// cupOn is true while an instrument weighs a shot or the cup left from one.
func (j *Joiner) cupOn(instrument string) bool {
	return instrument == j.yieldScale && (j.shot.pulling || j.shot.settling || j.underCup)
}

func (j *Joiner) close() {
	if j.shot.settling {
		j.settleYield("the build was closed before the drips ended")
	}
	if j.shot.pulling {
		j.note(j.shot.start.r.Instrument, "the timer was started and not stopped: no shot time, no yield")
		j.shot = shot{}
	}
	if j.milk.tracing {
		j.settleMilk("", "the build was closed before the probe had settled")
	}
	for _, role := range [...]Role{WaterTemp, ServeTemp, CupMass} {
		if s := j.resting[role]; s != nil {
			how := "the last value at rest"
			if role == CupMass && j.build.VesselMass > 0 {
				s.value -= j.build.VesselMass
				how += fmt.Sprintf(", less %v g for the vessel", j.build.VesselMass)
			}
			j.give(role, *s, how, "")
		}
	}
	j.build = nil
	clear(j.resting)
}

// rest keeps the last value at rest that can be of the role's measure.
func (j *Joiner) rest(role Role, s sample) {
	m := drink.MeasureByCode(string(role))
	if role == CupMass && j.cupOn(s.r.Instrument) {
		delete(j.resting, role)
		return
	}
	if j.build != nil && s.r.Stable && s.value >= m.Least && s.value <= m.Most && !s.at.Before(j.build.At) {
		j.resting[role] = &s
	}
}

// give makes a value of the open build from a sample, where the serving asks for
// the role's measure.
func (j *Joiner) give(role Role, s sample, how, doubt string) {
	if j.build == nil {
		return
	}
	m := drink.MeasureByCode(string(role))
	if s.value < m.Least || s.value > m.Most {
		j.note(s.r.Instrument, fmt.Sprintf("%s of %s cannot be: %s to %s is possible; it was left out", m.Label,
			drink.FormatQuantity(s.value, m.Unit), drink.FormatQuantity(m.Least, m.Unit), drink.FormatQuantity(m.Most, m.Unit)))
		return
	}
	check, n, extra := j.slot(m)
	if check == "" {
		return
	}
	if extra {
		// A build that goes on for ever must not fill the memory.
		if j.extras++; j.extras > maxExtras {
			return
		}
	}
	j.filled[check] = n
	j.out.Joined = append(j.out.Joined, Joined{
		Build: j.build.ID, Extra: extra, How: how, Doubt: doubt,
		Reading: drink.Reading{Check: check, Occurrence: n, Value: s.value, Unit: m.Unit, Resolution: s.resolution,
			Instrument: s.r.Instrument, MeasuredAt: s.at, EnteredAt: s.r.ReceivedAt},
	})
}

const maxExtras = 32

// slot is the check that the next value of a measure belongs to: the first that
// has an occurrence free, or, with extra, one more of the last. What is measured
// once a pull counts by pulls, so that a value that is missing moves no other.
func (j *Joiner) slot(m *drink.Measure) (check string, n int, extra bool) {
	for i := range j.build.Serving.Checks {
		k := &j.build.Serving.Checks[i]
		if k.Measure != m.Code {
			continue
		}
		check, n = k.ID, j.filled[k.ID]+1
		if m.PerPull {
			n = max(n, j.shot.pulls)
		}
		if n <= max(k.Occurrences, 1) {
			return check, n, false
		}
		extra = true
	}
	return check, n, extra
}

func (j *Joiner) note(instrument, words string) {
	if j.build != nil {
		j.out.Notes = append(j.out.Notes, Note{j.build.ID, instrument, words})
	}
}

func (j *Joiner) result() Result {
	out := j.out
	j.out = Result{}
	return out
}
