package drink

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// maxProblems bounds the report; a file of garbage needs no more.
const maxProblems = 200

// reader collects problems and the lines of what was read.
type reader struct {
	problems Problems
	// lines finds "file|field" of a resolved book in the source.
	lines map[string]int
}

func (r *reader) report(p Problem) {
	if len(r.problems) < maxProblems {
		p.Value = clip(p.Value)
		r.problems = append(r.problems, p)
	}
}

func (r *reader) mark(file, field string, line int) { r.lines[file+"|"+field] = line }

// cursor is a node with the place it stands at.
type cursor struct {
	r           *reader
	file, field string
	n           *node
}

func (c cursor) fail(fault, allowed, mend string) {
	c.r.report(Problem{Level: Error, File: c.file, Line: c.n.line, Field: c.field, Value: c.n.text, Fault: fault, Allowed: allowed, Mend: mend})
}

func (c cursor) child(field string, n *node) cursor {
	if c.field != "" && !strings.HasPrefix(field, "[") {
		field = "." + field
	}
	return cursor{c.r, c.file, c.field + field, n}
}

// pair is one entry of a mapping.
type pair struct {
	key string
	at  cursor
}

// pairs reads a mapping in file order; a key that stands twice is an error.
func (c cursor) pairs() []pair {
	switch c.n.kind {
	case nullNode:
		return nil
	case dictNode:
	default:
		c.fail("is not a mapping", "", `write "key: value" lines`)
		return nil
	}
	seen := make(map[string]bool, len(c.n.keys))
	var out []pair
	for i, key := range c.n.keys {
		at := c.child(clip(key), c.n.items[i])
		if seen[key] {
			c.r.report(Problem{Level: Error, File: c.file, Line: at.n.line, Field: at.field, Fault: "stands twice", Mend: "keep one of the two"})
			continue
		}
		seen[key] = true
		out = append(out, pair{key, at})
	}
	return out
}

// fields reads a mapping whose keys are known; any other key is an error.
func (c cursor) fields(allowed ...string) map[string]cursor {
	out := make(map[string]cursor, len(allowed))
	for _, p := range c.pairs() {
		if !slices.Contains(allowed, p.key) {
			mend := "remove it or correct its name"
			if near := nearest(p.key, allowed); near != "" {
				mend = fmt.Sprintf("did you mean %q?", near)
			}
			c.r.report(Problem{Level: Error, File: c.file, Line: p.at.n.line, Field: p.at.field, Fault: "is not a field here",
				Allowed: strings.Join(allowed, ", "), Mend: mend})
			continue
		}
		out[p.key] = p.at
	}
	return out
}

// need returns the field, reporting it when it is missing.
func (c cursor) need(fields map[string]cursor, key, like string) (cursor, bool) {
	at, ok := fields[key]
	if !ok || at.n.kind == nullNode {
		c.r.report(Problem{Level: Error, File: c.file, Line: c.n.line, Field: c.child(key, c.n).field, Fault: "is missing", Mend: fmt.Sprintf("write %s", like)})
		return cursor{}, false
	}
	return at, true
}

func (c cursor) list(most int) []cursor {
	switch c.n.kind {
	case nullNode:
		return nil
	case listNode:
	default:
		c.fail("is not a list", "", `write "[a, b]" or lines that begin with "- "`)
		return nil
	}
	if len(c.n.items) > most {
		c.fail(fmt.Sprintf("has %d entries", len(c.n.items)), fmt.Sprintf("at most %d", most), "split or shorten it")
		return nil
	}
	out := make([]cursor, len(c.n.items))
	for i, n := range c.n.items {
		out[i] = c.child("["+strconv.Itoa(i)+"]", n)
	}
	return out
}

// maxText bounds one text, bytes.
const maxText = 2000

func (c cursor) text() string {
	if c.n.kind != scalarNode || strings.TrimSpace(c.n.text) == "" {
		c.fail("is not a text", "", "write a word or a sentence")
		return ""
	}
	if len(c.n.text) > maxText {
		c.fail("is too long", fmt.Sprintf("%d bytes", maxText), "shorten it")
		return ""
	}
	// Control characters would let a book rewrite the terminal that shows it.
	if strings.ContainsFunc(c.n.text, func(r rune) bool { return r < ' ' && r != '\n' && r != '\t' || r >= 0x7f && r < 0xa0 }) {
		c.fail("holds control characters", "", "write plain text")
		return ""
	}
	return strings.Join(strings.Fields(c.n.text), " ")
}

func (c cursor) texts() []string {
	var out []string
	for _, item := range c.list(64) {
		if s := item.text(); s != "" {
			out = append(out, s)
		}
	}
	return out
}

// maxSlug bounds an ID, bytes.
const maxSlug = 64

func isSlug(s string, underscore bool) bool {
	if s == "" || len(s) > maxSlug {
		return false
	}
	for _, r := range s {
		if !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' || underscore && r == '_') {
			return false
		}
	}
	return true
}

func (c cursor) slug() string {
	if c.n.kind != scalarNode || !isSlug(c.n.text, false) {
		c.fail("is not an id", "a-z, 0-9 and -, at most 64", `write it like "flat-white"`)
		return ""
	}
	return c.n.text
}

// code is an ID that may hold underscores: checks and steps.
func (c cursor) code() string {
	if c.n.kind != scalarNode || !isSlug(c.n.text, true) {
		c.fail("is not an id", "a-z, 0-9, - and _, at most 64", `write it like "pour_height_end"`)
		return ""
	}
	return c.n.text
}

func (c cursor) word(allowed []string) string {
	if c.n.kind != scalarNode || !slices.Contains(allowed, c.n.text) {
		mend := "write one of these"
		if near := nearest(c.n.text, allowed); near != "" {
			mend = fmt.Sprintf("did you mean %q?", near)
		}
		c.fail("is unknown", strings.Join(allowed, ", "), mend)
		return ""
	}
	return c.n.text
}

func (c cursor) boolean() bool { return c.word([]string{"true", "false"}) == "true" }

func (c cursor) integer(least, most int) int {
	v, err := strconv.Atoi(c.n.text)
	if c.n.kind != scalarNode || err != nil || v < least || v > most {
		c.fail("is not such a whole number", fmt.Sprintf("%d to %d", least, most), "write a whole number")
		return 0
	}
	return v
}

// measured runs one of the quantity parsers and reports its error.
func (c cursor) measured(parse func(string) (Milli, error)) (Milli, bool) {
	if c.n.kind != scalarNode {
		c.fail("is not a quantity", "", `write a number with its unit, like "18 g"`)
		return 0, false
	}
	m, err := parse(c.n.text)
	if q, ok := errors.AsType[*QuantityError](err); ok {
		c.fail(q.Fault, q.Allowed, q.Mend)
		return 0, false
	}
	return m, err == nil
}

func (c cursor) quantity(unit Unit) (Milli, bool) {
	return c.measured(func(s string) (Milli, error) { return ParseQuantity(s, unit) })
}

func (c cursor) difference(unit Unit) (Milli, bool) {
	return c.measured(func(s string) (Milli, error) { return ParseDifference(s, unit) })
}

func (c cursor) ratio() (Milli, bool) { return c.measured(parseRatio) }

// nearest finds the allowed word that was likely meant, within two letters.
func nearest(s string, allowed []string) string {
	if len(s) > maxSlug {
		return ""
	}
	best, bestDistance := "", 3
	for _, a := range allowed {
		if d := distance(s, a); d < bestDistance {
			best, bestDistance = a, d
		}
	}
	return best
}

// distance is the number of letters to insert, delete or replace.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}
