package drink

import (
	"fmt"
	"slices"
	"strings"
)

// shape reads a vessel's shape, in exactly one of its forms, and its brim.
func (c cursor) shape(f map[string]cursor, v *Vessel) {
	const inner = `an inner measure, like "52 mm"`
	own := map[string][]string{
		"sections": {"sections"}, "fills": {"fills", "top"}, "diameter": {"diameter", "height"}, "base": {"base", "top", "height"},
	}
	stated := func(key string) bool {
		at, ok := f[key]
		return ok && at.n.kind != nullNode
	}
	form := "base"
	for _, key := range []string{"sections", "fills", "diameter"} {
		if stated(key) {
			form = key
			break
		}
	}
	var beside []string
	for _, key := range []string{"base", "top", "height", "diameter", "sections", "fills"} {
		if stated(key) && !slices.Contains(own[form], key) {
			beside = append(beside, key)
		}
	}
	if len(beside) > 0 {
		f[form].fail("stands beside "+strings.Join(beside, " and ")+", which say the shape again", shapeForms, shapeMend)
		return
	}
	length := func(key string, to *Milli) {
		if at, ok := c.need(f, key, inner); ok {
			*to, _ = at.quantity(Millimetre)
		}
	}
	switch form {
	case "sections":
		v.Sections = f[form].sections()
	case "fills":
		v.Fills = f[form].fills()
		if at, ok := c.need(f, "top", `the inner diameter at the rim, like "90 mm": no fill shows it`); ok {
			v.Top, _ = at.quantity(Millimetre)
		}
	case "diameter":
		length("diameter", &v.Base)
		v.Top = v.Base
		length("height", &v.Height)
	default:
		if !stated("base") && !stated("top") && !stated("height") {
			c.fail("says no shape", shapeForms, `write "base", "top" and "height", measured inside, or another of these`)
			break
		}
		length("base", &v.Base)
		length("top", &v.Top)
		length("height", &v.Height)
	}
	if form == "fills" && !stated("brim") {
		if n := len(v.Fills); n > 0 {
			v.Brim = v.Fills[n-1].Volume
		}
		return
	}
	if at, ok := c.need(f, "brim", `the capacity to the lip, like "240 ml"`); ok {
		v.Brim, _ = at.quantity(Millilitre)
	}
}

// maxShapeList bounds sections and fills, as internal/cup does.
const maxShapeList = 200

func (c cursor) sections() []VesselSection {
	var out []VesselSection
	for _, item := range c.shapeList("a section", `"{base: 40 mm, top: 60 mm, height: 20 mm}"`, 1) {
		s := VesselSection{}
		item.measures(map[string]*Milli{"base": &s.Base, "top": &s.Top, "height": &s.Height}, nil)
		out = append(out, s)
	}
	return out
}

func (c cursor) fills() []VesselFill {
	var out []VesselFill
	for _, item := range c.shapeList("three fills, the last to the brim", `"{depth: 10 mm, volume: 18 ml}"`, 3) {
		v := VesselFill{}
		item.measures(map[string]*Milli{"depth": &v.Depth}, map[string]*Milli{"volume": &v.Volume})
		out = append(out, v)
	}
	return out
}

func (c cursor) shapeList(what, like string, least int) []cursor {
	if c.n.kind == listNode && len(c.n.items) < least {
		c.fail(fmt.Sprintf("has %d entries", len(c.n.items)), fmt.Sprintf("%d to %d", least, maxShapeList), "write at least "+what+", each like "+like)
		return nil
	}
	return c.list(maxShapeList)
}

// measures reads a mapping of lengths and volumes, all of which must be there.
func (c cursor) measures(lengths, volumes map[string]*Milli) {
	var keys []string
	for _, key := range []string{"base", "top", "height", "depth", "volume"} {
		if lengths[key] != nil || volumes[key] != nil {
			keys = append(keys, key)
		}
	}
	f := c.fields(keys...)
	for _, key := range keys {
		to, unit, like := lengths[key], Millimetre, `an inner measure, like "52 mm"`
		if to == nil {
			to, unit, like = volumes[key], Millilitre, `a volume, like "18 ml"`
		}
		if at, ok := c.need(f, key, like); ok {
			*to, _ = at.quantity(unit)
		}
	}
}
