package drink

import "strings"

// checks reads a mapping of check IDs to tolerances.
func (r *reader) checks(c cursor) []rawCheck {
	var out []rawCheck
	all := c.pairs()
	if len(all) > MaxChecks {
		c.fail("has too many checks", "at most 64", "remove some")
		return nil
	}
	for _, p := range all {
		if !isSlug(p.key, true) {
			p.at.fail("is not an id for a check", "a-z, 0-9, - and _", `write it like "froth_depth"`)
			continue
		}
		if p.at.n.kind == nullNode || p.at.n.kind == scalarNode && p.at.n.text == "none" {
			out = append(out, rawCheck{at: p.at, check: Check{ID: p.key}, removed: true})
			continue
		}
		if k, ok := r.check(p.at, p.key); ok {
			out = append(out, rawCheck{at: p.at, check: k})
		}
	}
	return out
}

// measureCodesText lists all measures, as an error shows them.
var measureCodesText = strings.Join(measureCodes(), ", ")

func measureCodes() []string {
	out := make([]string, len(Measures))
	for i := range Measures {
		out[i] = Measures[i].Code
	}
	return out
}

// check reads one tolerance: a bare quantity is exact; a mapping holds a target
// with "within", or with low, high or both, or only one of the limits.
func (r *reader) check(c cursor, id string) (Check, bool) {
	k := Check{ID: id, Measure: id, Low: NoLow, High: NoHigh, HardHigh: NoHigh, Need: WhenSampled}
	if c.n.kind == scalarNode {
		m := c.measure(id)
		if m == nil {
			return k, false
		}
		v, ok := c.quantity(m.Unit)
		k.Target, k.Low, k.High, k.Criticality, k.Resolution = v, v, v, m.Criticality, m.Resolution
		return k, ok
	}
	before := len(r.problems)
	f := c.fields("target", "low", "high", "hard_high", "within", "criticality", "need", "measure", "occurrences", "resolution")
	named := c
	if at, ok := f["measure"]; ok {
		k.Measure = at.n.text
		named = at
	}
	m := named.measure(k.Measure)
	if m == nil {
		return k, false
	}
	k.Criticality, k.Resolution = m.Criticality, m.Resolution
	r.limits(c, f, m, &k)
	if at, ok := f["criticality"]; ok {
		k.Criticality = at.criticality()
	}
	if at, ok := f["need"]; ok {
		switch at.word([]string{"always", "sampled", "optional"}) {
		case "always":
			k.Need = Always
		case "optional":
			k.Need = Optional
		}
	}
	if at, ok := f["occurrences"]; ok {
		k.Occurrences = at.integer(1, MaxChecks)
	}
	if at, ok := f["resolution"]; ok {
		k.Resolution, _ = at.difference(m.Unit)
	}
	return k, len(r.problems) == before
}

func (r *reader) limits(c cursor, f map[string]cursor, m *Measure, k *Check) {
	target, hasTarget := f["target"]
	within, hasWithin := f["within"]
	low, hasLow := f["low"]
	high, hasHigh := f["high"]
	if hasTarget {
		k.Target, _ = target.quantity(m.Unit)
	}
	if hasLow {
		k.Low, _ = low.quantity(m.Unit)
	}
	if hasHigh {
		k.High, _ = high.quantity(m.Unit)
	}
	if at, ok := f["hard_high"]; ok {
		if v, read := at.quantity(m.Unit); read && v == 0 {
			at.fail("is nought, which would state no hard maximum", "any other value", `leave it out to have none`)
		} else {
			k.HardHigh = v
		}
	}
	switch {
	case hasWithin && (hasLow || hasHigh):
		within.fail(`stands beside "low" or "high"`, "", "keep one way of stating the tolerance")
	case hasWithin && !hasTarget:
		within.fail("has no target", "", `add "target"`)
	case hasWithin:
		w, ok := within.difference(m.Unit)
		if ok && w < 0 {
			within.fail("is negative", "", "write how far either side the value may lie")
		}
		k.Low, k.High = k.Target-w, k.Target+w
	case !hasLow && !hasHigh:
		c.fail("has no tolerance", "", `add "within", "low" or "high"`)
	case !hasTarget && hasLow && hasHigh:
		c.fail("has no target", "", `add "target"`)
	case !hasTarget && hasHigh:
		k.Target = k.High
	case !hasTarget:
		k.Target = k.Low
	}
}

// measure finds a measure by code, reporting at c when there is none.
func (c cursor) measure(code string) *Measure {
	if m := MeasureByCode(code); m != nil {
		return m
	}
	codes := measureCodes()
	mend := `write one of these, or add "measure: …" to check one measure twice`
	if near := nearest(code, codes); near != "" {
		mend = `did you mean "` + near + `"?`
	}
	c.r.report(Problem{Level: Error, File: c.file, Line: c.n.line, Field: c.field, Value: code,
		Fault: "is not a measure", Allowed: strings.Join(codes, ", "), Mend: mend})
	return nil
}
