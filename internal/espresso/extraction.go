package espresso

import (
	"errors"
	"fmt"
	"math"
)

// ExtractionYield is the share of the dry coffee, %, that went into the
// beverage: total dissolved solids, %, times beverage mass over dose, both in
// g. The beverage mass is what is in the cup, not the brew water. Published: a
// coffee retailer's worked table and the Golden Cup standard of the Specialty
// Coffee Association of America (2015) use the same formula.
func ExtractionYield(tdsPercent, beverageG, doseG float64) (float64, error) {
	if err := errors.Join(solids(tdsPercent), beverage(beverageG), dose(doseG)); err != nil {
		return 0, err
	}
	percent, err := quotient(tdsPercent*beverageG, doseG)
	if err != nil {
		return 0, fmt.Errorf("extraction yield: %w", err)
	}
	if err := within("extraction yield", "%", percent, 0, MaxExtractionPercent); err != nil {
		return 0, fmt.Errorf("%g %% in %g g from %g g: %w; weigh dose and beverage again", tdsPercent, beverageG, doseG, err)
	}
	return percent, nil
}

// TDSFor is the dissolved solids, %, of beverageG grams brewed from doseG grams
// at an extraction of eyPercent: the inverse of ExtractionYield.
func TDSFor(eyPercent, beverageG, doseG float64) (float64, error) {
	if err := errors.Join(within("extraction yield", "%", eyPercent, 0, MaxExtractionPercent), beverage(beverageG), dose(doseG)); err != nil {
		return 0, err
	}
	percent, err := quotient(eyPercent*doseG, beverageG)
	if err == nil {
		err = solids(percent)
	}
	if err != nil {
		return 0, fmt.Errorf("%g g from %g g at %g %%: %w", beverageG, doseG, eyPercent, err)
	}
	return percent, nil
}

// Measured is a reading and its standard deviation, both in the reading's unit.
type Measured struct{ Value, SD float64 }

// Extraction is an extraction yield with its propagated error.
type Extraction struct {
	Percent    float64 // extraction yield, %
	SDPercent  float64 // one standard deviation, percentage points
	RelativeSD float64 // SDPercent / Percent, 1
}

// MeasuredExtraction is the extraction yield of readings that carry errors, by
// first-order propagation of independent errors: the squared relative errors of
// solids (%), beverage (g) and dose (g) add. Published: any text on the
// propagation of error; from memory. It holds for small errors, so a standard
// deviation above half its reading is refused.
func MeasuredExtraction(tdsPercent, beverageG, doseG Measured) (Extraction, error) {
	percent, err := ExtractionYield(tdsPercent.Value, beverageG.Value, doseG.Value)
	if err != nil {
		return Extraction{}, err
	}
	sum := 0.0
	for _, r := range []struct {
		field, unit string
		Measured
	}{{"dissolved solids", "%", tdsPercent}, {"beverage", "g", beverageG}, {"dose", "g", doseG}} {
		if !(r.Value > 0) {
			return Extraction{}, fmt.Errorf("%s %g %s: %w; a relative error needs a reading above 0", r.field, r.Value, r.unit, ErrInput)
		}
		if err := within("standard deviation of the "+r.field, r.unit, r.SD, 0, r.Value/2); err != nil {
			return Extraction{}, err
		}
		relative := r.SD / r.Value
		sum += relative * relative
	}
	relative := math.Sqrt(sum)
	return Extraction{Percent: percent, SDPercent: percent * relative, RelativeSD: relative}, nil
}

// Batch is a brew in which the grounds keep part of the water.
type Batch struct {
	BeverageG  float64 // what comes out, g
	TDSPercent float64 // its dissolved solids, %
	DoseGPerL  float64 // dry coffee over brew water, g/L, with water at 1 g/mL
}

// BatchBrew is the beverage of doseG grams brewed with waterG grams of water at
// an extraction of eyPercent, when the grounds keep retainedGPerG grams of
// water a gram (2.0 for drip: common practice, no source). Using the water
// instead of the beverage in ExtractionYield would overstate it.
func BatchBrew(doseG, waterG, retainedGPerG, eyPercent float64) (Batch, error) {
	if err := errors.Join(dose(doseG), positive("brew water", "g", waterG, MaxMassG), within("water kept by the grounds", "g/g", retainedGPerG, 0, 5)); err != nil {
		return Batch{}, err
	}
	kept := doseG * retainedGPerG
	if kept >= waterG {
		return Batch{}, fmt.Errorf("brew water %g g: %w; it must exceed the %g g that the grounds keep", waterG, ErrInput, kept)
	}
	b := Batch{BeverageG: waterG - kept}
	var err error
	if b.TDSPercent, err = TDSFor(eyPercent, b.BeverageG, doseG); err != nil {
		return Batch{}, err
	}
	b.DoseGPerL, err = quotient(doseG*1000, waterG)
	return b, err
}
