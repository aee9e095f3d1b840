package stat

import "fmt"

// Stability is what a control chart of the same values says, before anything
// is said of capability.
type Stability struct {
	// Method names the chart; Points and Signals count its points and those
	// beyond a control limit, of location and of spread together.
	Method  string `json:"method"`
	Points  int    `json:"points"`
	Signals int    `json:"signals"`
	// Chance is the probability of as many signals or more in control.
	Chance float64 `json:"chance"`
	// Stable is true with 20 points or more whose signals chance would give.
	Stable bool   `json:"stable"`
	Words  string `json:"words"`
}

// unstableBelow is the chance below which signals speak against stability.
// One signal in 20 to 30 points is enough (0.05 to 0.08); a year of readings is
// allowed the false alarms that a year of a stable process gives.
const unstableBelow = 0.1

// CheckStability charts the values in the order given, rule 1 alone: sample
// means and standard deviations where groups (one label a value) make samples
// of 2 to 25 neighbours, else single readings. Signals are judged against the
// binomial law with 0.0027 a point, so that the answer does not turn to "not
// stable" from length alone. Values that cannot be charted give an error.
func CheckStability(x []float64, groups []string) (Stability, error) {
	samples, why := consecutiveSamples(x, groups)
	var pair *Charts
	var err error
	s := Stability{Method: "single readings and moving ranges (I-MR)"}
	if samples != nil {
		s.Method = "sample means and standard deviations (Xbar-S)"
		pair, err = XbarS(samples, ChartOptions{})
	} else {
		pair, err = Individuals(x, ChartOptions{})
	}
	if err != nil {
		return Stability{}, fmt.Errorf("looking at stability: %w", err)
	}
	s.Method += why
	s.Points = len(pair.Location.Points)
	s.Signals = len(pair.Location.Signals())
	chances := s.Points
	if samples != nil { // moving ranges repeat what single readings say
		s.Signals += len(pair.Spread.Signals())
		chances *= 2
	}
	s.Chance = upperBinomial(s.Signals, chances, 2*tail)
	s.Stable = s.Points >= leastForLimits && s.Chance >= unstableBelow
	switch {
	case s.Chance < unstableBelow:
		s.Words = fmt.Sprintf("%d of %d points beyond a control limit, about %.2g expected in control: special causes are at work", s.Signals, s.Points, 2*tail*float64(chances))
	case !s.Stable:
		s.Words = fmt.Sprintf("only %d points, %d are needed to show stability", s.Points, leastForLimits)
	default:
		s.Words = fmt.Sprintf("%d of %d points beyond a control limit, about %.2g expected in control", s.Signals, s.Points, 2*tail*float64(chances))
	}
	return s, nil
}

// consecutiveSamples cuts x where the label changes; nil, and why, where the
// labels make no samples for a chart.
func consecutiveSamples(x []float64, groups []string) ([][]float64, string) {
	if groups == nil {
		return nil, ""
	}
	var out [][]float64
	seen, from := map[string]bool{}, 0
	for i := 1; i <= len(x); i++ {
		if i < len(x) && groups[i] == groups[from] {
			continue
		}
		if n := i - from; n < 2 || n > 25 || seen[groups[from]] {
			return nil, ", since the groups are not samples of 2 to 25 neighbours"
		}
		seen[groups[from]] = true
		out, from = append(out, x[from:i]), i
	}
	if len(out) < 2 {
		return nil, ", since there is only one group"
	}
	return out, ""
}
