package audit

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"samecup.example/samecup/internal/drink"
)

// Slot is one barista at one station for part of a day. Times are the site's
// own clock, hours and minutes.
type Slot struct {
	Station string `json:"station"`
	// Barista is a pseudonym.
	Barista string `json:"barista"`
	From    Clock  `json:"from"`
	To      Clock  `json:"to"`
}

// Params say what a visit has to cover.
type Params struct {
	// Site is a slug, Day the business day as 2026-03-02.
	Site, Day string
	Slots     []Slot
	// PerSlot is the number of drinks measured in each slot; 0 stands for 2.
	PerSlot int
	// Cups is the number of cups tasted blind, 0 for none.
	Cups int
	// Drinks are the drink IDs on sale; nil stands for the whole book.
	Drinks []string
	// Limits overrides, by measure, how far self-logged and auditor values may
	// lie apart, in thousandths of the base unit.
	Limits map[string]drink.Milli
	// Fault is the share of drinks with a fault that the statement of power
	// speaks of; 0 stands for 0.1.
	Fault float64
}

// Plan is a visit as decided before it. It holds no measured value. Its key to
// the tasting cups must not reach the taster: hand out the Form instead.
type Plan struct {
	Chain string `json:"chain"`
	Site  string `json:"site"`
	Day   string `json:"day"`
	Seed  uint64 `json:"seed"`
	Slots []Slot `json:"slots"`
	Picks []Pick `json:"picks"`
	Cups  []Cup  `json:"cups,omitempty"`
	// Limits are decided now, before any value is seen.
	Limits []Limit `json:"limits"`
	// Power says in words what so few drinks can show; Notes what the plan
	// could not do.
	Power []string `json:"power"`
	Notes []string `json:"notes,omitempty"`
	// Cautions and Allergens are for the auditor and the taster.
	Cautions  []string `json:"cautions"`
	Allergens string   `json:"allergens"`
	// Seconds is about the labour at the bar.
	Seconds int `json:"seconds"`
}

// Pick is one drink to order and measure.
type Pick struct {
	No      int    `json:"no"`
	At      Clock  `json:"at"`
	Until   Clock  `json:"until"` // afterwards it counts as missed
	Station string `json:"station"`
	Barista string `json:"barista"`
	Serving string `json:"serving"`
	// Drink is the title as a guest would order it, Vessel its vessel's name.
	Drink     string      `json:"drink"`
	Vessel    string      `json:"vessel"`
	PlantMilk bool        `json:"plant_milk,omitempty"`
	Checks    []PickCheck `json:"checks"`
}

// PickCheck is one value to read. Target is for the comparison of unlike
// drinks; the form does not show it.
type PickCheck struct {
	Check      string      `json:"check"`
	Measure    string      `json:"measure"`
	Label      string      `json:"label"`
	Unit       drink.Unit  `json:"unit"`
	Occurrence int         `json:"n"`
	Of         int         `json:"of"`
	Resolution drink.Milli `json:"resolution"`
	Target     drink.Milli `json:"target"`
}

// Cup is one cup tasted blind: the code on it and the pick it comes from.
type Cup struct {
	Code string `json:"code"`
	Pick int    `json:"pick"`
}

// Limit is how far a self-logged value of a measure may lie from the auditor's.
type Limit struct {
	Measure string      `json:"measure"`
	Limit   drink.Milli `json:"limit"`
	Unit    drink.Unit  `json:"unit"`
}

func (p *Plan) limit(measure string) (Limit, bool) {
	for _, l := range p.Limits {
		if l.Measure == measure {
			return l, true
		}
	}
	return Limit{}, false
}

// Digest names the plan: 12 hex digits of the SHA-256 of its JSON. The form
// carries it, so that limits changed afterwards show.
func (p *Plan) Digest() string {
	data, err := json.Marshal(p)
	if err != nil {
		return "" // a plan is plain data: it always marshals
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:6])
}

// Write writes the plan as indented JSON.
func (p *Plan) Write(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(p); err != nil {
		return fmt.Errorf("writing the plan: %w", err)
	}
	return nil
}

// maxPlanBytes bounds a plan file.
const maxPlanBytes = 1 << 20

// ReadPlan reads what Write wrote, and refuses what no plan can hold.
func ReadPlan(r io.Reader) (*Plan, error) {
	d := json.NewDecoder(io.LimitReader(r, maxPlanBytes))
	d.DisallowUnknownFields()
	var p Plan
	if err := d.Decode(&p); err != nil {
		return nil, fmt.Errorf("%w: the plan cannot be read: %w; make it with samecup audit plan", ErrInput, err)
	}
	if p.Site == "" || p.Day == "" || len(p.Picks) == 0 {
		return nil, inputErr("plan", fmt.Sprintf("site %q, day %q, %d drinks", p.Site, p.Day, len(p.Picks)), "a site, a day and at least one drink")
	}
	for i := range p.Picks {
		if p.Picks[i].No != i+1 {
			return nil, inputErr(fmt.Sprintf("number of drink %d", i+1), p.Picks[i].No, "numbers in order from 1")
		}
		for _, k := range p.Picks[i].Checks {
			if drink.MeasureByCode(k.Measure) == nil {
				return nil, inputErr(fmt.Sprintf("measure of drink %d", i+1), k.Measure, strings.Join(auditableCodes(), ", "))
			}
		}
	}
	for _, c := range p.Cups {
		if c.Pick < 1 || c.Pick > len(p.Picks) {
			return nil, inputErr("drink of cup "+c.Code, c.Pick, fmt.Sprintf("1 to %d", len(p.Picks)))
		}
	}
	return &p, nil
}

// Slip is the text for the person who carries the cups: which code goes on
// which. It must not be seen by the taster.
func (p *Plan) Slip() string {
	var b strings.Builder
	fmt.Fprintf(&b, "For the runner only; the taster must not see this.\n%s, %s, plan %s\n\n", p.Site, p.Day, p.Digest())
	if len(p.Cups) == 0 {
		b.WriteString("No cups are tasted.\n")
	}
	for _, c := range p.Cups {
		k := p.Picks[c.Pick-1]
		fmt.Fprintf(&b, "  code %s on drink %d: %s, %s, %s by %s\n", c.Code, c.Pick, k.At, k.Drink, k.Station, k.Barista)
	}
	return b.String()
}
