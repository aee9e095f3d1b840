package cup

import (
	"fmt"
	"math"
)

// Spec is what a vessel was bought as. A diameter of 0 is not specified.
type Spec struct{ BrimML, BaseMM, TopMM float64 }

// Limits are the tolerances at goods-in: brim as a part of the specified brim,
// each inner diameter in mm.
type Limits struct{ BrimPart, DiameterMM float64 }

// UsualLimits are ±3 % of the brim and ±1 mm of a diameter: common practice, no
// source.
func UsualLimits() Limits { return Limits{BrimPart: 0.03, DiameterMM: 1} }

// Received is one measured cup of a sample. The brim is weighed (WaterML); a
// diameter of 0 was not measured.
type Received struct {
	Cup                   string
	BrimML, BaseMM, TopMM float64
}

// Miss is one measure of one cup outside its limits.
type Miss struct {
	Cup, Field, Unit       string
	Measured, Lowest, Most float64
	By                     float64 // beyond the nearer limit; negative is too small
	OfTolerance            float64 // deviation from spec as a multiple of the tolerance
}

// String says which cup, what was measured, what is allowed and by how much it misses.
func (m Miss) String() string {
	return fmt.Sprintf("%s: %s %.1f %s, allowed %.1f to %.1f %s, out by %+.1f %s", m.Cup, m.Field, m.Measured, m.Unit, m.Lowest, m.Most, m.Unit, m.By, m.Unit)
}

// Inspection is a sample judged: how many cups, how many with no miss, and the
// misses in the order of the sample.
type Inspection struct {
	Cups, Passed int
	MeanBrimML   float64
	Misses       []Miss
}

// GoodsIn judges a sample of cups against what was bought. A value on a limit
// passes. ErrRange for a measure that cannot be, naming the cup.
func GoodsIn(spec Spec, limits Limits, sample []Received) (Inspection, error) {
	if !(spec.BrimML > 0 && spec.BrimML <= mostML) {
		return Inspection{}, fmt.Errorf("specified brim %g ml: %w; it must be above 0 and at most %g ml", spec.BrimML, ErrRange, float64(mostML))
	}
	for _, d := range []struct {
		field string
		mm    float64
	}{{"base", spec.BaseMM}, {"top", spec.TopMM}} {
		if err := within("specified "+d.field+" diameter", d.mm, mostMM, "mm"); err != nil {
			return Inspection{}, err
		}
	}
	if !(limits.BrimPart > 0 && limits.BrimPart < 1) {
		return Inspection{}, fmt.Errorf("brim tolerance %g of the brim: %w; it must be above 0 and below 1 (0.03 is 3 %%)", limits.BrimPart, ErrRange)
	}
	if !(limits.DiameterMM > 0 && limits.DiameterMM <= mostMM) {
		return Inspection{}, fmt.Errorf("diameter tolerance %g mm: %w; it must be above 0 and at most %d mm", limits.DiameterMM, ErrRange, mostMM)
	}
	if len(sample) == 0 {
		return Inspection{}, fmt.Errorf("sample of 0 cups: %w; measure at least one", ErrRange)
	}
	out := Inspection{Cups: len(sample)}
	for i, c := range sample {
		if c.Cup == "" {
			c.Cup = fmt.Sprintf("cup %d", i+1)
		}
		if !(c.BrimML > 0 && c.BrimML <= mostML) {
			return Inspection{}, fmt.Errorf("%s: brim %g ml: %w; it must be above 0 and at most %g ml", c.Cup, c.BrimML, ErrRange, float64(mostML))
		}
		before := len(out.Misses)
		out.judge(c.Cup, "brim", "ml", c.BrimML, spec.BrimML, spec.BrimML*limits.BrimPart)
		for _, d := range []struct {
			field     string
			got, want float64
		}{{"base diameter", c.BaseMM, spec.BaseMM}, {"top diameter", c.TopMM, spec.TopMM}} {
			if err := within(d.field, d.got, mostMM, "mm"); err != nil {
				return Inspection{}, fmt.Errorf("%s: %w", c.Cup, err)
			}
			if d.got > 0 && d.want > 0 {
				out.judge(c.Cup, d.field, "mm", d.got, d.want, limits.DiameterMM)
			}
		}
		if len(out.Misses) == before {
			out.Passed++
		}
		out.MeanBrimML += c.BrimML / float64(len(sample))
	}
	return out, nil
}

func (n *Inspection) judge(cup, field, unit string, got, want, allowed float64) {
	off := got - want
	// A value on the limit passes, so forgive what the subtraction rounds.
	if math.Abs(off) <= allowed+1e-12*want {
		return
	}
	n.Misses = append(n.Misses, Miss{
		Cup: cup, Field: field, Unit: unit, Measured: got, Lowest: want - allowed, Most: want + allowed,
		By: off - math.Copysign(allowed, off), OfTolerance: math.Min(math.Abs(off)/allowed, math.MaxFloat64),
	})
}
