package drink

import (
	"path"
	"slices"
	"strings"
)

// milkWord stands in a drink's parts and steps for the serving's milk.
const milkWord = "milk"

// rawCheck is a check as written: what is not stated is still open.
type rawCheck struct {
	at    cursor
	check Check
	// removed is true for "id: none", which drops an inherited check.
	removed bool
}

// rawServing is a serving as written; nil means not written, so inherited.
type rawServing struct {
	at           cursor
	size, vessel string
	shots        int
	milk         string
	milks        []rawMilk
	parts        []Part
	air, above   Milli
	rawDefaults
}

// rawDefaults is what a drink states for all its servings, or one for itself.
type rawDefaults struct {
	checks                                    []rawCheck
	steps                                     []Step
	stepLines                                 map[string]int
	garnish, cautions                         []string
	mayReplace                                []Substitution
	hasSteps, hasGarnish, hasCautions, hasMay bool
}

// rawMilk is one milk of a serving that comes in several.
type rawMilk struct {
	at        cursor
	milk      string
	amount    Milli
	hasAmount bool
	air       Milli
	hasAir    bool
	checks    []rawCheck
	cautions  []string
}

var defaultFields = []string{"steps", "checks", "cautions", "garnish", "may_replace"}

func (r *reader) drink(c cursor, b *Book) {
	d := Drink{}
	f := c.fields(append([]string{"id", "name", "servings"}, defaultFields...)...)
	if at, ok := c.need(f, "id", `an id, like "flat-white"`); ok {
		d.ID = at.slug()
		if want := strings.TrimSuffix(path.Base(c.file), ".yaml"); d.ID != "" && d.ID != want {
			at.fail("does not match the file's name", want, "rename the file to "+d.ID+".yaml or correct the id")
		}
		r.mark(c.file, "id", at.n.line)
	}
	if at, ok := c.need(f, "name", "a name"); ok {
		d.Name = at.text()
	}
	shared := r.defaults(f)
	at, ok := c.need(f, "servings", "a list of servings")
	if !ok {
		return
	}
	for _, item := range at.list(maxList) {
		raw := r.serving(item)
		r.resolve(&d, b, raw, shared)
		if total := len(d.Servings); total > MaxServings {
			item.fail("is one serving too many", "", "split the book")
			return
		}
	}
	b.Drinks = append(b.Drinks, d)
	total := 0
	for i := range b.Drinks {
		total += len(b.Drinks[i].Servings)
	}
	if total > MaxServings {
		c.fail("takes the book beyond its number of servings", "10000", "split the book")
		b.Drinks = nil
	}
}

func (r *reader) defaults(f map[string]cursor) rawDefaults {
	var d rawDefaults
	if at, ok := f["steps"]; ok {
		d.steps, d.stepLines = r.steps(at)
		d.hasSteps = true
	}
	if at, ok := f["checks"]; ok {
		d.checks = r.checks(at)
	}
	if at, ok := f["garnish"]; ok {
		d.hasGarnish = true
		for _, item := range at.list(16) {
			d.garnish = append(d.garnish, item.slug())
		}
		slices.Sort(d.garnish)
	}
	if at, ok := f["cautions"]; ok {
		d.hasCautions = true
		d.cautions = at.texts()
	}
	if at, ok := f["may_replace"]; ok {
		d.hasMay = true
		for _, item := range at.list(64) {
			g := item.fields("from", "to")
			var s Substitution
			if at, ok := item.need(g, "from", "an ingredient"); ok {
				s.From = at.slug()
			}
			if at, ok := item.need(g, "to", "an ingredient"); ok {
				s.To = at.slug()
			}
			d.mayReplace = append(d.mayReplace, s)
		}
	}
	return d
}

func (r *reader) serving(c cursor) rawServing {
	s := rawServing{at: c}
	f := c.fields(append([]string{"size", "vessel", "shots", "milk", "milks", "parts", "air", "above_rim"}, defaultFields...)...)
	if at, ok := c.need(f, "size", `a size, like "medium"`); ok {
		s.size = at.slug()
	}
	if at, ok := c.need(f, "vessel", "a vessel's id"); ok {
		s.vessel = at.slug()
	}
	if at, ok := f["shots"]; ok {
		s.shots = at.integer(0, MaxSingles)
	}
	if at, ok := f["milk"]; ok {
		s.milk = at.slug()
	}
	if at, ok := f["milks"]; ok {
		if s.milk != "" {
			at.fail("stands beside \"milk\"", "", "keep one of the two")
		}
		for _, item := range at.list(32) {
			s.milks = append(s.milks, r.milk(item))
		}
	}
	if at, ok := f["parts"]; ok {
		for _, item := range at.list(64) {
			s.parts = append(s.parts, r.part(item))
		}
	}
	if at, ok := f["air"]; ok {
		s.air, _ = at.ratio()
	}
	if at, ok := f["above_rim"]; ok {
		s.above, _ = at.quantity(Millimetre)
	}
	s.rawDefaults = r.defaults(f)
	return s
}

func (r *reader) milk(c cursor) rawMilk {
	if c.n.kind == scalarNode {
		return rawMilk{at: c, milk: c.slug()}
	}
	m := rawMilk{at: c}
	f := c.fields("milk", "amount", "air", "checks", "cautions")
	if at, ok := c.need(f, "milk", "an ingredient's id"); ok {
		m.milk = at.slug()
	}
	if at, ok := f["amount"]; ok {
		m.amount, m.hasAmount = at.quantity(Millilitre)
	}
	if at, ok := f["air"]; ok {
		m.air, m.hasAir = at.ratio()
	}
	if at, ok := f["checks"]; ok {
		m.checks = r.checks(at)
	}
	if at, ok := f["cautions"]; ok {
		m.cautions = at.texts()
	}
	return m
}

// part reads {ingredient, amount} or {ingredient, pumps}. The unit written says
// whether the amount is a mass or a volume.
func (r *reader) part(c cursor) Part {
	var p Part
	f := c.fields("ingredient", "amount", "pumps")
	if at, ok := c.need(f, "ingredient", "an ingredient's id"); ok {
		p.Ingredient = at.slug()
	}
	if at, ok := f["pumps"]; ok {
		if _, both := f["amount"]; both {
			at.fail(`stands beside "amount"`, "", "keep one of the two")
		}
		p.Unit = Count
		p.Amount, _ = at.quantity(Count)
		return p
	}
	at, ok := c.need(f, "amount", `an amount, like "135 ml" or "20 g"`)
	if !ok {
		return p
	}
	for _, unit := range []Unit{Gram, Millilitre} {
		if m, err := ParseQuantity(at.n.text, unit); err == nil && at.n.kind == scalarNode {
			p.Amount, p.Unit = m, unit
			return p
		}
	}
	at.fail("is neither a mass nor a volume", "g, kg, ml or l, in plain digits, up to 2000", `write it like "20 g" or "135 ml"`)
	return p
}

func (r *reader) steps(c cursor) ([]Step, map[string]int) {
	var out []Step
	lines := map[string]int{}
	for _, item := range c.list(MaxSteps) {
		s := Step{Criticality: Quality}
		explicitAfter := false
		if item.n.kind == scalarNode {
			s.Act = item.act()
		} else {
			f := item.fields("id", "act", "ingredient", "text", "after", "criticality", "optional")
			if at, ok := item.need(f, "act", "an act, like \"pour\""); ok {
				s.Act = at.act()
			}
			if at, ok := f["id"]; ok {
				s.ID = at.code()
			}
			if at, ok := f["ingredient"]; ok {
				s.Ingredient = at.slug()
			}
			if at, ok := f["text"]; ok {
				s.Text = at.text()
			}
			if at, ok := f["criticality"]; ok {
				s.Criticality = at.criticality()
			}
			if at, ok := f["optional"]; ok {
				s.Optional = at.boolean()
			}
			if at, ok := f["after"]; ok {
				explicitAfter = true
				for _, a := range at.list(MaxSteps) {
					s.After = append(s.After, a.code())
				}
			}
		}
		if s.ID == "" {
			s.ID = s.Act
		}
		if !explicitAfter && len(out) > 0 {
			s.After = []string{out[len(out)-1].ID}
		}
		lines[s.ID] = item.n.line
		out = append(out, s)
	}
	return out, lines
}

func (c cursor) act() string {
	names := make([]string, 0, len(Acts))
	for name := range Acts {
		names = append(names, name)
	}
	slices.Sort(names)
	return c.word(names)
}

func (c cursor) criticality() Criticality {
	switch c.word([]string{"appearance", "quality", "safety"}) {
	case "appearance":
		return Appearance
	case "safety":
		return Safety
	}
	return Quality
}
