package watch

import (
	"time"

	"samecup.example/samecup/internal/verdict"
)

// Shift names a rostered period at a station by the site's business day and
// its place in that day, counted from 1.
type Shift struct {
	// Day is midnight UTC of the business day's date; no instant is meant.
	Day time.Time
	No  int
}

// Build is what the watch needs of one logged build.
type Build struct {
	ID string
	// Site and Station are slugs; By is a pseudonym, empty where not logged.
	Site, Station, By string
	// Serving is a serving's ID in the release; Drink is its drink.
	Serving, Drink, Milk string
	// Vessel as logged; empty where not known.
	Vessel  string
	Release uint64
	Shift   Shift
	// Started by the station's clock; Entered is when the last value was typed
	// or fed in. Never the time of receipt: an honest offline batch bunches it.
	Started, Entered time.Time
	// Sampled is true when the sampling plan chose the build for measuring.
	Sampled bool
	// Audited is true for a build measured by an auditor.
	Audited bool
	// CoffeeLot and MilkLot are supplier lots; empty where not known.
	CoffeeLot, MilkLot string
	Grade              verdict.Grade
	// Findings by which the grade was reached.
	Findings []verdict.Finding
	Readings []Reading
}

// Reading is one measured value beside what was asked, in the measure's base
// unit.
type Reading struct {
	// Measure is a code in drink.Measures; Check and Occurrence name the
	// reading in its serving, occurrences from 1.
	Measure, Check string
	Occurrence     int
	Value          float64
	// Target, Low and High of the check; math.Inf where one-sided.
	Target, Low, High float64
	// Resolution is the instrument's smallest step; 0 where not stated.
	Resolution float64
	// Entered by the station's clock.
	Entered time.Time
}

// EventKind is what happened at a bar besides builds.
type EventKind string

// The kinds of event. Charts start anew at each of the first five.
const (
	Adjusted   EventKind = "adjusted"     // grinder set; Detail is the setting
	NewLot     EventKind = "new_lot"      // coffee lot; Detail is the lot
	NewMilkLot EventKind = "new_milk_lot" // Detail is the lot
	NewBurrs   EventKind = "new_burrs"
	Serviced   EventKind = "serviced"
	NewCups    EventKind = "new_cups" // delivery; Detail is the vessel
	Missed     EventKind = "missed"   // a prompted check that was not done
	Offline    EventKind = "offline"  // the station was cut off; Detail is for how long
)

// Event is one thing that happened at a bar.
type Event struct {
	Kind          EventKind
	At            time.Time
	Site, Station string
	// By is a pseudonym, empty where not known.
	By     string
	Detail string
}
