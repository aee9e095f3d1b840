package drink

import (
	"fmt"
	"math"

	"samecup.example/samecup/internal/cup"
)

// dimensions refuses a vessel that cannot stand on a counter.
func (c *checker) dimensions(field string, v *Vessel) bool {
	if key, fault := v.secondForm(); fault != "" {
		c.fail(field+"."+key, "", fault, shapeForms, shapeMend)
		return false
	}
	switch {
	case len(v.Sections) > 0:
		return c.sections(field, v)
	case len(v.Fills) > 0:
		return c.fills(field, v)
	}
	ok := c.lengths(field, 1, namedLength{"base", v.Base}, namedLength{"top", v.Top}, namedLength{"height", v.Height})
	if ok && v.Top < v.Base {
		c.fail(field+".top", FormatQuantity(v.Top, Millimetre), "is narrower than the base", "at least the base, "+FormatQuantity(v.Base, Millimetre), "swap base and top")
		return false
	}
	return ok
}

type namedLength struct {
	key   string
	value Milli
}

// lengths refuses inner measures below least or of no cup.
func (c *checker) lengths(field string, least Milli, all ...namedLength) bool {
	ok := true
	for _, m := range all {
		if m.value < least || m.value > mostLength {
			from := "above 0 mm"
			if least == 0 {
				from = "0 mm or more"
			}
			c.fail(field+"."+m.key, FormatQuantity(m.value, Millimetre), "is no inner measure of a vessel", from+" and at most "+FormatQuantity(mostLength, Millimetre), "measure it again, inside")
			ok = false
		}
	}
	return ok
}

// sections holds each ring to the limits of a vessel and to the ring below it.
// A ring may narrow upwards, as a tulip's does.
func (c *checker) sections(field string, v *Vessel) bool {
	for i, s := range v.Sections {
		at := fmt.Sprintf("%s.sections[%d]", field, i)
		least := Milli(1)
		if i == 0 {
			least = 0 // a rounded base may begin in a point
		}
		if !c.lengths(at, least, namedLength{"base", s.Base}) || !c.lengths(at, 1, namedLength{"top", s.Top}, namedLength{"height", s.Height}) {
			return false
		}
		if i > 0 && s.Base != v.Sections[i-1].Top {
			c.fail(at+".base", FormatQuantity(s.Base, Millimetre), "does not meet the section below it", FormatQuantity(v.Sections[i-1].Top, Millimetre)+", that section's top",
				"measure the diameter at the joint and write it on both sides")
			return false
		}
	}
	return true
}

// fills holds weighed fills to a rising line.
func (c *checker) fills(field string, v *Vessel) bool {
	if !c.lengths(field, 1, namedLength{"top", v.Top}) {
		return false
	}
	var below VesselFill
	for i, f := range v.Fills {
		at := fmt.Sprintf("%s.fills[%d]", field, i)
		if f.Depth <= below.Depth || f.Depth > mostLength {
			c.fail(at+".depth", FormatQuantity(f.Depth, Millimetre), "does not rise", fmt.Sprintf("above %s and at most %s", FormatQuantity(below.Depth, Millimetre), FormatQuantity(mostLength, Millimetre)),
				"list the fills from the lowest up; an empty vessel is none")
			return false
		}
		if f.Volume <= below.Volume {
			c.fail(at+".volume", FormatQuantity(f.Volume, Millilitre), "does not rise", "above "+FormatQuantity(below.Volume, Millilitre), "weigh this fill again")
			return false
		}
		below = f
	}
	return true
}

// rimOfFills doubts a rim that the uppermost fills do not show. A slope carries
// the error of the fills several times over, and a lip may flare, so a fifth is
// allowed (common practice, no source); a radius for a diameter is far outside.
func (c *checker) rimOfFills(field string, v *Vessel, s cup.Shape) {
	if len(v.Fills) == 0 {
		return
	}
	if shown, err := s.Width(s.Height()); err == nil && math.Abs(shown-s.Rim()) > s.Rim()/5 {
		c.add(Caution, field+".top", FormatQuantity(v.Top, Millimetre), "is not the rim that the uppermost fills show",
			fmt.Sprintf("about %.0f mm, within a fifth", shown), "measure across the lip, inside, and weigh another fill near the brim")
	}
}
