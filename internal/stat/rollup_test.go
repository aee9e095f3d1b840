package stat

import (
	"errors"
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

// exactMoments is the two-pass mean and sum of squares in 400 bits.
func exactMoments(values []float64) (mean, m2 float64) {
	const bits = 400
	num := func(v float64) *big.Float { return new(big.Float).SetPrec(bits).SetFloat64(v) }
	sum := num(0)
	for _, v := range values {
		sum.Add(sum, num(v))
	}
	m := num(0).Quo(sum, num(float64(len(values))))
	ss := num(0)
	for _, v := range values {
		d := num(0).Sub(num(v), m)
		ss.Add(ss, d.Mul(d, d))
	}
	mean, _ = m.Float64()
	m2, _ = ss.Float64()
	return mean, m2
}

func TestRollupOfAnyPartitionEqualsTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		centre := rapid.SampledFrom([]float64{0, 28, 65, 36000, -4}).Draw(t, "centre")
		values := rapid.SliceOfN(rapid.Map(rapid.IntRange(-200, 200), func(i int) float64 { return centre + float64(i)/10 }), 1, 300).Draw(t, "values")
		parts := make([]Rollup, rapid.IntRange(1, 12).Draw(t, "parts"))
		for _, v := range values {
			i := rapid.IntRange(0, len(parts)-1).Draw(t, "part")
			if err := parts[i].Add(v, 0.1); err != nil {
				t.Fatal(err)
			}
		}
		var got Rollup
		for _, i := range rapid.Permutation(indices(len(parts))).Draw(t, "order") {
			got.Merge(parts[i])
		}
		mean, m2 := exactMoments(values)
		n := float64(len(values))
		const eps = 0x1p-52
		size := math.Abs(mean) + math.Sqrt(m2/n)
		if d := math.Abs(got.Mean - mean); d > 16*eps*size {
			t.Fatalf("mean %v, exact %v", got.Mean, mean)
		}
		if d := math.Abs(got.M2 - m2); d > 32*eps*(m2+size*math.Sqrt(n*m2))+n*eps*eps*size*size*64 {
			t.Fatalf("M2 %v, exact %v", got.M2, m2)
		}
		var digits [10]int64
		lo, hi := values[0], values[0]
		for _, v := range values {
			digits[lastDigit(v, 0.1)]++
			lo, hi = min(lo, v), max(hi, v)
		}
		if got.N != int64(len(values)) || got.Min != lo || got.Max != hi || got.Digits != digits {
			t.Fatalf("counts differ: %+v", got)
		}
	})
}

func indices(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

func TestRollupRefusesWhatIsNotANumber(t *testing.T) {
	var r Rollup
	for _, v := range []float64{math.NaN(), math.Inf(1)} {
		if err := r.Add(v, 0); !errors.Is(err, ErrInput) {
			t.Errorf("%v: got %v, want ErrInput", v, err)
		}
	}
	if _, ok := r.SD(); ok || r.N != 0 {
		t.Errorf("refused values left a mark: %+v", r)
	}
}

func TestLastDigit(t *testing.T) {
	for _, tc := range []struct {
		value, resolution float64
		want              int
	}{{65.4, 0.1, 4}, {28, 1, 8}, {28, 0.1, 0}, {-3.7, 0.1, 7}, {18.05, 0.05, 1}} {
		if got := lastDigit(tc.value, tc.resolution); got != tc.want {
			t.Errorf("last digit of %v at %v: got %d, want %d", tc.value, tc.resolution, got, tc.want)
		}
	}
}
