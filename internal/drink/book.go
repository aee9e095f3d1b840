package drink

import "time"

// Book is all drink specs of a chain as head office writes them.
type Book struct {
	// Chain is the chain's name as guests read it.
	Chain string
	House House
	// Vessels, Ingredients and Drinks keep the order of their files.
	Vessels     []Vessel
	Ingredients []Ingredient
	Drinks      []Drink
	// Sampling says what a station measures in a shift, in the YAML or JSON form
	// that internal/sampling reads and checks; empty for its default.
	Sampling []byte
}

// House holds what every drink shares.
type House struct {
	// Pull is the house espresso: one basket, both spouts.
	Pull Pull
	// MilkMax is the hard maximum end temperature of steamed milk, °C.
	MilkMax Milli
	// HeadspaceMin is the least volume left to the brim, mL; froth that is
	// meant to stand above the rim is exempt.
	HeadspaceMin Milli
	// StrengthBand bounds coffee's share of the filled volume for the sizes of
	// one drink, %, about the smallest size; zero switches the check off.
	StrengthBand Milli
	// MilkHotFactor turns cold millilitres of milk into hot ones, in
	// thousandths (1110 is 1.11): thermal growth and condensed steam.
	MilkHotFactor Milli
	// FrothGasShare is the gas share of a settled froth layer at 30 s, in
	// thousandths (550 is 0.55).
	FrothGasShare Milli
	// Currency is the ISO 4217 code that all prices are in; empty without prices.
	Currency string
	// Cautions are shown on every card.
	Cautions []string
}

// Pull is one extraction of one basket.
type Pull struct {
	// Basket is the basket's nominal size, g.
	Basket Milli
	// StartEvent says when the shot timer starts: "pump_on" or "first_drop".
	StartEvent string
	// SinglesPerPull is how many single-equivalents a pull gives: 2, one a spout.
	SinglesPerPull int
	// Price of the dry coffee.
	Price Price
	// Checks on dose, yield, shot time and the like, the same in all drinks.
	Checks []Check
}

// Vessel is a cup or glass. Diameters and height are inner, in mm. Its shape is
// a frustum of Base, Top and Height, or Sections, or Fills with Top: one of the
// three, the rest zero. See Shape.
type Vessel struct {
	ID, Name, Material string
	// Base, Top and Height are those of a frustum; with Fills, Top is the rim.
	Base, Top, Height Milli
	// Sections are straight-walled rings from the bottom up.
	Sections []VesselSection
	// Fills are weighed fills from the lowest up, the last to the brim.
	Fills []VesselFill
	// Brim is the stated capacity to the lip, mL; the shape must agree.
	Brim Milli
	// Mass of the empty vessel, g, which cools the drink; zero where not weighed.
	Mass Milli
	// TakeAway vessels get a lid.
	TakeAway bool
}

// Ingredient is anything that goes into a cup.
type Ingredient struct {
	ID, Name string
	// Kind is one of IngredientKinds.
	Kind string
	// Contains and MayContain list allergens by the codes in Allergens.
	Contains, MayContain []string
	// AllergensKnown is false until somebody declared them; an empty list
	// then means unknown, never none.
	AllergensKnown bool
	// Density in g/mL thousandths (1033 is 1.033); zero where not needed.
	Density Milli
	// PumpVolume is mL delivered by one pump; zero where it is not pumped.
	PumpVolume Milli
	// HotFactor is this milk's own House.MilkHotFactor, in thousandths; zero
	// takes the house's.
	HotFactor Milli
	// Energy as labelled or from nutrients, of the cold ingredient.
	Energy Energy
	// Price paid.
	Price Price
	// Caffeine content, mg per 100 of its unit; an estimate.
	Caffeine Content
}

// Energy of 100 mL or 100 g; not known while Per is empty.
type Energy struct {
	// Kcal and KJ of 100 Per, each from its own factors where nutrients were
	// stated.
	Kcal, KJ Milli
	// Per is Millilitre or Gram.
	Per Unit
}

// Price in the house's currency for one litre (Per is Millilitre) or one
// kilogram (Gram); not known while Per is empty.
type Price struct {
	Amount Milli
	Per    Unit
}

// Content is mg in 100 mL or 100 g; not known while Per is empty.
type Content struct {
	Amount Milli
	Per    Unit
}

// Drink is a named drink with its servings, as written.
type Drink struct {
	ID, Name string
	// Servings in file order, resolved: each stands by itself.
	Servings []Serving
}

// Serving is one drink in one size and, where it matters, one milk, with
// everything that a station needs to show it and to check a build of it.
type Serving struct {
	// ID is "drink/size" or "drink/size/milk".
	ID string
	// Drink, DrinkName, Size and Milk repeat what the ID is made of; Milk is an
	// ingredient ID, empty where the drink has none.
	Drink, DrinkName, Size, Milk string
	// Vessel is a vessel ID.
	Vessel string
	// Shots is the number of single-equivalents in the cup.
	Shots int
	// Parts are what ends up in the cup besides espresso, in build order.
	Parts []Part
	// Air is air volume over hot liquid milk volume, in thousandths.
	Air Milli
	// AboveRim is how far froth is meant to stand above the rim, mm.
	AboveRim Milli
	// Garnish lists ingredient IDs that must be on top, sorted.
	Garnish []string
	// Steps in build order.
	Steps []Step
	// Checks with unique IDs, at most MaxChecks slots when expanded.
	Checks []Check
	// MayReplace lists the substitutions that are allowed.
	MayReplace []Substitution
	// Cautions for this drink beyond the house's.
	Cautions []string
}

// Part is an amount of an ingredient in the cup.
type Part struct {
	// Ingredient is an ingredient ID.
	Ingredient string
	// Amount in Unit: volume in mL (milk: cold), mass in g, or pumps.
	Amount Milli
	Unit   Unit
}

// Need says when a check must have a reading.
type Need uint8

// A check that is always needed is missing in any build without it; one that
// is needed when sampled only in builds that the sampling plan chose.
const (
	Optional Need = iota + 1
	WhenSampled
	Always
)

// Check is a tolerance on a measure of a serving.
type Check struct {
	// ID is unique in the serving; it is the measure's code unless the serving
	// checks one measure twice.
	ID string
	// Measure is a code in Measures.
	Measure string
	// Target, Low and High in the measure's base unit; limits belong to the
	// accepted side. NoLow or NoHigh where one-sided; Target lies within.
	Target, Low, High Milli
	// HardHigh is the hard maximum: a value above it is a safety matter
	// whatever the check's criticality. At least High; NoHigh for none, which
	// zero means too, so that a hard maximum of nought cannot be stated.
	HardHigh    Milli
	Criticality Criticality
	Need        Need
	// Occurrences is how many readings a full log has: pulls, or 1.
	Occurrences int
	// Resolution is the coarsest instrument step accepted as read.
	Resolution Milli
}

// HasHardHigh is true when the check states a hard maximum.
func (k *Check) HasHardHigh() bool { return k.HardHigh != NoHigh && k.HardHigh != 0 }

// Step is one act in the build order.
type Step struct {
	// ID is unique in the serving.
	ID string
	// Act is one of Acts.
	Act string
	// Ingredient acted on, if any.
	Ingredient string
	// Text is the line on the card; empty means the act's own words.
	Text string
	// After lists the steps that must come before this one.
	After []string
	// Criticality of leaving it out or out of order.
	Criticality Criticality
	// Optional steps may be left out of a log.
	Optional bool
}

// Substitution replaces one ingredient by another.
type Substitution struct{ From, To string }

// Limits on the size of a serving, so that a compiled checker needs no heap.
const (
	MaxSteps  = 64
	MaxChecks = 64
)

// Build is one drink as made and logged.
type Build struct {
	// ID is a UUID, unique for ever.
	ID string
	// Serving is a serving's ID, Release the number of the release shown when
	// the build began.
	Serving string
	Release uint64
	// Site and Station are slugs.
	Site, Station string
	// StartedAt and FinishedAt by the station's clock.
	StartedAt, FinishedAt time.Time
	// Vessel and Milk are what was used; Milk is empty where there was none.
	Vessel, Milk string
	// Shots in single-equivalents.
	Shots int
	// Garnish lists ingredient IDs in any order.
	Garnish []string
	// Sampled is true when the sampling plan chose this build for measuring.
	Sampled       bool
	Readings      []Reading
	Steps         []StepLog
	Substitutions []Substitution
	// By is a pseudonym; How says how the log was made: keypad, instrument.
	By, How string
	// StopList is the version of the stop list shown when the build began, 0
	// where the station fills it in.
	StopList uint64
	// Lots are supplier lots known to be in the cup.
	Lots []string
	// Corrects is the ID of the build that this one corrects, empty for none.
	Corrects string
}

// Reading is one measured value.
type Reading struct {
	// Check is a check's ID; Occurrence counts from 1 (pull 1, pull 2 …).
	Check      string
	Occurrence int
	// Value in the unit named; the unit must be the measure's base unit.
	Value Milli
	Unit  Unit
	// Resolution is the instrument's smallest step; zero if not stated.
	Resolution Milli
	// Instrument is the device's name, if any.
	Instrument string
	// MeasuredAt and EnteredAt by the station's clock, ReceivedAt by whoever
	// took the log in; zero where not known.
	MeasuredAt, EnteredAt, ReceivedAt time.Time
}

// StepLog is one step as done.
type StepLog struct {
	// Step is a step's ID.
	Step string
	// At is the time since the build began.
	At time.Duration
}
