package bookedit

import (
	"fmt"
	"strconv"
	"strings"
)

// Limits on a path; the deepest field of a book has seven segments.
const (
	maxPathBytes = 1024
	maxSegments  = 32
	maxDigits    = 6
)

// SegmentKind says how a segment chooses.
type SegmentKind uint8

const (
	// Key chooses a mapping's entry by its name.
	Key SegmentKind = iota + 1
	// Index chooses a list's element by its place, from 0.
	Index
	// Match chooses the one element of a list that has Name: Value.
	Match
	// Append is the place behind a list's last element; it ends a path.
	Append
)

// Segment is one step of a path.
type Segment struct {
	Kind SegmentKind
	// Name is the key of Key and of Match, Value what Match compares with.
	Name, Value string
	Index       int
}

// Path leads from a file's root to a field.
type Path []Segment

// Parse reads a path such as servings[size=medium].milks[0].amount. Names and
// values are letters, digits, "_" and "-" (values also "."), or a quoted string
// with Go's escapes.
func Parse(text string) (Path, error) {
	fail := func(at int, fault string) (Path, error) {
		return nil, fmt.Errorf("path %q: at byte %d: %s; write it like servings[size=medium].checks.milk_temp.target", clip(text), at, fault)
	}
	if len(text) > maxPathBytes {
		return fail(maxPathBytes, fmt.Sprintf("is longer than %d bytes", maxPathBytes))
	}
	var out Path
	rest := text
	at := func() int { return len(text) - len(rest) }
	for rest != "" {
		if len(out) >= maxSegments {
			return fail(at(), fmt.Sprintf("has more than %d segments", maxSegments))
		}
		if len(out) > 0 && out[len(out)-1].Kind == Append {
			return fail(at(), "goes on after [+], which ends a path")
		}
		if rest[0] == '[' {
			seg, left, fault := parseSelector(rest[1:])
			if fault != "" {
				return fail(at()+1, fault)
			}
			out, rest = append(out, seg), left
			continue
		}
		if len(out) > 0 {
			if rest[0] != '.' {
				return fail(at(), `needs "." or "[" here`)
			}
			rest = rest[1:]
		}
		name, left, ok := parseWord(rest, false)
		if !ok {
			return fail(at(), "needs a field's name here")
		}
		out, rest = append(out, Segment{Kind: Key, Name: name}), left
	}
	if len(out) == 0 {
		return fail(0, "is empty")
	}
	return out, nil
}

// parseSelector reads what stands between brackets, the first one taken.
func parseSelector(s string) (seg Segment, rest, fault string) {
	if left, ok := strings.CutPrefix(s, "+]"); ok {
		return Segment{Kind: Append}, left, ""
	}
	name, left, ok := parseWord(s, false)
	if !ok {
		return seg, "", `needs an index, key=value or "+" in the brackets`
	}
	if after, found := strings.CutPrefix(left, "]"); found {
		if n, err := strconv.Atoi(name); err == nil && len(name) <= maxDigits && strconv.Itoa(n) == name && n >= 0 && s[0] != '"' {
			return Segment{Kind: Index, Index: n}, after, ""
		}
		return seg, "", "has brackets with neither an index nor key=value"
	}
	left, ok = strings.CutPrefix(left, "=")
	if !ok {
		return seg, "", `needs "=" or "]" after the key in the brackets`
	}
	value, left, ok := parseWord(left, true)
	if !ok {
		return seg, "", `needs a value after "="; quote one with other letters`
	}
	left, ok = strings.CutPrefix(left, "]")
	if !ok {
		return seg, "", `needs "]" after the value; quote one with other letters`
	}
	return Segment{Kind: Match, Name: name, Value: value}, left, ""
}

func bare(r byte, value bool) bool {
	return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '_' || r == '-' || value && r == '.'
}

func parseWord(s string, value bool) (word, rest string, ok bool) {
	if strings.HasPrefix(s, `"`) {
		quoted, err := strconv.QuotedPrefix(s)
		if err != nil {
			return "", "", false
		}
		word, err = strconv.Unquote(quoted)
		return word, s[len(quoted):], err == nil
	}
	n := 0
	for n < len(s) && bare(s[n], value) {
		n++
	}
	return s[:n], s[n:], n > 0
}

func writeWord(w *strings.Builder, s string, value bool) {
	for i := range len(s) {
		if !bare(s[i], value) {
			w.WriteString(strconv.Quote(s))
			return
		}
	}
	if s == "" {
		s = `""`
	}
	w.WriteString(s)
}

// String writes the path as Parse reads it.
func (p Path) String() string {
	var w strings.Builder
	for i, s := range p {
		switch s.Kind {
		case Key:
			if i > 0 {
				w.WriteByte('.')
			}
			writeWord(&w, s.Name, false)
		case Index:
			fmt.Fprintf(&w, "[%d]", s.Index)
		case Match:
			w.WriteByte('[')
			writeWord(&w, s.Name, false)
			w.WriteByte('=')
			writeWord(&w, s.Value, true)
			w.WriteByte(']')
		case Append:
			w.WriteString("[+]")
		}
	}
	return w.String()
}

// Contains is true when q lies at p or below it, read segment by segment: the
// same element named in two ways is not seen.
func (p Path) Contains(q Path) bool {
	if len(q) < len(p) {
		return false
	}
	for i := range p {
		if p[i] != q[i] {
			return false
		}
	}
	return true
}

// Overlaps is true when one of the two lies at the other or below it.
func (p Path) Overlaps(q Path) bool { return p.Contains(q) || q.Contains(p) }

// with is the path with a segment more, sharing no memory.
func (p Path) with(s Segment) Path {
	return append(p[:len(p):len(p)], s)
}

// clip bounds a text in a message.
func clip(s string) string {
	const most = 80
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}
