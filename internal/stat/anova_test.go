package stat

import (
	"errors"
	"math"
	"testing"
)

func TestANOVARefuses(t *testing.T) {
	for name, groups := range map[string][][]float64{
		"one group":       {{1, 2, 3}},
		"an empty group":  {{1, 2}, {}},
		"no replication":  {{1}, {2}},
		"constant groups": {{1, 1}, {2, 2}},
		"a missing value": {{1, math.NaN()}, {2, 3}},
	} {
		if _, err := ANOVA(groups); !errors.Is(err, ErrInput) {
			t.Errorf("%s: got %v, want ErrInput", name, err)
		}
	}
}
