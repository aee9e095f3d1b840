package stat

import (
	"encoding/binary"
	"errors"
	"math/bits"
	"slices"
)

const (
	// SketchExact is the most different values that a [Sketch] keeps as they
	// are. Readings at a bar fall on the steps of an instrument, so nearly every
	// sketch stays below it, even one of a chain and a year.
	SketchExact = 256
	// SketchError bounds the relative error of a quantile of a sketch that saw
	// more different values than SketchExact.
	SketchError = 1.0 / (1 << sketchBits)

	sketchBits = 10
)

// Sketch counts integer values so that quantiles can be told and sketches be
// merged. With at most [SketchExact] different values it is exact: a quantile
// is the order statistic. With more it keeps the ten leading bits of each
// value, and |told - true| <= SketchError x |true| for every quantile.
//
// Which of the two it is depends on the values alone, never on the order in
// which they came or were merged, and all is integer arithmetic: equal values
// give equal sketches to the bit on every machine.
//
// The rank of quantile q and the guarantee are Definition 1 (q-quantile) and
// Definition 2 (alpha-accurate) of Masson, Rim and Lee, "DDSketch: a fast and
// fully-mergeable quantile sketch with relative-error guarantees", PVLDB 12
// (2019) 2195-2205. Their buckets grow by a fixed factor, ours by steps within
// each power of two, so that no logarithm is taken; the bound holds the same.
//
// The zero value is empty.
type Sketch struct {
	rounded bool
	bins    []bin // by rising value
}

type bin struct{ value, count int64 }

// leading drops all but the ten leading bits of the magnitude.
func leading(v int64) int64 {
	u := uint64(v)
	if v < 0 {
		u = -u
	}
	if drop := bits.Len64(u) - sketchBits; drop > 0 {
		u = u >> drop << drop
	}
	if v < 0 {
		return -int64(u)
	}
	return int64(u)
}

// middle is the middle of the values that share these leading bits.
func middle(v int64) int64 {
	u := uint64(v)
	if v < 0 {
		u = -u
	}
	if drop := bits.Len64(u) - sketchBits; drop > 0 {
		u += (1<<drop - 1) / 2
	}
	if v < 0 {
		return -int64(u)
	}
	return int64(u)
}

// Add counts one value.
func (s *Sketch) Add(v int64) {
	if s.rounded {
		v = leading(v)
	}
	i, found := slices.BinarySearchFunc(s.bins, v, func(b bin, v int64) int {
		switch {
		case b.value < v:
			return -1
		case b.value > v:
			return 1
		}
		return 0
	})
	if found {
		s.bins[i].count++
		return
	}
	s.bins = slices.Insert(s.bins, i, bin{v, 1})
	s.settle()
}

// Merge counts all that another sketch counted.
func (s *Sketch) Merge(o Sketch) {
	if len(o.bins) == 0 {
		return
	}
	if o.rounded {
		s.round()
	} else if s.rounded {
		o = Sketch{bins: slices.Clone(o.bins)}
		o.round()
	}
	// Mostly both hold the same steps of one scale: then nothing moves.
	fresh := 0
	for i, j := 0, 0; j < len(o.bins); j++ {
		for i < len(s.bins) && s.bins[i].value < o.bins[j].value {
			i++
		}
		if i == len(s.bins) || s.bins[i].value != o.bins[j].value {
			fresh++
		}
	}
	// From the back, so that each bin is moved once and none is overwritten.
	i, j := len(s.bins)-1, len(o.bins)-1
	s.bins = slices.Grow(s.bins, fresh)[:len(s.bins)+fresh]
	for k := len(s.bins) - 1; j >= 0; k-- {
		switch {
		case i < 0 || s.bins[i].value < o.bins[j].value:
			s.bins[k] = o.bins[j]
			j--
		case s.bins[i].value == o.bins[j].value:
			s.bins[k] = bin{s.bins[i].value, s.bins[i].count + o.bins[j].count}
			i, j = i-1, j-1
		default:
			s.bins[k] = s.bins[i]
			i--
		}
	}
	s.settle()
}

// settle goes over to leading bits once there are too many different values.
// More values never make fewer different ones, so whether that happens somewhere
// on the way depends on the whole alone.
func (s *Sketch) settle() {
	if !s.rounded && len(s.bins) > SketchExact {
		s.round()
	}
}

func (s *Sketch) round() {
	if s.rounded {
		return
	}
	s.rounded = true
	out := s.bins[:0]
	for _, b := range s.bins {
		b.value = leading(b.value)
		if n := len(out); n > 0 && out[n-1].value == b.value {
			out[n-1].count += b.count
			continue
		}
		out = append(out, b)
	}
	s.bins = out
}

// Exact tells whether quantiles are order statistics.
func (s Sketch) Exact() bool { return !s.rounded }

// N is how many values were counted.
func (s Sketch) N() int64 {
	var n int64
	for _, b := range s.bins {
		n += b.count
	}
	return n
}

// Quantile is the value of rank floor(1 + q(n-1)), counted from 1, for q from 0
// to 1; ok is false where nothing was counted or q lies outside.
func (s Sketch) Quantile(q float64) (v int64, ok bool) {
	n := s.N()
	if n == 0 || !(q >= 0 && q <= 1) {
		return 0, false
	}
	rank := min(int64(q*float64(n-1)), n-1)
	for _, b := range s.bins {
		if rank -= b.count; rank < 0 {
			if s.rounded {
				return middle(b.value), true
			}
			return b.value, true
		}
	}
	return 0, false
}

// AppendBinary writes the sketch; equal sketches have equal bytes.
func (s Sketch) AppendBinary(b []byte) ([]byte, error) {
	head := uint64(len(s.bins)) << 1
	if s.rounded {
		head |= 1
	}
	b = binary.AppendUvarint(b, head)
	var last int64
	for i, e := range s.bins {
		if i == 0 {
			b = binary.AppendVarint(b, e.value)
		} else {
			b = binary.AppendUvarint(b, uint64(e.value-last))
		}
		b = binary.AppendUvarint(b, uint64(e.count))
		last = e.value
	}
	return b, nil
}

var errBytes = errors.New("stat: bytes that hold no roll-up: they are cut short or out of order; rebuild it from its builds")

// reader reads varints and remembers that something was wrong.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) uvarint() uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.bad, r.b = true, nil
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *reader) varint() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.bad, r.b = true, nil
		return 0
	}
	r.b = r.b[n:]
	return v
}

// count reads a number that is not negative.
func (r *reader) count() int64 {
	v := r.uvarint()
	if v > 1<<62 {
		r.bad = true
	}
	return int64(v)
}

// sketch reads into bins where they are large enough.
func (r *reader) sketch(bins []bin) Sketch {
	head := r.uvarint()
	s := Sketch{rounded: head&1 == 1}
	// Two bytes a bin at least: what the bytes cannot hold is not allocated.
	if head>>1 > uint64(len(r.b)/2) || !s.rounded && head>>1 > SketchExact {
		r.bad = true
		return Sketch{}
	}
	if head>>1 == 0 {
		return s
	}
	s.bins = slices.Grow(bins[:0], int(head>>1))[:head>>1]
	for i := range s.bins {
		e := &s.bins[i]
		if i == 0 {
			e.value = r.varint()
		} else {
			step := r.uvarint()
			e.value = s.bins[i-1].value + int64(step)
			if step == 0 || e.value <= s.bins[i-1].value {
				r.bad = true
			}
		}
		if e.count = r.count(); e.count == 0 || s.rounded && leading(e.value) != e.value {
			r.bad = true
		}
	}
	return s
}
