package stat

import (
	"bytes"
	"errors"
	"math"
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// milliValues draws readings as bars give them, and now and then far spread.
func milliValues(most int) *rapid.Generator[[]int64] {
	return rapid.Custom(func(t *rapid.T) []int64 {
		centre := rapid.SampledFrom([]int64{0, -4_000, 28_000, 65_000, 1_000_000, MaxExactValue - 200_000_000_000}).Draw(t, "centre")
		step := rapid.SampledFrom([]int64{1, 100, 500, 1_000, 999_983}).Draw(t, "step")
		spread := rapid.SampledFrom([]int64{0, 5, 1_000, 100_000}).Draw(t, "spread")
		one := rapid.Map(rapid.Int64Range(-spread, spread), func(k int64) int64 { return centre + k*step })
		// Left alone, rapid draws about six values: too few to fill a sketch.
		n := rapid.SampledFrom([]int{1, 2, 7, most / 8, most / 2, most}).Draw(t, "n")
		return rapid.SliceOfN(one, n, n).Draw(t, "values")
	})
}

func exactOf(t *rapid.T, values []int64) ExactRollup {
	var r ExactRollup
	for _, v := range values {
		if err := r.Add(v, 500); err != nil {
			t.Fatal(err)
		}
	}
	return r
}

func bytesOf(t *rapid.T, r *ExactRollup) []byte {
	b, err := r.AppendBinary(nil)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// However the readings are parted, ordered and merged, the bytes are the same.
func TestExactRollupIsTheSameToTheBitHoweverMerged(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := milliValues(900).Draw(t, "values")
		whole := exactOf(t, values)
		want := bytesOf(t, &whole)
		parts := make([]ExactRollup, rapid.IntRange(1, 8).Draw(t, "parts"))
		for _, i := range rapid.Permutation(indices(len(values))).Draw(t, "order") {
			p := rapid.IntRange(0, len(parts)-1).Draw(t, "part")
			if err := parts[p].Add(values[i], 500); err != nil {
				t.Fatal(err)
			}
		}
		// A random tree of merges: associativity and commutativity at once.
		for len(parts) > 1 {
			i := rapid.IntRange(0, len(parts)-2).Draw(t, "pair")
			a, b := parts[i], parts[i+1]
			if rapid.Bool().Draw(t, "swapped") {
				a, b = b, a
			}
			var sum ExactRollup
			sum.Merge(&a)
			sum.Merge(&b)
			parts = slices.Replace(parts, i, i+2, sum)
		}
		if got := bytesOf(t, &parts[0]); !bytes.Equal(got, want) {
			t.Fatalf("merged %x\nwhole  %x", got, want)
		}
		back, rest, err := ReadExactRollup(append(want, 9))
		if err != nil || len(rest) != 1 {
			t.Fatalf("read back: %v, %d bytes left", err, len(rest))
		}
		if got := bytesOf(t, &back); !bytes.Equal(got, want) {
			t.Fatal("read back differently")
		}
	})
}

func TestExactRollupMomentsAgreeWithFourHundredBits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := milliValues(300).Draw(t, "values")
		r := exactOf(t, values)
		floats := make([]float64, len(values))
		for i, v := range values {
			floats[i] = float64(v)
		}
		mean, m2 := exactMoments(floats)
		if got, _ := r.Mean(); got != mean {
			t.Fatalf("mean %v, exact %v", got, mean)
		}
		v, ok := r.Variance()
		if ok != (len(values) > 1) {
			t.Fatal("variance of fewer than two")
		}
		if ok {
			// The reference divides a rounded M2: half an ulp twice.
			want := m2 / float64(len(values)-1)
			if d := math.Abs(v - want); d > 2*0x1p-52*want {
				t.Fatalf("variance %v, exact %v", v, want)
			}
		}
		if r.Min != slices.Min(values) || r.Max != slices.Max(values) || r.N != int64(len(values)) {
			t.Fatalf("extremes or count: %+v", r)
		}
	})
}

// Definition 2 of Masson, Rim and Lee, PVLDB 12 (2019) 2195-2205: a quantile
// is alpha-accurate where |told - true| <= alpha |true|, with the true one by
// their Definition 1, the item of rank floor(1 + q(n-1)).
func TestSketchKeepsTheGuaranteeOfDDSketch(t *testing.T) {
	rounded := 0
	rapid.Check(t, func(t *rapid.T) {
		values := milliValues(1500).Draw(t, "values")
		r := exactOf(t, values)
		if !r.Sketch.Exact() {
			rounded++
		}
		sorted := slices.Clone(values)
		slices.Sort(sorted)
		distinct := len(slices.Compact(slices.Clone(sorted)))
		if r.Sketch.Exact() != (distinct <= SketchExact) {
			t.Fatalf("exact is %v with %d different values", r.Sketch.Exact(), distinct)
		}
		for _, q := range []float64{0, 0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99, 1, rapid.Float64Range(0, 1).Draw(t, "q")} {
			got, ok := r.Quantile(q)
			if !ok {
				t.Fatal("no quantile")
			}
			want := sorted[int(math.Floor(1+q*float64(len(sorted)-1)))-1]
			if r.Sketch.Exact() && got != want {
				t.Fatalf("q %v: %d, order statistic %d", q, got, want)
			}
			if d := math.Abs(float64(got - want)); d > SketchError*math.Abs(float64(want)) {
				t.Fatalf("q %v: %d is %v off %d", q, got, d, want)
			}
		}
	})
	if rounded == 0 {
		t.Error("no sketch was rounded: the test says nothing about the bound")
	}
}

func TestLeadingBits(t *testing.T) {
	for _, tc := range []struct{ value, leading, middle int64 }{
		{0, 0, 0}, {1023, 1023, 1023}, {-1023, -1023, -1023}, {1025, 1024, 1024},
		{65_432, 65_408, 65_439}, {-65_432, -65_408, -65_439}, {math.MinInt64, math.MinInt64, -(1<<63 - 1)},
	} {
		if tc.value == math.MinInt64 {
			continue // beyond MaxExactValue
		}
		if got := leading(tc.value); got != tc.leading {
			t.Errorf("leading bits of %d: %d, want %d", tc.value, got, tc.leading)
		}
		if got := middle(leading(tc.value)); got != tc.middle {
			t.Errorf("middle about %d: %d, want %d", tc.value, got, tc.middle)
		}
	}
}

func TestExactRollupRefusesAndIsEmpty(t *testing.T) {
	var r ExactRollup
	if err := r.Add(MaxExactValue+1, 0); !errors.Is(err, ErrInput) {
		t.Errorf("got %v, want ErrInput", err)
	}
	if _, ok := r.Mean(); ok {
		t.Error("a mean of nothing")
	}
	if _, ok := r.SD(); ok {
		t.Error("a spread of nothing")
	}
	if _, ok := r.Quantile(0.5); ok {
		t.Error("a median of nothing")
	}
}

func TestLastStep(t *testing.T) {
	for _, tc := range []struct {
		value, resolution int64
		want              int
	}{{65_400, 100, 4}, {28_000, 1_000, 8}, {28_000, 100, 0}, {-3_700, 100, 7}, {18_050, 50, 1}, {65_450, 100, 5}, {65_449, 100, 4}} {
		if got := lastStep(tc.value, tc.resolution); got != tc.want {
			t.Errorf("last digit of %d at %d: got %d, want %d", tc.value, tc.resolution, got, tc.want)
		}
	}
}

func TestInt128(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sum, want := int128{}, new(big.Int)
		for _, v := range rapid.SliceOf(rapid.Int64()).Draw(t, "values") {
			sum = sum.plus(extend(v)).plus(square(v >> 2))
			q := big.NewInt(v >> 2)
			want.Add(want, big.NewInt(v)).Add(want, q.Mul(q, q))
		}
		if sum.big().Cmp(want) != 0 {
			t.Fatalf("%v, want %v", sum.big(), want)
		}
	})
}

func FuzzReadExactRollup(f *testing.F) {
	var r ExactRollup
	f.Add([]byte{0})
	for i := range int64(400) {
		if err := r.Add(i*i*7-900, 100); err != nil {
			f.Fatal(err)
		}
		if i == 20 || i == 399 {
			b, _ := r.AppendBinary(nil)
			f.Add(b)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		got, _, err := ReadExactRollup(data)
		if err != nil {
			return
		}
		// What was read is written and read the same.
		b, err := got.AppendBinary(nil)
		if err != nil {
			t.Fatal(err)
		}
		if _, rest, err := ReadExactRollup(b); err != nil || len(rest) != 0 {
			t.Fatalf("%x: %v, %d bytes left", b, err, len(rest))
		}
	})
}
