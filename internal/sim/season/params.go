package season

import (
	"bytes"
	_ "embed" // the two files of parameters
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
)

//go:embed params.json
var paramsJSON []byte

//go:embed heldout.json
var heldOutJSON []byte

// Params are the figures of the model, all invented. Times are in s, masses in
// g, temperatures in °C unless a name says otherwise; shares are 0 to 1; SD is
// a standard deviation.
type Params struct {
	// Name tells one set from another in the truth; empty means the default set.
	Name        string      `json:"name"`
	Volume      Volume      `json:"volume"`
	Grind       Grind       `json:"grind"`
	Shot        Shot        `json:"shot"`
	Milk        Milk        `json:"milk"`
	Effects     Effects     `json:"effects"`
	Instruments Instruments `json:"instruments"`
	Missing     Missing     `json:"missing"`
	Faults      FaultSizes  `json:"faults"`
}

// Volume is how many drinks a shift makes: negative binomial with Dispersion,
// cut off at Least and Most, and of the milk drinks the share with plant milk.
type Volume struct {
	Mean        float64 `json:"mean"`
	SiteSD      float64 `json:"site_sd"`
	SecondShift float64 `json:"second_shift"`
	Dispersion  float64 `json:"dispersion"`
	Least       int     `json:"least"`
	Most        int     `json:"most"`
	Plant       float64 `json:"plant"`
	Oat         float64 `json:"oat"`
}

// Grind is the grinder, in logarithms of grind size: 0.01 is 1 % coarser.
type Grind struct {
	Warm        float64 `json:"warm"`
	WarmTauH    float64 `json:"warm_tau_h"`
	HumidPhi    float64 `json:"humid_phi"` // per 5 min
	HumidSD     float64 `json:"humid_sd"`
	WearPerDay  float64 `json:"wear_per_day"`
	LotSD       float64 `json:"lot_sd"`
	AdjustPastS float64 `json:"adjust_beyond_s"`
	AdjustP     float64 `json:"adjust_chance"`
	Step        float64 `json:"step"`
	// Retention is how much of an adjustment has reached the first shots after
	// it; from then on all of it has.
	Retention [2]float64 `json:"retention"`
}

// Shot is one pull. Powers are those of time on grind, dose and yield; EY is
// the extraction yield in points.
type Shot struct {
	TimeSD float64 `json:"time_sd"`
	// TailDF is the degrees of freedom of Student's t for shot noise and milk
	// temperature; 0 is normal.
	TailDF      int     `json:"tail_df"`
	GrindPower  float64 `json:"grind_power"`
	DosePower   float64 `json:"dose_power"`
	YieldPower  float64 `json:"yield_power"`
	Channel     float64 `json:"channel"`
	ChannelTime float64 `json:"channel_time"`
	ChannelEY   float64 `json:"channel_ey"`
	DoseBiasSD  float64 `json:"dose_bias_sd"`
	DoseSkilled float64 `json:"dose_skilled"`
	DoseNew     float64 `json:"dose_new"`
	YieldLag    float64 `json:"yield_lag"`
	YieldSD     float64 `json:"yield_sd"`
	EY          float64 `json:"ey"`
	EYSlope     float64 `json:"ey_slope"`
	EYCurve     float64 `json:"ey_curve"`
	EYRatio     float64 `json:"ey_ratio"`
	EYSD        float64 `json:"ey_sd"`
}

// Milk is steaming and pouring. Tail is the share of jugs overshot by TailLow
// to TailHigh; Air figures are air over hot liquid; Gap is of the rim gap, mm.
type Milk struct {
	TempSkilled float64 `json:"temp_skilled"`
	TempNew     float64 `json:"temp_new"`
	Tail        float64 `json:"tail"`
	TailLow     float64 `json:"tail_low"`
	TailHigh    float64 `json:"tail_high"`
	AirSkilled  float64 `json:"air_skilled"`
	AirNew      float64 `json:"air_new"`
	AirBiasSD   float64 `json:"air_bias_sd"`
	DrynessLow  float64 `json:"dryness_low"`
	DrynessHigh float64 `json:"dryness_high"`
	FridgeC     float64 `json:"fridge_c"`
	GapSD       float64 `json:"gap_sd"`
	GasShare    float64 `json:"gas_share"`
	AgeS        float64 `json:"age_s"`
	AgeLogSD    float64 `json:"age_log_sd"`
	Drainable   float64 `json:"drainable"`
	DrainTauS   float64 `json:"drain_tau_s"`
	PumpSD      float64 `json:"pump_sd"`
}

// Effects are the SDs of the random effects. A barista's gap to full skill
// shrinks as exp(-builds/SkillBuilds).
type Effects struct {
	SiteTime    float64 `json:"site_time"`
	StationTime float64 `json:"station_time"`
	BaristaTime float64 `json:"barista_time"`
	LotTime     float64 `json:"lot_time"`
	SiteTemp    float64 `json:"site_temp"`
	BaristaTemp float64 `json:"barista_temp"`
	LotAir      float64 `json:"lot_air"`
	SkillBuilds float64 `json:"skill_builds"`
	NewShare    float64 `json:"new_share"`
}

// Instruments are SDs of bias (one draw a device) and noise (one a reading).
type Instruments struct {
	ProbeBias  float64 `json:"probe_bias"`
	ProbeNoise float64 `json:"probe_noise"`
	ScaleBias  float64 `json:"scale_bias"`
	ScaleSpan  float64 `json:"scale_span"`
	DoseNoise  float64 `json:"dose_noise"`
	YieldNoise float64 `json:"yield_noise"`
	TimerNoise float64 `json:"timer_noise"`
	CupNoise   float64 `json:"cup_noise"`
	RulerNoise float64 `json:"ruler_noise"` // mm
	SauceNoise float64 `json:"sauce_noise"`
	// Early is the share of probe readings taken too soon, EarlyLow to
	// EarlyHigh low.
	Early     float64 `json:"early"`
	EarlyLow  float64 `json:"early_low"`
	EarlyHigh float64 `json:"early_high"`
	ClockSD   float64 `json:"clock_sd"`
	ClockOffS float64 `json:"clock_off_s"` // of the one tablet that is far off
}

// Missing is why prompted checks are not done, and how often.
type Missing struct {
	Random         float64 `json:"random"`
	Peak           float64 `json:"peak"`
	OutOfTolerance float64 `json:"out_of_tolerance"`
	BatteryPerDay  float64 `json:"battery_per_day"`
	BatteryLowH    float64 `json:"battery_low_h"`
	BatteryHighH   float64 `json:"battery_high_h"`
	OfflinePerDay  float64 `json:"offline_per_day"`
	OfflineLowH    float64 `json:"offline_low_h"`
	OfflineHighH   float64 `json:"offline_high_h"`
}

// FaultSizes are the sizes of what may be injected.
type FaultSizes struct {
	// Shape of the burr's decline: linear, quadratic, root or steps; RampDays
	// is how long a milk lot, pump, probe or hand takes to be wholly off, and a
	// dull burr to have its whole spread. The rest begin at once.
	Shape    string  `json:"shape"`
	RampDays float64 `json:"ramp_days"`

	BurrPerDay    float64 `json:"burr_s_per_day"`
	BurrSpread    float64 `json:"burr_spread"`
	CupBrim       float64 `json:"cup_brim"`
	CupTop        float64 `json:"cup_top"`
	LotAir        float64 `json:"lot_air"`
	Pump          float64 `json:"pump"`
	StaleDays     float64 `json:"stale_days"`
	ProbeC        float64 `json:"probe_c"`
	Overstretch   float64 `json:"overstretch"`
	CopyWithin    float64 `json:"copy_within"`
	Rows          int     `json:"rows"`
	RowsS         float64 `json:"rows_s"`
	WrongLotS     float64 `json:"wrong_lot_s"`
	WrongLotAimS  float64 `json:"wrong_lot_aim_s"`
	WrongLotDays  float64 `json:"wrong_lot_days"`
	OverlayDays   float64 `json:"overlay_days"`
	OutlierSpread float64 `json:"outlier_spread"`
	OutlierTimeS  float64 `json:"outlier_time_s"`
	// Onset lies between these shares of the season.
	OnsetLow  float64 `json:"onset_low"`
	OnsetHigh float64 `json:"onset_high"`
}

var shapes = []string{"linear", "quadratic", "root", "steps"}

// Valid reports figures by which no season can be run.
func (p *Params) Valid() error {
	var errs []error
	share := func(field string, v float64) {
		if !(v >= 0 && v <= 1) {
			errs = append(errs, fmt.Errorf("%s: %g; it must lie in 0 to 1", field, v))
		}
	}
	above := func(field string, v float64) {
		if !(v > 0 && v < math.MaxFloat32) {
			errs = append(errs, fmt.Errorf("%s: %g; it must be above 0", field, v))
		}
	}
	above("volume.mean", p.Volume.Mean)
	above("volume.dispersion", p.Volume.Dispersion)
	above("grind.warm_tau_h", p.Grind.WarmTauH)
	above("grind.step", p.Grind.Step)
	above("effects.skill_builds", p.Effects.SkillBuilds)
	above("milk.drain_tau_s", p.Milk.DrainTauS)
	above("milk.age_s", p.Milk.AgeS)
	above("faults.cup_brim", p.Faults.CupBrim)
	above("faults.cup_top", p.Faults.CupTop)
	share("volume.plant", p.Volume.Plant)
	share("volume.oat", p.Volume.Oat)
	share("grind.humid_phi", p.Grind.HumidPhi)
	share("shot.channel", p.Shot.Channel)
	share("milk.tail", p.Milk.Tail)
	share("milk.gas_share", p.Milk.GasShare-0.3)
	share("milk.dryness_low", p.Milk.DrynessLow)
	share("milk.dryness_high", p.Milk.DrynessHigh)
	share("missing.random", p.Missing.Random)
	share("missing.peak", p.Missing.Peak)
	share("missing.out_of_tolerance", p.Missing.OutOfTolerance)
	share("faults.onset_low", p.Faults.OnsetLow)
	share("faults.onset_high", p.Faults.OnsetHigh)
	if p.Volume.Least < 1 || p.Volume.Most < p.Volume.Least || p.Volume.Most > 2000 {
		errs = append(errs, fmt.Errorf("volume.least and volume.most: %d and %d; they must rise within 1 to 2000", p.Volume.Least, p.Volume.Most))
	}
	if p.Shot.TailDF != 0 && (p.Shot.TailDF < 3 || p.Shot.TailDF > 30) {
		errs = append(errs, fmt.Errorf("shot.tail_df: %d; it must be 0 for normal noise, or 3 to 30", p.Shot.TailDF))
	}
	if p.Faults.Rows < 1 {
		errs = append(errs, fmt.Errorf("faults.rows: %d; it must be at least 1", p.Faults.Rows))
	}
	if !slices.Contains(shapes, p.Faults.Shape) {
		errs = append(errs, fmt.Errorf("faults.shape: %q; it must be one of %v", p.Faults.Shape, shapes))
	}
	return errors.Join(errs...)
}

var defaults = sync.OnceValues(func() (Params, error) { return readParams(paramsJSON) })

func readParams(data []byte) (Params, error) {
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	var p Params
	if err := dec.Decode(&p); err != nil {
		return Params{}, fmt.Errorf("read the parameters: %w", err)
	}
	if err := p.Valid(); err != nil {
		return Params{}, fmt.Errorf("parameters %q: %w", p.Name, err)
	}
	return p, nil
}

// Default is the set of params.json, by which detectors may be tuned.
func Default() (Params, error) { return defaults() }

// HeldOut draws a set from the ranges of heldout.json: heavier tails, other
// shapes of drift, other sizes. It is for a last score only: no detector may be
// tuned by it.
func HeldOut(seed uint64) (Params, error) {
	var file struct {
		Shapes []string              `json:"shapes"`
		Ranges map[string][2]float64 `json:"ranges"`
		TailDF [2]int                `json:"tail_df"`
	}
	dec := json.NewDecoder(bytes.NewReader(heldOutJSON))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&file); err != nil {
		return Params{}, fmt.Errorf("read the held-out ranges: %w", err)
	}
	// The names of the ranges are those of the parameters' own file.
	var tree map[string]any
	if err := json.Unmarshal(paramsJSON, &tree); err != nil {
		return Params{}, fmt.Errorf("read the parameters: %w", err)
	}
	d := newDice()
	d.set(seed, saltHeldOut)
	names := make([]string, 0, len(file.Ranges))
	for name := range file.Ranges {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		group, field, _ := cutDot(name)
		g, ok := tree[group].(map[string]any)
		if !ok || g[field] == nil {
			return Params{}, fmt.Errorf("held-out range %q: no such parameter; name it as in params.json", name)
		}
		r := file.Ranges[name]
		g[field] = d.between(r[0], r[1])
	}
	tree["name"] = fmt.Sprintf("held-out %d", seed)
	tree["faults"].(map[string]any)["shape"] = file.Shapes[d.IntN(len(file.Shapes))]
	tree["shot"].(map[string]any)["tail_df"] = file.TailDF[0] + d.IntN(file.TailDF[1]-file.TailDF[0]+1)
	data, err := json.Marshal(tree)
	if err != nil {
		return Params{}, fmt.Errorf("held-out set %d: %w", seed, err)
	}
	return readParams(data)
}
