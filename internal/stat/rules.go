package stat

import (
	"fmt"
	"strconv"
	"strings"
)

// Rule is one run rule of a Shewhart chart, numbered as in the Western
// Electric handbook (1956). Nelson (1984) asks nine in a row where rule 4
// asks eight.
type Rule int

// The run rules. Zones are counted in standard errors from the centre; the
// signalling point must itself lie beyond the rule's line.
const (
	RuleBeyondLimit Rule = 1 // one point beyond a control limit
	RuleTwoOfThree  Rule = 2 // two of three beyond 2 sigma, same side
	RuleFourOfFive  Rule = 3 // four of five beyond 1 sigma, same side
	RuleEightInARow Rule = 4 // eight in a row on one side of the centre
)

func (r Rule) String() string {
	switch r {
	case RuleBeyondLimit:
		return "one point beyond a control limit"
	case RuleTwoOfThree:
		return "two of three beyond two thirds of the way to a limit, same side"
	case RuleFourOfFive:
		return "four of five beyond one third of the way to a limit, same side"
	case RuleEightInARow:
		return "eight in a row on one side of the centre"
	}
	return "unknown rule " + strconv.Itoa(int(r))
}

// Rules is a set of run rules. The zero value holds none.
type Rules uint8

// RuleSet gathers rules into a set; unknown rules are refused.
func RuleSet(rules ...Rule) (Rules, error) {
	var set Rules
	for _, r := range rules {
		if r < RuleBeyondLimit || r > RuleEightInARow {
			return 0, inputErr("rule", int(r), "1, 2, 3 or 4")
		}
		set |= 1 << r
	}
	return set, nil
}

// ParseRules reads a list such as "1,2,4".
func ParseRules(text string) (Rules, error) {
	var list []Rule
	for part := range strings.SplitSeq(text, ",") {
		n, err := strconv.Atoi(strings.TrimSpace(part))
		if err != nil {
			return 0, inputErr("rules", strconv.Quote(text), `a list of 1 to 4 such as "1,2,4"`)
		}
		list = append(list, Rule(n))
	}
	return RuleSet(list...)
}

// Has reports whether r is switched on.
func (s Rules) Has(r Rule) bool { return r > 0 && r < 8 && s&(1<<r) != 0 }

// List returns the rules of the set in order.
func (s Rules) List() []Rule {
	var out []Rule
	for r := RuleBeyondLimit; r <= RuleEightInARow; r++ {
		if s.Has(r) {
			out = append(out, r)
		}
	}
	return out
}

func (s Rules) String() string {
	var out []string
	for _, r := range s.List() {
		out = append(out, strconv.Itoa(int(r)))
	}
	return strings.Join(out, ",")
}

// MarshalText writes the set as "1,2,4".
func (s Rules) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// zone says where a point lies: sign of the side, and 0 (within 1 sigma),
// 1, 2 or 3 (beyond the limit). A point on the centre has side 0.
type zone struct{ side, depth int }

func zoneOf(z float64, beyond int) zone {
	if beyond != 0 {
		return zone{beyond, 3}
	}
	var out zone
	switch {
	case z > 0:
		out.side = 1
	case z < 0:
		out.side, z = -1, -z
	}
	switch {
	case z > 2:
		out.depth = 2
	case z > 1:
		out.depth = 1
	}
	return out
}

// memory is all that the rules need of the past. The same step serves the
// chart and the run-length chain, so the stated figure is of the rules used.
type memory struct {
	two  [2]uint8 // last two points beyond 2 sigma: above, below
	four [2]uint8 // last four points beyond 1 sigma: above, below
	run  int8     // signed run length on one side, at most 8
}

func (s Rules) step(m memory, z zone) (memory, []Rule) {
	var hit []Rule
	if s.Has(RuleBeyondLimit) && z.depth == 3 {
		hit = append(hit, RuleBeyondLimit)
	}
	if s.Has(RuleTwoOfThree) {
		hit = append(hit, ruleWindow(&m.two, z, 2, 2, 1, RuleTwoOfThree)...)
	}
	if s.Has(RuleFourOfFive) {
		hit = append(hit, ruleWindow(&m.four, z, 1, 4, 3, RuleFourOfFive)...)
	}
	if s.Has(RuleEightInARow) {
		switch {
		case z.side == 0:
			m.run = 0
		case int(m.run)*z.side > 0:
			m.run += int8(z.side)
		default:
			m.run = int8(z.side)
		}
		m.run = max(-8, min(8, m.run))
		if m.run == 8 || m.run == -8 {
			hit = append(hit, RuleEightInARow)
		}
	}
	return m, hit
}

// ruleWindow shifts one point into the histories of both sides, keeping the last
// keep bits, and signals when the point is in and at least need of them were.
func ruleWindow(hist *[2]uint8, z zone, depth int, keep uint, need int, r Rule) []Rule {
	var hit []Rule
	for i, side := range []int{1, -1} {
		in := z.side == side && z.depth >= depth
		if in && ruleBits(hist[i]) >= need {
			hit = append(hit, r)
		}
		hist[i] = hist[i] << 1 & (1<<keep - 1)
		if in {
			hist[i] |= 1
		}
	}
	return hit
}

func ruleBits(b uint8) int {
	n := 0
	for ; b != 0; b &= b - 1 {
		n++
	}
	return n
}

// describeRules writes the rules that a point broke, in words.
func describeRules(rules []Rule) string {
	var out []string
	for _, r := range rules {
		out = append(out, fmt.Sprintf("rule %d (%s)", int(r), r))
	}
	return strings.Join(out, "; ")
}
