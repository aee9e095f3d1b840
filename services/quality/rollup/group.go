// Package rollup answers: what do many builds come to?
//
// A [Group] is what the builds of one serving, at one place, in one period
// leave behind: how many there were of each grade, what was found, and a
// [stat.ExactRollup] for each check. Groups of hours merge into days, months,
// sites and the chain without rounding, so that a figure is the same whichever
// way it was added up. The package knows no SQL and no bus.
package rollup

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"slices"

	"samecup.example/samecup/internal/stat"
)

// Counts of builds. Builds is the sum of the five grades.
type Counts struct {
	Builds, InSpec, OffSpec, Unknown, Unsafe int64
	// Awaiting their release: they are counted, their readings not yet.
	Awaiting int64
	// Disputed builds have another verdict here than at their station.
	Disputed int64
}

// Add counts what another counted.
func (c *Counts) Add(o Counts) {
	c.Builds += o.Builds
	c.InSpec += o.InSpec
	c.OffSpec += o.OffSpec
	c.Unknown += o.Unknown
	c.Unsafe += o.Unsafe
	c.Awaiting += o.Awaiting
	c.Disputed += o.Disputed
}

// Group is what the builds of one cell leave behind. The zero value is empty.
type Group struct {
	Counts
	// Findings counts findings by their kind, such as "above_tolerance".
	Findings map[string]int64
	// Checks by id. Occurrences of a check, such as two pulls, count together.
	Checks map[string]*stat.ExactRollup
}

// Check finds or makes a check's roll-up.
func (g *Group) Check(id string) *stat.ExactRollup {
	c := g.Checks[id]
	if c == nil {
		if g.Checks == nil {
			g.Checks = make(map[string]*stat.ExactRollup)
		}
		c = new(stat.ExactRollup)
		g.Checks[id] = c
	}
	return c
}

// Found counts findings of a kind.
func (g *Group) Found(kind string, n int64) {
	if g.Findings == nil {
		g.Findings = make(map[string]int64)
	}
	g.Findings[kind] += n
}

// Merge takes another group in; the other is left as it was.
func (g *Group) Merge(o *Group) {
	g.Counts.Add(o.Counts)
	for kind, n := range o.Findings {
		g.Found(kind, n)
	}
	for id, c := range o.Checks {
		g.Check(id).Merge(c)
	}
}

// AppendDetail writes findings and checks; equal groups have equal bytes.
// Counts have columns of their own.
func (g *Group) AppendDetail(b []byte) ([]byte, error) {
	text := func(s string) {
		b = binary.AppendUvarint(b, uint64(len(s)))
		b = append(b, s...)
	}
	b = binary.AppendUvarint(b, uint64(len(g.Findings)))
	for _, kind := range slices.Sorted(maps.Keys(g.Findings)) {
		text(kind)
		b = binary.AppendUvarint(b, uint64(g.Findings[kind]))
	}
	var one []byte
	for _, id := range slices.Sorted(maps.Keys(g.Checks)) {
		var err error
		if one, err = g.Checks[id].AppendBinary(one[:0]); err != nil {
			return nil, fmt.Errorf("write check %q: %w", id, err)
		}
		text(id)
		// The length lets a reader pass over checks that it does not want.
		b = binary.AppendUvarint(b, uint64(len(one)))
		b = append(b, one...)
	}
	return b, nil
}

var errDetail = errors.New("a roll-up's detail is cut short; run samecup rollup rebuild")

// MergeDetail takes in what AppendDetail wrote. want picks checks by id; nil
// takes all.
func (g *Group) MergeDetail(b []byte, want func(check string) bool) error {
	bad := false
	number := func() uint64 {
		v, n := binary.Uvarint(b)
		if n <= 0 {
			b, bad = nil, true
			return 0
		}
		b = b[n:]
		return v
	}
	take := func() []byte {
		n := number()
		if n > uint64(len(b)) {
			b, bad = nil, true
			return nil
		}
		out := b[:n]
		b = b[n:]
		return out
	}
	for n := number(); n > 0 && !bad; n-- {
		kind := string(take())
		if times := number(); !bad {
			g.Found(kind, int64(times))
		}
	}
	var c stat.ExactRollup
	for len(b) > 0 && !bad {
		id, one := string(take()), take()
		if bad || want != nil && !want(id) {
			continue
		}
		rest, err := c.Read(one)
		if err != nil || len(rest) > 0 {
			return fmt.Errorf("check %q: %w", id, errors.Join(errDetail, err))
		}
		g.Check(id).Merge(&c)
	}
	if bad {
		return errDetail
	}
	return nil
}

// Difference says in words in which finding or check two groups first differ.
func Difference(stored, want *Group) string {
	for _, kind := range slices.Sorted(maps.Keys(union(stored.Findings, want.Findings))) {
		if a, b := stored.Findings[kind], want.Findings[kind]; a != b {
			return fmt.Sprintf("finding %s is stored %d times, from the builds %d", kind, a, b)
		}
	}
	for _, id := range slices.Sorted(maps.Keys(union(stored.Checks, want.Checks))) {
		a, b := stored.Checks[id], want.Checks[id]
		if a == nil || b == nil {
			return fmt.Sprintf("check %s is on one side alone", id)
		}
		one, err1 := a.AppendBinary(nil)
		two, err2 := b.AppendBinary(nil)
		if err1 != nil || err2 != nil || !bytes.Equal(one, two) {
			return fmt.Sprintf("check %s differs: stored n %d, from %d to %d; from the builds n %d, from %d to %d (thousandths)",
				id, a.N, a.Min, a.Max, b.N, b.Min, b.Max)
		}
	}
	return "the stored bytes differ"
}

func union[V any](a, b map[string]V) map[string]V {
	out := maps.Clone(a)
	if out == nil {
		out = make(map[string]V)
	}
	maps.Copy(out, b)
	return out
}
