package console

import (
	"strings"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// finding is a finding's sentence in the reader's units. Its figures are those of
// its fields, so each is replaced where it stands exactly as they say, and a
// sentence that differs from them stays as it is.
func (t teller) finding(f *pb.Finding) string {
	m := drink.MeasureByCode(f.Measure)
	if m == nil {
		return f.Text
	}
	stored := func(milli int64) string {
		return strings.TrimSpace(drink.Milli(milli).String() + " " + m.Unit.Symbol())
	}
	read := func(milli int64) string { return t.read.Quantity(float64(milli), m.Unit) }
	by := func(milli int64) string { return t.amount(drink.Milli(milli).Float(), m.Unit) }
	type pair struct{ from, to string }
	asked := func(lead string) pair {
		was, is := askedOf(f, stored, func(v int64) string { return drink.Milli(v).String() }), askedOf(f, read, func(v int64) string { return t.read.Number(float64(v), m.Unit) })
		return pair{lead + was + ")", lead + is + ")"}
	}
	var change []pair
	switch f.Kind {
	case "below_tolerance", "above_tolerance":
		change = []pair{{" " + stored(f.GetActualMilli()) + ": " + stored(f.GetByMilli()) + " ", " " + read(f.GetActualMilli()) + ": " + by(f.GetByMilli()) + " "}, asked(" (")}
	case "impossible_value":
		change = []pair{{" " + stored(f.GetActualMilli()) + " cannot be right", " " + read(f.GetActualMilli()) + " cannot be right"}, asked("(possible: ")}
	case "unconfirmed":
		change = []pair{{" " + stored(f.GetActualMilli()) + " cannot be confirmed", " " + read(f.GetActualMilli()) + " cannot be confirmed"}, asked(" ("), {"steps of " + stored(f.GetByMilli()) + ";", "steps of " + by(f.GetByMilli()) + ";"}}
	case "missing_reading":
		change = []pair{asked("no reading (")}
	default:
		return f.Text
	}
	out := f.Text
	for _, c := range change {
		if strings.Count(out, c.from) != 1 {
			return f.Text
		}
		out = strings.Replace(out, c.from, c.to, 1)
	}
	return out
}

// askedOf is a finding's tolerance in words; last writes the figure that has the
// unit, first the one before it.
func askedOf(f *pb.Finding, last, first func(int64) string) string {
	switch {
	case f.LowMilli == nil && f.HighMilli == nil:
		return "any"
	case f.LowMilli == nil:
		return "at most " + last(f.GetHighMilli())
	case f.HighMilli == nil:
		return "at least " + last(f.GetLowMilli())
	case f.GetLowMilli() == f.GetHighMilli():
		return "exactly " + last(f.GetLowMilli())
	}
	return first(f.GetLowMilli()) + " to " + last(f.GetHighMilli())
}

// findings of a build, one after the other.
func (t teller) findings(list []*pb.Finding) string {
	out := make([]string, len(list))
	for i, f := range list {
		out[i] = t.finding(f)
	}
	return strings.Join(out, "; ")
}

// filedFindings are the sentences as they are stored.
func filedFindings(list []*pb.Finding) string {
	out := make([]string, len(list))
	for i, f := range list {
		out[i] = f.Text
	}
	return strings.Join(out, "; ")
}
