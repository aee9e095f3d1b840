package watch

import (
	"fmt"
	"math"
	"time"

	"samecup.example/samecup/internal/stat"
)

// Config says what the watch may cost in false alarms and what counts as
// worth an action. The zero value of each field stands for its default. No
// field holds a control limit: those follow from the false alarms wished for.
type Config struct {
	// FalseAlarms wished for at one station in a month of 56 shifts, all its
	// charts together, when nothing is wrong; default 0.5. It holds for
	// independent normal subgroups; ordinary carry-over from shift to shift
	// costs more.
	FalseAlarms float64 `json:"false_alarms"`
	// Charts is how many charts share FalseAlarms; default 30: level and spread of
	// eight measures, a station's part in what is compared, the dial, shares.
	Charts int `json:"charts"`
	// K is half the shift worth finding quickly, in standard deviations of a
	// subgroup mean; default 0.5.
	K float64 `json:"k"`
	// Baseline is the number of subgroups of phase 1, in which a chart is
	// silent; default 10, a working week of two shifts.
	Baseline int `json:"baseline"`
	// MinN is the least readings of a subgroup; default 3. A shift with fewer
	// is added to the next, and charted then with what there is.
	MinN int `json:"min_n"`
	// Grace is how many shots after an adjustment are set aside, because the
	// grinder still holds grounds of the old setting; default 1.
	Grace int `json:"grace"`
	// Compare is the chance of a false finding for one lot or release and
	// measure, over all looks together, and for one barista and measure in a
	// month; default 0.001.
	Compare float64 `json:"compare"`
	// Material is the least difference of a lot, barista or release worth an
	// action, in half-widths of the tolerance; default 0.5. Lots and people
	// always differ: what is told is a difference surely beyond this.
	Material float64 `json:"material"`
	// FalseQuestions is the expected share of false findings among screens of
	// honest logs; default 0.01.
	FalseQuestions float64 `json:"false_questions"`
	// StaleAfter is how long a station may follow an older release than most
	// of the others before it is said; default 12 h.
	StaleAfter time.Duration `json:"stale_after"`
}

func orFloat(v *float64, def float64) {
	if *v == 0 {
		*v = def
	}
}

func orInt(v *int, def int) {
	if *v == 0 {
		*v = def
	}
}

// monthShifts is a month of 28 days of two shifts.
const monthShifts = 56

func (c Config) filled() Config {
	orFloat(&c.FalseAlarms, 0.5)
	orInt(&c.Charts, 30)
	orFloat(&c.K, 0.5)
	orInt(&c.Baseline, 10)
	orInt(&c.MinN, 3)
	orInt(&c.Grace, 1)
	orFloat(&c.Compare, 0.001)
	orFloat(&c.Material, 0.5)
	orFloat(&c.FalseQuestions, 0.01)
	if c.StaleAfter == 0 {
		c.StaleAfter = 12 * time.Hour
	}
	return c
}

func (c Config) check() error {
	for _, f := range []struct {
		name        string
		v, low, top float64
	}{
		{"false_alarms", c.FalseAlarms, 0.001, 20},
		{"charts", float64(c.Charts), 1, 1000},
		{"k", c.K, 0.1, 2},
		{"baseline", float64(c.Baseline), 4, 200},
		{"min_n", float64(c.MinN), 2, 50},
		{"grace", float64(c.Grace), 0, 10},
		{"compare", c.Compare, 1e-9, 0.2},
		{"material", c.Material, 0.01, 10},
		{"false_questions", c.FalseQuestions, 1e-6, 0.2},
		{"stale_after (hours)", c.StaleAfter.Hours(), 0.01, 24 * 60},
	} {
		if !(f.v >= f.low && f.v <= f.top) || math.IsInf(f.v, 0) {
			return fmt.Errorf("watch: %s is %v; allowed are %v to %v; 0 stands for the default", f.name, f.v, f.low, f.top)
		}
	}
	return nil
}

// Design is what follows from a Config: how far a chart may go before it
// speaks. The false alarms are shared out half and half between a cumulative
// sum, quick at small lasting shifts, and a limit for single points, quick at
// large ones; the run length of both together is at least RunLength.
type Design struct {
	// RunLength is the subgroups between false alarms of one chart.
	RunLength float64 `json:"run_length"`
	// K and H are those of the two-sided CUSUM, in standard deviations.
	K float64 `json:"k"`
	H float64 `json:"h"`
	// H1 is the interval of a one-sided CUSUM, used for shares and spread.
	H1 float64 `json:"h1"`
	// L is the limit for a single point, two-sided; L1 one-sided.
	L  float64 `json:"l"`
	L1 float64 `json:"l1"`
}

// heldCost makes good what it costs to hold subgroups out of the base while a
// sum is under way: by simulation of independent normal subgroups with short
// pasts, about a third of the run length.
const heldCost = 1.6

func design(c Config) (Design, error) {
	d := Design{RunLength: monthShifts * float64(c.Charts) / c.FalseAlarms, K: c.K}
	each := 2 * heldCost * d.RunLength
	var err error
	if d.H, err = stat.CUSUMInterval(c.K, each); err != nil {
		return Design{}, fmt.Errorf("watch: interval of the cumulative sum for a run length of %.0f: %w", each, err)
	}
	// One side alone runs twice as long as both, so a wish of half as long for
	// both gives the one-sided interval.
	if d.H1, err = stat.CUSUMInterval(c.K, each/2); err != nil {
		return Design{}, fmt.Errorf("watch: one-sided interval of the cumulative sum: %w", err)
	}
	if d.L, err = stat.EWMALimit(1, each); err != nil {
		return Design{}, fmt.Errorf("watch: limit of a single point: %w", err)
	}
	if d.L1, err = stat.EWMALimit(1, each/2); err != nil {
		return Design{}, fmt.Errorf("watch: one-sided limit of a single point: %w", err)
	}
	return d, nil
}
