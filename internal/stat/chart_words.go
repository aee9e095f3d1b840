package stat

import (
	"fmt"
	"strings"
)

// String writes the chart's method, assumptions, n and findings in words.
func (c *Chart) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s chart of %s, phase %d (%s)\n", c.Kind, c.named(), c.Phase, map[int]string{
		1: "limits from these data", 2: "limits given beforehand"}[c.Phase])
	fmt.Fprintf(&b, "Method: %s.\n", c.Method)
	for _, a := range c.Assumptions {
		fmt.Fprintf(&b, "Assumes: %s\n", a)
	}
	fmt.Fprintf(&b, "n: %s.\n", c.size())
	if len(c.Points) == 0 {
		return b.String()
	}
	from := 0
	for i := 1; i <= len(c.Points); i++ {
		if i < len(c.Points) && c.Points[i].Segment == c.Points[from].Segment {
			continue
		}
		c.writeSegment(&b, from, i)
		from = i
	}
	b.WriteString(c.falseAlarms())
	for _, n := range c.Notes {
		fmt.Fprintf(&b, "Note: %s\n", n)
	}
	if t := c.Tolerance; t != nil {
		fmt.Fprintf(&b, "The spec allows %s to %s (%s). That is a tolerance, no control limit: it plays no part below.\n",
			bound(t.Lower, "anything"), bound(t.Upper, "anything"), c.unit())
	}
	signals := c.Signals()
	if len(signals) == 0 {
		b.WriteString("Result: no signal. Nothing here sets the process apart from its own common variation.\n")
		return b.String()
	}
	fmt.Fprintf(&b, "Result: %d of %d points signal. Look for what was different then.\n", len(signals), len(c.Points))
	for i, at := range signals {
		if i == 50 {
			fmt.Fprintf(&b, "  and %d more\n", len(signals)-i)
			break
		}
		p := c.Points[at]
		fmt.Fprintf(&b, "  point %s, %.6g: %s", p.Label, p.Value, describeRules(p.Rules))
		if p.SetAside != "" {
			fmt.Fprintf(&b, "; set aside: %s", p.SetAside)
		}
		b.WriteByte('\n')
	}
	return b.String()
}

func (c *Chart) writeSegment(b *strings.Builder, from, to int) {
	p := c.Points[from]
	if p.Segment > 0 && p.Segment <= len(c.Restarts) {
		fmt.Fprintf(b, "From point %s, after %s: ", p.Label, c.Restarts[p.Segment-1].Reason)
	}
	varies := ""
	last := c.Points[to-1]
	if bound(last.Limits.Upper, "") != bound(p.Limits.Upper, "") {
		p, varies = last, "; at the last point, since limits differ with n or time"
	}
	fmt.Fprintf(b, "Centre %.7g, %s%s.\n", p.Limits.Centre, p.Limits.words(), varies)
}

func (l Limits) words() string {
	switch {
	case l.Lower == nil && l.Upper == nil:
		return "no control limits"
	case l.Lower == nil:
		return fmt.Sprintf("control limit %.7g above, none below", *l.Upper)
	case l.Upper == nil:
		return fmt.Sprintf("control limit %.7g below, none above", *l.Lower)
	}
	return fmt.Sprintf("control limits %.7g to %.7g", *l.Lower, *l.Upper)
}

// size says what the points are made of.
func (c *Chart) size() string {
	n := fmt.Sprintf("%d points", len(c.Points))
	if len(c.Points) == 1 {
		n = "1 point"
	}
	switch c.Kind {
	case "moving range":
		return n + ", each from two neighbouring readings"
	case "p":
		return fmt.Sprintf("%s, %.10g drinks together", n, c.Total)
	case "u":
		return fmt.Sprintf("%s, %.10g of what is counted on (drinks, hours) together", n, c.Total)
	case "c":
		return n + ", each the count of one like stretch"
	case "g", "t":
		return n + ", each from one event to the next"
	}
	if c.Total == float64(len(c.Points)) {
		return n + ", each one reading"
	}
	return fmt.Sprintf("%s, %.10g readings together", n, c.Total)
}

// falseAlarms says how rarely the chart signals for nothing.
func (c *Chart) falseAlarms() string {
	rules := ""
	if c.Kind != "ewma" && c.Kind != "cusum" {
		rules = "Rule " + c.Rules.String() + ": "
		if len(c.Rules.List()) > 1 {
			rules = "Rules " + c.Rules.String() + ": "
		}
	}
	s := fmt.Sprintf("%swhile nothing changes, a false alarm comes once in %.5g points on average", rules, c.RunLength)
	switch c.Kind {
	case "ewma", "cusum", "individuals", "mean":
		s += ".\n"
	default:
		s += ";\n  a rough figure here, since it is worked out for bell-shaped values, and spreads and counts are skewed.\n"
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func bound(x *float64, none string) string {
	if x == nil {
		return none
	}
	return fmt.Sprintf("%.7g", *x)
}

func (c *Chart) unit() string {
	if c.Unit == "" {
		return "unit of the data"
	}
	return c.Unit
}

func (c *Chart) named() string {
	if c.Unit == "" {
		return c.Name
	}
	return c.Name + " (" + c.Unit + ")"
}

// String writes both charts, the spread first.
func (c *Charts) String() string {
	if c.Spread == nil {
		return c.Location.String()
	}
	return c.Spread.String() + "\n" + c.Location.String()
}
