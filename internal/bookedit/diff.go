package bookedit

import (
	"fmt"
	"maps"
	"slices"
)

// Difference is a field that is not the same in two versions of a book. A part
// that only one of them has is one difference.
type Difference struct {
	File string
	// Path is empty where the whole file came or went, or cannot be read.
	Path string
	// Old and New are YAML on one line, empty where there was or is nothing;
	// for a whole file they are its source.
	Old, New string

	path Path
}

// String names the field: "drinks/latte.yaml servings[size=medium].vessel".
func (d Difference) String() string {
	if d.Path == "" {
		return d.File
	}
	return d.File + " " + d.Path
}

// Diff names the fields in which two versions of a book differ, by file and in
// the file's order. Files are compared by value: comments are no difference. A
// keyed list in another order is a difference of the list.
func Diff(old, now map[string][]byte) []Difference {
	var out []Difference
	names := slices.Sorted(maps.Keys(old))
	for name := range now {
		if _, ok := old[name]; !ok {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	for _, name := range names {
		a, inOld := old[name]
		b, inNew := now[name]
		if inOld && inNew && string(a) == string(b) {
			continue
		}
		x, errX := Open(a)
		y, errY := Open(b)
		if !inOld || !inNew || errX != nil || errY != nil {
			out = append(out, Difference{File: name, Old: string(a), New: string(b)})
			continue
		}
		df := differ{file: name, x: x, y: y}
		df.nodes(nil, x.root, y.root)
		out = append(out, df.out...)
	}
	return out
}

type differ struct {
	file string
	x, y *Document
	out  []Difference
}

func (d *differ) add(p Path, a, b *node) {
	diff := Difference{File: d.file, Path: p.String(), path: p}
	if a != nil {
		diff.Old = d.x.valueOf(a)
	}
	if b != nil {
		diff.New = d.y.valueOf(b)
	}
	d.out = append(d.out, diff)
}

func (d *differ) nodes(p Path, a, b *node) {
	if same(a, b, true) {
		return
	}
	name := ""
	if len(p) > 0 && p[len(p)-1].Kind == Key {
		name = p[len(p)-1].Name
	}
	switch {
	case a.kind == dict && b.kind == dict && len(a.items)*len(b.items) > 0:
	case a.kind == list && b.kind == list && len(a.items)*len(b.items) > 0 && aligned(name, a, b):
	default:
		d.add(p, a, b)
		return
	}
	// Entries pair by what names them in both versions.
	where := func(n *node) map[Segment]int {
		at := map[Segment]int{}
		for i := range n.items {
			at[n.segment(i, p)] = i
		}
		return at
	}
	inA, inB := where(a), where(b)
	last, moved := -1, false
	for i := range a.items {
		s := a.segment(i, p)
		j, ok := inB[s]
		if !ok {
			d.add(p.with(s), a.items[i], nil)
			continue
		}
		moved = moved || j < last
		last = j
		d.nodes(p.with(s), a.items[i], b.items[j])
	}
	for j := range b.items {
		if s := b.segment(j, p); !has(inA, s) {
			d.add(p.with(s), nil, b.items[j])
		}
	}
	if moved && len(p) > 0 {
		d.add(p, a, b)
	}
}

func has(m map[Segment]int, s Segment) bool { _, ok := m[s]; return ok }

// aligned is true where the elements of two lists can be told apart in both, or
// the lists are of one length; else they are compared as a whole.
func aligned(name string, a, b *node) bool {
	at := Path{{Kind: Key, Name: name}}
	for _, n := range []*node{a, b} {
		for i := range n.items {
			if n.segment(i, at).Kind == Index {
				return len(a.items) == len(b.items)
			}
		}
	}
	return true
}

// Change is a field that one of two edited versions, or both, changed.
type Change struct {
	File, Path string
	// Base, A and B are the values in the three versions, as in Difference.
	Base, A, B string
	// InA and InB say who changed it. Conflict is true when both did and do not
	// agree.
	InA, InB, Conflict bool
}

// Changed compares two versions that were made from one base and names the
// fields that each changed. A change inside a part that the other side removed
// or wrote anew is a conflict of that part.
func Changed(base, a, b map[string][]byte) []Change {
	var out []Change
	add := func(c Change) {
		for i := range out {
			if o := &out[i]; o.File == c.File && o.Path == c.Path {
				o.InA, o.InB = o.InA || c.InA, o.InB || c.InB
				o.Conflict = o.Conflict || c.Conflict || o.InA && o.InB && !sameFileValue(o.Path, o.A, o.B)
				return
			}
		}
		out = append(out, c)
	}
	value := func(files map[string][]byte, d Difference) string {
		if d.Path == "" {
			return string(files[d.File])
		}
		return valueAt(files[d.File], d.path)
	}
	inA, inB := Diff(base, a), Diff(base, b)
	for i, side := range [][]Difference{inA, inB} {
		for _, d := range side {
			c := Change{File: d.File, Path: d.Path, Base: d.Old, A: value(a, d), B: value(b, d), InA: i == 0, InB: i == 1}
			// The other side may have changed something around or inside it.
			for _, o := range [][]Difference{inB, inA}[i] {
				if o.File != d.File || !d.path.Overlaps(o.path) {
					continue
				}
				c.InA, c.InB = true, true
				wide := d
				if len(o.path) < len(d.path) {
					wide = o
				}
				c.Conflict = c.Conflict || !sameFileValue(wide.Path, value(a, wide), value(b, wide))
			}
			add(c)
		}
	}
	return out
}

func sameFileValue(path, a, b string) bool {
	if path == "" {
		return a == b
	}
	return SameValue(a, b)
}

func valueAt(src []byte, p Path) string {
	d, err := Open(src)
	if err != nil {
		return ""
	}
	v, _, _ := d.Get(p)
	return v
}

// Differing names the fields that saving mine over stored would undo or
// overwrite: others changed them since base, and mine does not have their value.
// Nothing is named where mine holds all that others did.
func Differing(stored, base, mine map[string][]byte) []string {
	var out []string
	for _, d := range Diff(base, stored) {
		theirs, ours := d.New, string(mine[d.File])
		if d.Path != "" {
			ours = valueAt(mine[d.File], d.path)
		}
		if sameFileValue(d.Path, theirs, ours) {
			continue
		}
		out = append(out, fmt.Sprint(d))
	}
	return out
}
