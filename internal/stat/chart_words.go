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
	fmt.Fprintf(&b, "n: %d points, %.10g in all.\n", len(c.Points), c.Total)
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
	switch c.Kind {
	case "ewma", "cusum":
		fmt.Fprintf(&b, "In control, the first false alarm comes after %.5g points on average.\n", c.RunLength)
	case "individuals", "mean":
		fmt.Fprintf(&b, "Rules %s: in control, the first false alarm comes after %.5g points on average.\n", c.Rules, c.RunLength)
	default:
		fmt.Fprintf(&b, "Rules %s: in control, the first false alarm nominally comes after %.5g points, "+
			"as it would were the points normal, which here they are not.\n", c.Rules, c.RunLength)
	}
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
		p, varies = last, " at the last point (limits differ with n or time)"
	}
	fmt.Fprintf(b, "Centre %.7g, control limits %s to %s%s.\n", p.Limits.Centre,
		bound(p.Limits.Lower, "none"), bound(p.Limits.Upper, "none"), varies)
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
