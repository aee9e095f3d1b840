package dialin

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"samecup.example/samecup/internal/drink"
)

// Grinder says what is being set.
type Grinder struct {
	// ID is a slug.
	ID string `json:"id"`
	// FinerUp is true when a higher number on the dial grinds finer.
	FinerUp bool `json:"finer_up,omitempty"`
	// Increment is the smallest turn that can be made, thousandths of a step.
	Increment drink.Milli `json:"increment_milli"`
	// StartEvent of the shot timer, "pump_on" or "first_drop"; the two lie 5 to
	// 8 s apart and are never mixed in one record.
	StartEvent string `json:"start_event"`
}

// Shot is one pull of a full basket. Dose and yield in g, time in s, setting in
// steps of the dial, all in thousandths.
type Shot struct {
	At         time.Time   `json:"at"`
	Setting    drink.Milli `json:"setting_milli"`
	Dose       drink.Milli `json:"dose_milli"`
	Yield      drink.Milli `json:"yield_milli"`
	Time       drink.Milli `json:"time_milli"`
	StartEvent string      `json:"start_event"`
}

// Taken says what a record made of a shot.
type Taken struct {
	// Weight from 0, set aside, to 1.
	Weight float64 `json:"weight"`
	// Why it was not taken in full, in words; empty when it was.
	Why string `json:"why,omitempty"`
}

// Record is what one grinder has shown. It is not safe for concurrent use; its
// JSON form is its whole state, of constant size.
type Record struct{ s recordState }

type recordState struct {
	Version int     `json:"version"`
	Grinder Grinder `json:"grinder"`
	// Own holds the grinder's shots alone, Fit these with the first guess.
	Own fit `json:"own"`
	Fit fit `json:"fit"`
	// Origin is the setting at x = 0, known once HasOrigin.
	Origin    drink.Milli `json:"origin_milli"`
	HasOrigin bool        `json:"has_origin"`
	// Settings holds some that were pulled at in full, Low and High their span.
	Settings  []drink.Milli `json:"settings_milli,omitempty"`
	Low       drink.Milli   `json:"low_milli"`
	High      drink.Milli   `json:"high_milli"`
	Shots     int           `json:"shots"`
	SinceLot  int           `json:"since_lot"`
	Last      *Shot         `json:"last,omitempty"`
	LastTaken Taken         `json:"last_taken"`
	// Setting now, and shots pulled since it was set: 2 and more is settled.
	Setting     drink.Milli `json:"setting_milli"`
	SinceChange int         `json:"since_change"`
	ClockAt     time.Time   `json:"clock_at"`
}

const recordVersion = 1

// NewRecord starts an empty record.
func NewRecord(g Grinder) (*Record, error) {
	if g.ID == "" {
		return nil, fmt.Errorf("grinder id is empty; name the grinder")
	}
	if g.Increment <= 0 || g.Increment > 10_000 {
		return nil, fmt.Errorf("grinder %s: increment is %v steps, allowed: above 0 to 10; write the smallest turn", g.ID, g.Increment)
	}
	if g.StartEvent != "pump_on" && g.StartEvent != "first_drop" {
		return nil, fmt.Errorf("grinder %s: start_event is %q, allowed: pump_on, first_drop; say what starts the shot timer", g.ID, g.StartEvent)
	}
	s := recordState{Version: recordVersion, Grinder: g, SinceChange: settled}
	s.Fit = newFit(math.Log(priorTime), priorLevelSD, priorSlope, priorSlopeSD, priorNoise, priorNoiseDF)
	return &Record{s: s}, nil
}

// settled is the number of shots after which a change has come through.
const settled = 2

// Grinder returns what the record is of.
func (r *Record) Grinder() Grinder { return r.s.Grinder }

// Shots counts those that were taken, in full or in part.
func (r *Record) Shots() int { return r.s.Shots }

// Setting is the dial's, as last set or seen.
func (r *Record) Setting() drink.Milli { return r.s.Setting }

// Set says that the dial was turned.
func (r *Record) Set(setting drink.Milli) {
	if setting == r.s.Setting && r.s.HasOrigin {
		return
	}
	if r.s.HasOrigin {
		r.s.SinceChange = 0
	}
	r.s.Setting = setting
}

// NewLot says that other coffee is in the hopper: the level begins anew, the
// slope is kept with a wider variance, the next shot holds old grounds.
func (r *Record) NewLot() { r.begin(lotWiden) }

// NewBurrs says that the burrs were changed; as NewLot, but wider.
func (r *Record) NewBurrs() { r.begin(burrsWiden) }

func (r *Record) begin(widen float64) {
	r11 := priorNoise / priorLevelSD
	r.s.Fit.newLevel(widen, r11, r11*math.Log(priorTime))
	r.s.Own.newLevel(widen, 0, 0)
	r.s.SinceLot = 0
	r.s.SinceChange = 0
}

// Add takes a shot into the record and says what it counted for. A shot that
// cannot be is refused with an error and changes nothing.
func (r *Record) Add(s Shot) (Taken, error) {
	if err := r.usable(s); err != nil {
		return Taken{}, err
	}
	if !r.s.HasOrigin {
		r.s.Origin, r.s.HasOrigin, r.s.Setting = s.Setting, true, s.Setting
		r.s.Low, r.s.High = s.Setting, s.Setting
	}
	r.Set(s.Setting)
	r.wander(s.At)
	taken := Taken{Weight: 1}
	switch r.s.SinceChange {
	case 0:
		taken = Taken{firstWeight, "set aside: the first shot after a change is partly of the old setting"}
	case 1:
		taken = Taken{secondWeight, "counted in part: the second shot after a change may hold old grounds"}
	}
	r.s.SinceChange = min(r.s.SinceChange+1, settled)
	x, y, doubt := r.x(s.Setting), onReference(s), doubtOf(s.Dose, s.Yield)
	if z := r.standing(x, y, doubt); taken.Weight == 1 && z > farOut {
		taken = Taken{farOut / z, fmt.Sprintf("counted in part: %.1f standard deviations from what this grinder has shown", z)}
	}
	if taken.Weight > 0 {
		// The exponents' doubt is noise of a known size; a weight below 1 is a
		// share of a shot, in what it tells of the scatter too.
		w := taken.Weight / (1 + doubt/(priorNoise*priorNoise))
		r.s.Fit.add(x, y, w, taken.Weight)
		r.s.Own.add(x, y, w, taken.Weight)
		r.s.Shots++
		r.s.SinceLot++
	}
	if taken.Weight == 1 {
		r.s.remember(s.Setting)
	}
	r.s.Last, r.s.LastTaken = &s, taken
	return taken, nil
}

func (r *Record) usable(s Shot) error {
	for _, f := range [...]struct{ code, field string }{{"dose", "dose"}, {"yield", "yield"}, {"shot_time", "time"}} {
		m := drink.MeasureByCode(f.code)
		v := map[string]drink.Milli{"dose": s.Dose, "yield": s.Yield, "time": s.Time}[f.field]
		if v < m.Least || v > m.Most {
			return fmt.Errorf("shot: %s is %s, allowed: %s to %s; read it again", f.field,
				drink.FormatQuantity(v, m.Unit), drink.FormatQuantity(m.Least, m.Unit), drink.FormatQuantity(m.Most, m.Unit))
		}
	}
	if s.Setting < -maxSetting || s.Setting > maxSetting {
		return fmt.Errorf("shot: setting is %v, allowed: -1000 to 1000 steps; read the dial again", s.Setting)
	}
	if s.StartEvent != r.s.Grinder.StartEvent {
		return fmt.Errorf("shot: start_event is %q, allowed: %q, which this record of %s was timed from; set the timer the same or begin another record",
			s.StartEvent, r.s.Grinder.StartEvent, r.s.Grinder.ID)
	}
	if s.At.IsZero() {
		return fmt.Errorf("shot: at is not set; give the time it was pulled")
	}
	return nil
}

const maxSetting drink.Milli = 1_000_000

// wander lets the level drift up to at. A clock set back wanders nothing.
func (r *Record) wander(at time.Time) {
	if q := r.drift(at); q > 0 {
		r.s.Fit.drift(q)
		r.s.Own.drift(q)
	}
	if at.After(r.s.ClockAt) {
		r.s.ClockAt = at
	}
}

// drift is the level's variance gained by at, in units of one shot's.
func (r *Record) drift(at time.Time) float64 {
	if r.s.ClockAt.IsZero() || !at.After(r.s.ClockAt) {
		return 0
	}
	hours := min(at.Sub(r.s.ClockAt).Hours(), longestDrift)
	return hours * driftPerRootHour * driftPerRootHour / (priorNoise * priorNoise)
}

// x is the setting in steps finer than the origin.
func (r *Record) x(setting drink.Milli) float64 {
	x := (setting - r.s.Origin).Float()
	if !r.s.Grinder.FinerUp {
		x = -x
	}
	return x
}

// onReference is the logarithm of the time had dose and yield been the
// reference's.
func onReference(s Shot) float64 { return math.Log(s.Time.Float()) - shift(s.Dose, s.Yield) }

func shift(dose, yield drink.Milli) float64 {
	return doseExponent*math.Log(dose.Float()/referenceDose) + yieldExponent*math.Log(yield.Float()/referenceYield)
}

// doubtOf is the variance of shift, the exponents being invented.
func doubtOf(dose, yield drink.Milli) float64 {
	d, y := doseExponentSD*math.Log(dose.Float()/referenceDose), yieldExponentSD*math.Log(yield.Float()/referenceYield)
	return d*d + y*y
}

// standing is how many standard deviations a shot lies from the prediction; 0
// while the scatter is not known.
func (r *Record) standing(x, y, doubt float64) float64 {
	if r.s.Own.DF < farOutDF || r.s.SinceLot < needShots {
		return 0
	}
	mean, v := r.s.Fit.at(x)
	return math.Abs(y-mean) / math.Sqrt(r.s.Fit.noise()*(v+1)+doubt)
}

func (s *recordState) remember(setting drink.Milli) {
	s.Low, s.High = min(s.Low, setting), max(s.High, setting)
	for _, known := range s.Settings {
		if known == setting {
			return
		}
	}
	if len(s.Settings) < needSettings {
		s.Settings = append(s.Settings, setting)
	}
}

// Prediction of the time of one settled shot, s. Low and High hold it with 80 %.
type Prediction struct {
	Expected float64 `json:"expected_s"`
	Low      float64 `json:"low_s"`
	High     float64 `json:"high_s"`
}

// Predict the time of one settled shot pulled at the setting with the dose and
// yield given, g thousandths, at a time. It is Student's t on the logarithm, and
// contains what the first guess contains: see [Record.Advise] for when it may be
// acted on.
func (r *Record) Predict(setting, dose, yield drink.Milli, at time.Time) (Prediction, error) {
	if dose <= 0 || yield <= 0 {
		return Prediction{}, fmt.Errorf("predict: dose is %v g and yield %v g, allowed: above 0; give the recipe's", dose, yield)
	}
	f := r.s.Fit
	f.drift(r.drift(at))
	mean, v := f.at(r.x(setting))
	mean += shift(dose, yield)
	// The first guess may steady the line, never the scatter that was seen.
	noise := f.noise()
	if own := r.s.Own; own.DF >= 1 {
		noise = max(noise, own.noise())
	}
	sd := math.Sqrt(noise*(v+1) + doubtOf(dose, yield))
	half := sd * distuv.StudentsT{Sigma: 1, Nu: f.DF}.Quantile((1+confidence)/2)
	// Beyond any shot that can be, the numbers would say nothing.
	bound := func(logTime float64) float64 { return math.Exp(max(-9, min(logTime, 9))) }
	return Prediction{Expected: bound(mean), Low: bound(mean - half), High: bound(mean + half)}, nil
}

// MarshalJSON writes the whole state.
func (r *Record) MarshalJSON() ([]byte, error) { return json.Marshal(&r.s) }

// UnmarshalJSON reads what MarshalJSON wrote; anything else is refused.
func (r *Record) UnmarshalJSON(b []byte) error {
	var s recordState
	if err := json.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("reading a grinder's record: %w", err)
	}
	if s.Version != recordVersion {
		return fmt.Errorf("grinder's record: version is %d, allowed: %d; begin another record", s.Version, recordVersion)
	}
	if _, err := NewRecord(s.Grinder); err != nil {
		return fmt.Errorf("grinder's record: %w", err)
	}
	if !s.Own.finite() || !s.Fit.finite() || !s.Fit.known() || s.Fit.DF < 1 || !s.Fit.sane() || s.Own.known() && !s.Own.sane() {
		return fmt.Errorf("grinder's record of %s: the fit is not usable; begin another record", s.Grinder.ID)
	}
	if s.SinceChange < 0 || len(s.Settings) > needSettings || s.Shots < 0 || s.SinceLot < 0 {
		return fmt.Errorf("grinder's record of %s: the counts are not usable; begin another record", s.Grinder.ID)
	}
	r.s = s
	return nil
}
