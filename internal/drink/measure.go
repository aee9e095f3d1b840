package drink

// Unit is a base unit by its UCUM code, as it stands on the wire and in a log.
// Source of the codes: The Unified Code for Units of Measure, version 2.1.
type Unit string

// The base units. Every measure has exactly one.
const (
	Gram       Unit = "g"
	Millilitre Unit = "mL"
	Millimetre Unit = "mm"
	Second     Unit = "s"
	Celsius    Unit = "Cel"
	Percent    Unit = "%"
	Count      Unit = "{count}"
)

// Symbol is how a person reads the unit; a count has none.
func (u Unit) Symbol() string {
	switch u {
	case Celsius:
		return "°C"
	case Millilitre:
		return "ml"
	case Count:
		return ""
	}
	return string(u)
}

// Criticality says what an off-spec measure puts at risk.
type Criticality uint8

// In rising order of weight, so that the graver of two is the greater.
const (
	Appearance Criticality = iota + 1
	Quality
	Safety
)

var criticalityNames = [...]string{Appearance: "appearance", Quality: "quality", Safety: "safety"}

// String is the word used in books and logs; "unset" for the zero value.
func (c Criticality) String() string {
	if c == 0 || int(c) >= len(criticalityNames) {
		return "unset"
	}
	return criticalityNames[c]
}

// Measure describes one quantity that a build can be checked on. The table
// [Measures] is the only place that lists them: adding a row adds a measure to
// books, cards, verdicts, the JSON form and the simulator.
type Measure struct {
	// Code is the key used in books and logs, lower_snake.
	Code string
	// Label is what a barista reads.
	Label string
	// Unit is the base unit.
	Unit Unit
	// Least and Most bound what is physically possible at a bar; a reading
	// outside is impossible (a slip of the hand or the instrument), not off-spec.
	Least, Most Milli
	// Resolution is the coarsest instrument step that can judge this measure.
	Resolution Milli
	// PerPull is true for what is measured once for each pull of a basket.
	PerPull bool
	// Criticality is the default for checks that state none. A hard maximum is
	// a safety matter whatever stands here.
	Criticality Criticality
	// Below and Above are the words for a value under and over its limits.
	Below, Above string
	// MendBelow and MendAbove say what to do about it; MendHard about a value
	// above a hard maximum, or above a limit that is itself a safety matter.
	// Each may be empty.
	MendBelow, MendAbove, MendHard string
}

// Measures lists every measure. Limits of possibility, resolutions and words
// are common practice, no source.
var Measures = []Measure{
	{Code: "dose", Label: "dose", Unit: Gram, Least: 1_000, Most: 40_000, Resolution: 100, PerPull: true, Criticality: Quality,
		Below: "light", Above: "heavy", MendBelow: "dose more", MendAbove: "dose less"},
	{Code: "yield", Label: "yield", Unit: Gram, Least: 1_000, Most: 150_000, Resolution: 100, PerPull: true, Criticality: Quality,
		Below: "short", Above: "long", MendBelow: "stop the shot later", MendAbove: "stop the shot sooner"},
	{Code: "shot_time", Label: "shot time", Unit: Second, Least: 1_000, Most: 180_000, Resolution: 1_000, PerPull: true, Criticality: Quality,
		Below: "fast", Above: "slow", MendBelow: "grind finer", MendAbove: "grind coarser"},
	{Code: "brew_temp", Label: "brew water temperature", Unit: Celsius, Least: 20_000, Most: 110_000, Resolution: 1_000, PerPull: true, Criticality: Quality,
		Below: "cool", Above: "hot", MendBelow: "raise the set point", MendAbove: "lower the set point"},
	{Code: "tds", Label: "total dissolved solids", Unit: Percent, Least: 0, Most: 30_000, Resolution: 100, Criticality: Quality,
		Below: "weak", Above: "strong"},
	{Code: "water_volume", Label: "water", Unit: Millilitre, Least: 0, Most: 1_000_000, Resolution: 5_000, Criticality: Quality,
		Below: "short", Above: "over", MendBelow: "fill to the mark", MendAbove: "fill to the mark"},
	{Code: "water_temp", Label: "water temperature", Unit: Celsius, Least: 0, Most: 100_500, Resolution: 500, Criticality: Quality,
		Below: "cool", Above: "hot", MendBelow: "check the tap's set point", MendAbove: "check the tap's set point",
		MendHard: "do not serve; let it cool and check the tap's set point"},
	{Code: "milk_volume", Label: "cold milk", Unit: Millilitre, Least: 0, Most: 2_000_000, Resolution: 5_000, Criticality: Quality,
		Below: "short", Above: "over", MendBelow: "pour to the jug's mark", MendAbove: "pour to the jug's mark"},
	{Code: "milk_temp", Label: "milk temperature", Unit: Celsius, Least: -2_000, Most: 105_000, Resolution: 500, Criticality: Quality,
		Below: "cool", Above: "hot", MendBelow: "steam longer", MendAbove: "stop the steam sooner",
		MendHard: "do not serve; steam fresh milk and stop sooner"},
	{Code: "froth_depth", Label: "froth depth", Unit: Millimetre, Least: 0, Most: 150_000, Resolution: 1_000, Criticality: Quality,
		Below: "thin", Above: "thick", MendBelow: "stretch longer", MendAbove: "stretch less"},
	{Code: "froth_above_rim", Label: "froth above the rim", Unit: Millimetre, Least: -150_000, Most: 60_000, Resolution: 1_000, Criticality: Appearance,
		Below: "low", Above: "high", MendBelow: "fill higher", MendAbove: "fill lower"},
	{Code: "pour_height", Label: "pour height", Unit: Millimetre, Least: 0, Most: 500_000, Resolution: 10_000, Criticality: Appearance,
		Below: "close", Above: "far", MendBelow: "raise the jug", MendAbove: "bring the spout closer"},
	{Code: "syrup_pumps", Label: "pumps", Unit: Count, Least: 0, Most: 20_000, Resolution: 1_000, Criticality: Quality,
		Below: "few", Above: "many", MendBelow: "count the pumps", MendAbove: "count the pumps"},
	{Code: "powder", Label: "powder or sauce", Unit: Gram, Least: 0, Most: 150_000, Resolution: 1_000, Criticality: Quality,
		Below: "light", Above: "heavy", MendBelow: "weigh it", MendAbove: "weigh it"},
	{Code: "ice", Label: "ice", Unit: Gram, Least: 0, Most: 1_000_000, Resolution: 5_000, Criticality: Quality,
		Below: "light", Above: "heavy", MendBelow: "weigh it", MendAbove: "weigh it"},
	{Code: "scoop", Label: "ice cream", Unit: Gram, Least: 0, Most: 300_000, Resolution: 1_000, Criticality: Quality,
		Below: "light", Above: "heavy", MendBelow: "weigh the scoop", MendAbove: "weigh the scoop"},
	{Code: "scoops", Label: "scoops", Unit: Count, Least: 0, Most: 20_000, Resolution: 1_000, Criticality: Quality,
		Below: "few", Above: "many"},
	{Code: "steep_time", Label: "steep time", Unit: Second, Least: 0, Most: 3_600_000, Resolution: 1_000, Criticality: Quality,
		Below: "short", Above: "long", MendBelow: "steep longer", MendAbove: "strain sooner"},
	{Code: "garnish", Label: "garnish", Unit: Gram, Least: 0, Most: 50_000, Resolution: 100, Criticality: Appearance,
		Below: "light", Above: "heavy"},
	{Code: "cup_mass", Label: "whole-cup mass", Unit: Gram, Least: 1_000, Most: 2_000_000, Resolution: 1_000, Criticality: Quality,
		Below: "light", Above: "heavy", MendBelow: "too much air, or short milk: look at the froth", MendAbove: "too little air, or too much milk"},
	{Code: "serve_temp", Label: "handover temperature", Unit: Celsius, Least: -5_000, Most: 105_000, Resolution: 500, Criticality: Quality,
		Below: "cool", Above: "hot", MendBelow: "hand over sooner", MendAbove: "let it cool",
		MendHard: "do not serve yet; let it cool"},
	{Code: "hold_time", Label: "time held before handover", Unit: Second, Least: 0, Most: 86_400_000, Resolution: 1_000, Criticality: Quality,
		Below: "short", Above: "long", MendAbove: "make it fresh"},
}

var measureByCode = func() map[string]*Measure {
	m := make(map[string]*Measure, len(Measures))
	for i := range Measures {
		m[Measures[i].Code] = &Measures[i]
	}
	return m
}()

// MeasureByCode finds a measure; nil when there is none of that code. The
// result is shared and must not be changed.
func MeasureByCode(code string) *Measure { return measureByCode[code] }
