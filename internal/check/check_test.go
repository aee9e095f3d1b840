package check_test

import (
	"errors"
	"math"
	"testing"

	"samecup.example/samecup/internal/check"
)

func TestRunRefusesWhatIsNoNumber(t *testing.T) {
	broken := errors.New("broken")
	for _, c := range []struct {
		name string
		got  func() (float64, error)
		want error
	}{
		{"nan", func() (float64, error) { return math.NaN(), nil }, check.ErrNoNumber},
		{"infinity", func() (float64, error) { return math.Inf(-1), nil }, check.ErrNoNumber},
		{"failure", func() (float64, error) { return 0, broken }, broken},
	} {
		if _, err := check.Run(check.Check{Name: c.name, Got: c.got}); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
	if _, err := check.Run(check.Check{Name: "empty"}); err == nil {
		t.Error("a check with nothing to compute ran")
	}
}

func TestAgreesOnTheLimitAndNeverWithNaN(t *testing.T) {
	c := check.Check{Expected: 10, Tolerance: 0.5}
	for got, want := range map[float64]bool{9.5: true, 10.5: true, 10.51: false, math.Inf(1): false} {
		if c.Agrees(got) != want {
			t.Errorf("Agrees(%g) = %v", got, !want)
		}
	}
	if c.Agrees(math.NaN()) {
		t.Error("NaN agreed")
	}
}
