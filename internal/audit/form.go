package audit

import (
	"fmt"

	"samecup.example/samecup/internal/drink"
)

// Form is what the auditor takes along: rows to fill in. It is made from the
// plan alone, and shows neither a self-logged value, nor a target or limit to
// read towards, nor which tasting cup is which.
type Form struct {
	// Site is the slug of the plan, or the name that whoever prints it knows.
	Chain, Site, Day string
	// Plan is the plan's digest.
	Plan         string
	Cautions     []string
	Allergens    string
	Instructions []string
	Rows         []FormRow
	Cups         []FormCup
	Power        []string
	Notes        []string
}

// FormRow is one drink to order and measure.
type FormRow struct {
	No                     int
	At, Until              string
	Station, Barista       string
	Drink, Vessel, Serving string
	Boxes                  []Box
}

// Box is one value to write.
type Box struct {
	Label, Unit string
	// Hint says which pull, to what step to read, and what is lost by reading.
	Hint string
	// Field names the value in the visit file and in the page: check and n.
	Field string
}

// FormCup is one cup to taste.
type FormCup struct {
	Code   string
	Scores []string
}

// Labels of the boxes under the values of each drink.
const (
	labelBuild  = "build number, copied last"
	labelMadeAs = "made as, if otherwise"
	labelMissed = "missed: why"
)

// Scores are what a taster marks, 0 to 9; 5 is as it should be (common
// practice, no source).
var Scores = []string{"strength", "bitterness", "sourness", "milk and froth", "warmth"}

// NewForm makes the form of a plan.
func NewForm(p *Plan) *Form {
	f := &Form{Chain: p.Chain, Site: p.Site, Day: p.Day, Plan: p.Digest(), Cautions: p.Cautions, Allergens: p.Allergens,
		Power: p.Power, Notes: p.Notes,
		Instructions: []string{
			"Order each drink yourself at the time given, as a guest would, and tell nobody the next time.",
			"Write what you read, to the last digit shown. Do not look at the station's log until every box of the drink is filled.",
			"Then copy the build's number from the station. Without it the drink cannot be paired.",
			"A drink that was not made in time is missed: say why. It is never left out, nor made up for later.",
		}}
	for i := range p.Picks {
		k := &p.Picks[i]
		row := FormRow{No: k.No, At: k.At.String(), Until: k.Until.String(), Station: k.Station, Barista: k.Barista,
			Drink: k.Drink, Vessel: k.Vessel, Serving: k.Serving}
		for _, c := range k.Checks {
			row.Boxes = append(row.Boxes, box(c))
		}
		f.Rows = append(f.Rows, row)
	}
	for _, c := range p.Cups {
		f.Cups = append(f.Cups, FormCup{Code: c.Code, Scores: Scores})
	}
	return f
}

func box(c PickCheck) Box {
	b := Box{Label: c.Label, Unit: c.Unit.Symbol(), Field: fmt.Sprintf("%s.%d", c.Check, c.Occurrence)}
	if c.Check != c.Measure {
		b.Label += " (" + c.Check + ")"
	}
	if c.Resolution > 0 {
		b.Hint = "to " + drink.FormatQuantity(c.Resolution, c.Unit)
	}
	if c.Of > 1 {
		b.Hint = fmt.Sprintf("pull %d; %s", c.Occurrence, b.Hint)
	}
	if a, _ := auditableOf(c.Measure); a.spoils {
		b.Hint += "; this cup is lost"
	}
	return b
}
