package bookedit

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// splice replaces src[from:to].
type splice struct {
	from, to int
	text     string
}

var errComment = errors.New("a comment stands in the way; edit the file as a whole")

// Set changes one field; see the function Set. What it writes carries the tag,
// which Fields gives back; what it leaves keeps its own.
func (d *Document) Set(p Path, value, tag string) (*Document, error) {
	out, err := d.set(p, value, tag)
	if err != nil {
		// A walk's errors begin with the path as far as it leads.
		return nil, fmt.Errorf("cannot set %s: %w", p, err)
	}
	return out, nil
}

func (d *Document) set(p Path, value, tag string) (*Document, error) {
	if len(p) == 0 {
		return nil, errors.New("an empty path names the whole file")
	}
	f, err := d.walk(p)
	if err != nil {
		return nil, err
	}
	if strings.TrimSpace(value) == "" {
		if len(f.rest) > 0 {
			return nil, errors.New("there is nothing to remove")
		}
		return d.remove(f, p, tag)
	}
	v, err := Open([]byte(value))
	if err != nil {
		return nil, fmt.Errorf("value %q: %w", clip(value), err)
	}
	if v.root.kind == null && v.root.start == v.root.end {
		return nil, fmt.Errorf("value %q: holds nothing but a comment; an empty value removes", clip(value))
	}
	v.root = v.root.clone()
	v.root.setTag(tag)
	if len(f.rest) == 0 {
		return d.replace(f.chain, f.n, v.root, v.forms())
	}
	return d.insert(f, v, tag)
}

func (n *node) setTag(tag string) {
	n.tag = tag
	for _, item := range n.items {
		item.setTag(tag)
	}
}

// forms are the ways to write a value on one line, the writer's own first.
func (d *Document) forms() []string {
	rendered := d.render(d.root)
	if raw := d.src[d.root.start:d.root.end]; raw != "" && !strings.ContainsAny(raw, "\r\n") {
		return []string{raw, rendered}
	}
	return []string{rendered}
}

// insert writes what the path names but the file does not have.
func (d *Document) insert(f found, v *Document, tag string) (*Document, error) {
	value, forms := v.root, v.forms()
	wrap := func(s Segment) {
		inner := value
		value = &node{kind: dict, tag: tag}
		for i := range forms {
			if s.Kind == Append {
				value.kind = list
				forms[i] = "[" + forms[i] + "]"
			} else {
				forms[i] = "{" + renderText(s.Name) + ": " + forms[i] + "}"
			}
		}
		value.add(s.Name, 0, 0, inner)
	}
	for _, s := range slices.Backward(f.rest[1:]) {
		if s.Kind != Key && s.Kind != Append {
			return nil, fmt.Errorf("%s names an element of a list that is not there; set the list first", f.rest)
		}
		wrap(s)
	}
	first := f.rest[0]
	switch {
	case f.n.kind == scalar: // a word in a list of words and mappings
		key := scalarKeys[f.list]
		grown := &node{kind: dict, tag: f.n.tag}
		grown.add(key, 0, 0, f.n.clone())
		grown.add(first.Name, 0, 0, value)
		for i := range forms {
			forms[i] = fmt.Sprintf("{%s: %s, %s: %s}", key, d.render(f.n), renderText(first.Name), forms[i])
		}
		return d.replace(f.chain, f.n, grown, forms)
	case f.n.kind == null:
		wrap(first)
		return d.replace(f.chain, f.n, value, forms)
	}
	expected := d.root.clone()
	expected.at(f.chain).add(first.Name, 0, 0, value)
	prefix := ""
	if first.Kind == Key {
		prefix = renderText(first.Name) + ": "
	}
	return d.try(expected, forms, func(form string) splice { return d.adding(f.n, prefix+form) })
}

// adding puts an entry behind the last of a collection.
func (d *Document) adding(n *node, entry string) splice {
	s := newSource(d.src)
	last := len(n.items) - 1
	if n.flow {
		if last < 0 {
			return splice{n.start + 1, n.start + 1, entry}
		}
		at := n.entryEnd(last)
		return splice{at, at, ", " + entry}
	}
	if last < 0 { // the root of an empty file
		return splice{n.end, n.end, entry + "\n"}
	}
	if n.kind == list {
		entry = "- " + entry
	}
	column := len([]rune(d.src[s.lineStart(n.starts[0]):n.starts[0]]))
	at := s.lineEnd(n.entryEnd(last))
	return splice{at, at, d.lineBreak() + strings.Repeat(" ", column) + entry}
}

func (d *Document) lineBreak() string {
	if strings.Contains(d.src, "\r\n") {
		return "\r\n"
	}
	return "\n"
}

func (n *node) entryEnd(i int) int { return max(n.items[i].end, n.after[i]) }

func (n *node) at(chain []int) *node {
	for _, i := range chain {
		n = n.items[i]
	}
	return n
}

// replace writes a value in the place of another; nothing is written where they
// are the same.
func (d *Document) replace(chain []int, old, value *node, forms []string) (*Document, error) {
	expected := d.root.clone()
	at := expected.at(chain)
	if same(old, value, true) {
		at.setTag(value.tag)
		return &Document{d.src, expected}, nil
	}
	*at = *value
	return d.try(expected, forms, func(form string) splice { return d.over(chain, old, form) })
}

// over writes one line over a value.
func (d *Document) over(chain []int, old *node, form string) splice {
	s := newSource(d.src)
	after := 0
	if len(chain) > 0 {
		parent := d.root.at(chain[:len(chain)-1])
		if !parent.flow || parent.kind == dict {
			after = parent.after[chain[len(chain)-1]]
		}
	}
	block := !old.flow && (old.kind == list || old.kind == dict)
	switch {
	case old.kind == null && old.start == old.end && after > 0:
		return splice{after, after, " " + form}
	case block && s.lineOf(old.start) > s.lineOf(after) && after > 0:
		// What is between the key and the first entry, such as a comment, stays.
		return splice{after, s.lineEnd(old.end), " " + form + strings.TrimRight(d.src[after:s.lineStart(old.start)], "\r\n")}
	}
	return splice{old.start, old.end, form}
}

// remove takes an entry out of its collection.
func (d *Document) remove(f found, p Path, tag string) (*Document, error) {
	if len(f.chain) == 0 {
		return nil, errors.New("the whole file cannot be removed by field")
	}
	if f.n.kind == scalar && f.list != "" && p[len(p)-1].Kind == Key {
		return nil, fmt.Errorf("this is what the element of %s is; remove the element", f.list)
	}
	chain, i := f.chain[:len(f.chain)-1], f.chain[len(f.chain)-1]
	parent := d.root.at(chain)
	if len(parent.items) == 1 {
		// An empty collection is not the same as none: [] declares that an
		// ingredient has no allergens.
		empty := &node{kind: parent.kind, tag: tag}
		form := "{}"
		if parent.kind == list {
			form = "[]"
		}
		return d.replace(chain, parent, empty, []string{form})
	}
	expected := d.root.clone()
	at := expected.at(chain)
	at.items = slices.Delete(at.items, i, i+1)
	if at.kind == dict {
		at.names = slices.Delete(at.names, i, i+1)
	}
	cut, err := d.cutting(parent, i)
	if err != nil {
		return nil, err
	}
	return d.try(expected, []string{""}, func(string) splice { return cut })
}

// cutting is the splice that takes out entry i, with the comment on its line.
func (d *Document) cutting(n *node, i int) (splice, error) {
	s := newSource(d.src)
	clear := func(from, to int) bool { return !strings.Contains(d.src[from:to], "#") }
	from, end := n.starts[i], n.entryEnd(i)
	if n.flow && i > 0 {
		before := n.entryEnd(i - 1)
		if !clear(before, from) {
			return splice{}, errComment
		}
		return splice{before, end, ""}, nil
	}
	line := s.lineStart(from)
	if !n.flow && strings.TrimSpace(d.src[line:from]) == "" {
		return splice{line, s.nextLine(end), ""}, nil
	}
	if i+1 >= len(n.items) {
		return splice{}, errPlace
	}
	next := n.starts[i+1]
	gap := end
	if !n.flow {
		gap = min(s.nextLine(end), next)
	}
	if !clear(gap, next) {
		return splice{}, errComment
	}
	return splice{from, next, ""}, nil
}

// try splices the first form that, read again, gives what is expected.
func (d *Document) try(expected *node, forms []string, at func(form string) splice) (*Document, error) {
	for _, form := range forms {
		cut := at(form)
		src := d.src[:cut.from] + cut.text + d.src[cut.to:]
		root, err := parseTree([]byte(src))
		if err == nil && same(root, expected, true) {
			root.takeTags(expected)
			return &Document{src, root}, nil
		}
	}
	return nil, errors.New("the edit would change more than this field; edit the file as a whole")
}

func (n *node) takeTags(from *node) {
	n.tag = from.tag
	for i := range n.items {
		n.items[i].takeTags(from.items[i])
	}
}
