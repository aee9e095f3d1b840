package stat

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/big"
	"math/bits"
)

// MaxExactValue is the largest magnitude that an [ExactRollup] takes, in
// thousandths of the base unit; 1e14 such values cannot overflow its sums.
const MaxExactValue = 1_000_000_000_000

// ExactRollup is what readings of one check leave behind, in whole thousandths
// of the measure's base unit. Its sums are kept in 128-bit integers instead of
// a floating mean and M2: sums of integers do not round, so any partition of
// the readings, merged in any order, gives the same roll-up to the last bit,
// and a roll-up can be proven equal to a recomputation byte by byte. Mean and
// variance are computed when they are read, each rounded once.
//
// A reading cannot be taken out again, since the extremes would be lost:
// compute the roll-up anew from its readings. The zero value is empty.
type ExactRollup struct {
	N int64
	// Min and Max are 0 while N is.
	Min, Max int64
	// Low and High count readings that were off spec, by side.
	Low, High int64
	// Digits counts the last digit shown, at the resolution given to Add; their
	// sum is below N where no resolution was known.
	Digits [10]int64
	Sketch Sketch

	sum, squares int128
}

// Add takes one reading in. Value and resolution are in thousandths of the base
// unit; a resolution of 0 is not known, and then no digit is counted.
func (r *ExactRollup) Add(value, resolution int64) error {
	if value > MaxExactValue || value < -MaxExactValue {
		return inputErr("value", value, fmt.Sprintf("a magnitude of at most %d thousandths", int64(MaxExactValue)))
	}
	if r.N == 0 || value < r.Min {
		r.Min = value
	}
	if r.N == 0 || value > r.Max {
		r.Max = value
	}
	r.N++
	r.sum = r.sum.plus(extend(value))
	r.squares = r.squares.plus(square(value))
	if resolution > 0 {
		r.Digits[lastStep(value, resolution)]++
	}
	r.Sketch.Add(value)
	return nil
}

// lastStep is the last digit of a value counted in steps of the resolution:
// 65.4 at 0.1 gives 4. Half a step rounds away from zero.
func lastStep(value, resolution int64) int {
	if value < 0 {
		value = -value
	}
	steps := value / resolution
	if rest := value % resolution; rest >= resolution-rest {
		steps++
	}
	return int(steps % 10)
}

// Merge takes another roll-up in. It is associative and commutative, exactly.
func (r *ExactRollup) Merge(o *ExactRollup) {
	if o.N == 0 {
		return
	}
	if r.N == 0 {
		r.Min, r.Max = o.Min, o.Max
	}
	r.Min, r.Max = min(r.Min, o.Min), max(r.Max, o.Max)
	r.N += o.N
	r.Low += o.Low
	r.High += o.High
	for i, c := range o.Digits {
		r.Digits[i] += c
	}
	r.sum, r.squares = r.sum.plus(o.sum), r.squares.plus(o.squares)
	r.Sketch.Merge(o.Sketch)
}

// Mean in thousandths, rounded once; ok is false where there is no reading.
func (r *ExactRollup) Mean() (mean float64, ok bool) {
	if r.N == 0 {
		return 0, false
	}
	mean, _ = new(big.Rat).SetFrac(r.sum.big(), big.NewInt(r.N)).Float64()
	return mean, true
}

// Variance is the sample variance, (N·Σx² - (Σx)²) / (N(N-1)), in thousandths
// squared: exact integers, divided and rounded once. ok is false below two
// readings.
func (r *ExactRollup) Variance() (v float64, ok bool) {
	if r.N < 2 {
		return 0, false
	}
	n := big.NewInt(r.N)
	num := new(big.Int).Mul(n, r.squares.big())
	sum := r.sum.big()
	num.Sub(num, sum.Mul(sum, sum))
	den := new(big.Int).Mul(n, big.NewInt(r.N-1))
	v, _ = new(big.Rat).SetFrac(num, den).Float64()
	return v, true
}

// SD is the sample standard deviation in thousandths, right to the last digit
// but one; ok is false below two readings.
func (r *ExactRollup) SD() (sd float64, ok bool) {
	v, ok := r.Variance()
	return math.Sqrt(v), ok
}

// Quantile is the reading of rank floor(1 + q(N-1)) from 1, as [Sketch] tells
// it, never beyond the extremes.
func (r *ExactRollup) Quantile(q float64) (v int64, ok bool) {
	v, ok = r.Sketch.Quantile(q)
	if !ok {
		return 0, false
	}
	return min(max(v, r.Min), r.Max), true
}

// AppendBinary writes the roll-up; equal roll-ups have equal bytes.
func (r *ExactRollup) AppendBinary(b []byte) ([]byte, error) {
	b = binary.AppendUvarint(b, uint64(r.N))
	if r.N == 0 {
		return b, nil
	}
	b = binary.AppendVarint(b, r.Min)
	b = binary.AppendUvarint(b, uint64(r.Max-r.Min))
	b = binary.AppendUvarint(b, uint64(r.Low))
	b = binary.AppendUvarint(b, uint64(r.High))
	for _, s := range []int128{r.sum, r.squares} {
		b = binary.AppendVarint(b, s.hi)
		b = binary.AppendUvarint(b, s.lo)
	}
	var seen uint64
	for i, c := range r.Digits {
		if c > 0 {
			seen |= 1 << i
		}
	}
	b = binary.AppendUvarint(b, seen)
	for _, c := range r.Digits {
		if c > 0 {
			b = binary.AppendUvarint(b, uint64(c))
		}
	}
	return r.Sketch.AppendBinary(b)
}

// ReadExactRollup reads a roll-up that AppendBinary wrote and returns the bytes
// after it.
func ReadExactRollup(b []byte) (r ExactRollup, rest []byte, err error) {
	rest, err = r.Read(b)
	return r, rest, err
}

// Read is [ReadExactRollup] over what the roll-up held, whose memory it uses
// again.
func (r *ExactRollup) Read(b []byte) (rest []byte, err error) {
	in := reader{b: b}
	bins := r.Sketch.bins[:0]
	*r = ExactRollup{Sketch: Sketch{bins: bins}}
	if r.N = in.count(); r.N > 0 {
		r.Min = in.varint()
		r.Max = r.Min + in.count()
		r.Low, r.High = in.count(), in.count()
		for _, s := range []*int128{&r.sum, &r.squares} {
			s.hi, s.lo = in.varint(), in.uvarint()
		}
		seen := in.uvarint()
		for i := range r.Digits {
			if seen&(1<<i) != 0 {
				r.Digits[i] = in.count()
			}
		}
		r.Sketch = in.sketch(bins)
		if r.Max < r.Min || r.Sketch.N() != r.N {
			in.bad = true
		}
	}
	if in.bad {
		*r = ExactRollup{}
		return nil, errBytes
	}
	return in.b, nil
}

// int128 is a two's complement integer.
type int128 struct {
	hi int64
	lo uint64
}

func extend(v int64) int128 { return int128{v >> 63, uint64(v)} }

func square(v int64) int128 {
	u := uint64(v)
	if v < 0 {
		u = -u
	}
	hi, lo := bits.Mul64(u, u)
	return int128{int64(hi), lo}
}

func (a int128) plus(b int128) int128 {
	lo, carry := bits.Add64(a.lo, b.lo, 0)
	return int128{a.hi + b.hi + int64(carry), lo}
}

func (a int128) big() *big.Int {
	v := new(big.Int).Lsh(big.NewInt(a.hi), 64)
	return v.Add(v, new(big.Int).SetUint64(a.lo))
}
