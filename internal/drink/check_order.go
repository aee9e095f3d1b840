package drink

import (
	"fmt"
	"slices"
)

// stepRules holds the steps against each other and against the parts. The
// order they must have is what "after" says, not the order of the lines.
func (c *checker) stepRules(s *Serving, index map[string]int, acts map[string]int) {
	c.partsHaveSteps(s)
	if acts["steam"] > 0 && acts["pour"]+acts["strain"] == 0 {
		c.fail("steps", "", "steam milk, but no step pours it", "", "add a pour step after the steam")
	}
	vessel, ok := c.d.vessels[s.Vessel]
	if ok && vessel.TakeAway && acts["lid"] == 0 {
		c.add(Caution, "steps", "", "fit no lid on a vessel to take away", "", "add a lid step at the end")
	}
	// Water that is steeped and strained goes through the jug, not on the shot.
	if acts["add_water"] > 0 && acts["pull"] > 0 && acts["strain"] == 0 && !c.ordered(s, index, "add_water", "pull") {
		c.add(Caution, "steps", "", "do not say whether the water goes in before the shot or after it", "",
			`add "after: [pull]" to the water, or "after: [add_water]" to the shot`)
	}
	for i := range s.Steps {
		step := &s.Steps[i]
		switch step.Act {
		case "pull":
			if acts["dose"] == 0 {
				c.add(Caution, "steps."+step.ID, "", "pulls a shot that no step doses", "", "add a dose step before it")
			}
		case "lid":
			if j, late := c.notBefore(s, index, i); late {
				c.fail("steps."+step.ID+".after", "", fmt.Sprintf("fits the lid before %s is done", s.Steps[j].ID), "", fmt.Sprintf("add %q to its after", s.Steps[j].ID))
			}
		case "garnish":
			c.garnishOnTop(s, index, i)
		}
	}
}

// partsHaveSteps names a part that no step puts into the cup.
func (c *checker) partsHaveSteps(s *Serving) {
	for i, p := range s.Parts {
		if _, known := c.d.ingredients[p.Ingredient]; known &&
			!slices.ContainsFunc(s.Steps, func(st Step) bool { return st.Ingredient == p.Ingredient }) {
			c.fail(fmt.Sprintf("parts[%d]", i), p.Ingredient, "goes into the cup by no step", "", "name it as the ingredient of a step, such as "+actFor(c.d.ingredients[p.Ingredient]))
		}
	}
}

// actFor is the usual act for an ingredient.
func actFor(in *Ingredient) string {
	switch in.Kind {
	case "water":
		return "add_water"
	case "milk", "plant_milk":
		return "steam or add_milk"
	case "ice":
		return "add_ice"
	case "ice_cream":
		return "scoop"
	}
	return "add"
}

// ordered is true when every step of one act must come before or after some
// step of the other.
func (c *checker) ordered(s *Serving, index map[string]int, a, b string) bool {
	for i := range s.Steps {
		if s.Steps[i].Act != a {
			continue
		}
		earlier := before(s, index, i)
		if slices.ContainsFunc(earlier, func(j int) bool { return s.Steps[j].Act == b }) {
			continue
		}
		if !slices.ContainsFunc(s.Steps, func(st Step) bool {
			return st.Act == b && slices.Contains(before(s, index, index[st.ID]), i)
		}) {
			return false
		}
	}
	return true
}

// filling are the acts that put something into the cup.
var filling = []string{"pull", "pour", "strain", "garnish"}

// notBefore finds a step that fills the cup but need not come before step i.
func (c *checker) notBefore(s *Serving, index map[string]int, i int) (int, bool) {
	earlier := before(s, index, i)
	for j := range s.Steps {
		if slices.Contains(filling, s.Steps[j].Act) && !s.Steps[j].Optional && !slices.Contains(earlier, j) {
			return j, true
		}
	}
	return 0, false
}

// garnishOnTop names a garnish that may go on before the drink is poured.
func (c *checker) garnishOnTop(s *Serving, index map[string]int, i int) {
	earlier := before(s, index, i)
	for j := range s.Steps {
		if act := s.Steps[j].Act; (act == "pour" || act == "strain") && !slices.Contains(earlier, j) {
			c.fail("steps."+s.Steps[i].ID+".after", "", fmt.Sprintf("may be garnished before %s is done", s.Steps[j].ID), "", fmt.Sprintf("add %q to its after", s.Steps[j].ID))
			return
		}
	}
}
