package bookedit

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Document is one file of a book, opened for edits. It is not changed: Set
// gives a new one.
type Document struct {
	src  string
	root *node
}

// Open reads a file. The error says at which line it cannot be read.
func Open(src []byte) (*Document, error) {
	root, err := parseTree(src)
	if err != nil {
		return nil, err
	}
	return &Document{string(src), root}, nil
}

// Bytes is the document's source.
func (d *Document) Bytes() []byte { return []byte(d.src) }

// scalarKeys are the lists whose element may be a plain word instead of a
// mapping, with the key that the word then stands for (docs/book.md).
var scalarKeys = map[string]string{"milks": "milk", "steps": "act"}

// found is how far a path leads.
type found struct {
	// chain holds the place of each entry from the root; n is what it leads to.
	chain []int
	n     *node
	// list is the name of the list that n is an element of, if any.
	list string
	// rest is what is left of the path where n has nothing of that name.
	rest Path
}

// walk follows a path as far as it leads; an error where it leads nowhere.
func (d *Document) walk(p Path) (found, error) {
	f := found{n: d.root}
	name := ""
	for i, s := range p {
		element := f.list
		fail := func(format string, args ...any) (found, error) {
			return f, fmt.Errorf("%s: %s", p[:i+1], fmt.Sprintf(format, args...))
		}
		switch s.Kind {
		case Key:
			if f.n.kind == scalar && element != "" && scalarKeys[element] == s.Name {
				if i+1 < len(p) {
					return fail("is a single value, with nothing inside")
				}
				return f, nil
			}
			if f.n.kind == scalar && scalarKeys[element] == "" || f.n.kind == list {
				return fail("is not a field: what it is looked for in is %s", kindWords[f.n.kind])
			}
			at := f.n.child(s.Name)
			if at < 0 {
				f.rest = p[i:]
				return f, nil
			}
			if slices.Contains(f.n.names[at+1:], s.Name) {
				return fail("stands twice; keep one of the two")
			}
			f.chain, f.n, f.list, name = append(f.chain, at), f.n.items[at], "", s.Name
			continue
		case Append:
			if f.n.kind != list && f.n.kind != null {
				return fail("adds to a list, but this is %s", kindWords[f.n.kind])
			}
			f.rest = p[i:]
			return f, nil
		}
		if f.n.kind != list {
			return fail("chooses from a list, but this is %s", kindWords[f.n.kind])
		}
		var at []int
		if s.Kind == Index && s.Index < len(f.n.items) {
			at = []int{s.Index}
		} else if s.Kind == Match {
			at = matches(f.n, name, s)
		}
		if len(at) != 1 {
			return fail("finds %d elements of %d; name exactly one", len(at), len(f.n.items))
		}
		f.chain, f.n, f.list = append(f.chain, at[0]), f.n.items[at[0]], name
		name = ""
	}
	return f, nil
}

var kindWords = map[kind]string{null: "empty", scalar: "a single value", list: "a list", dict: "a mapping"}

// matches are the elements of the list called name that have s.Name: s.Value.
func matches(n *node, name string, s Segment) []int {
	var out []int
	for i, item := range n.items {
		if word, ok := wordOf(item, name, s.Name); ok && word == s.Value {
			out = append(out, i)
		}
	}
	return out
}

// wordOf is an element's value under a key, where it is a single word.
func wordOf(item *node, listName, key string) (string, bool) {
	switch item.kind {
	case scalar:
		return item.text, key != "" && scalarKeys[listName] == key
	case dict:
		if at := item.child(key); at >= 0 && item.items[at].kind == scalar {
			return item.items[at].text, true
		}
	}
	return "", false
}

// Get returns the value at a path as YAML on one line, and its line in the
// file, counting from 1. It is not ok where there is no such field. The place
// that [+] names never holds anything.
func (d *Document) Get(p Path) (value string, line int, ok bool) {
	f, err := d.walk(p)
	if err != nil || len(f.rest) > 0 {
		return "", 0, false
	}
	return d.valueOf(f.n), f.n.line, true
}

// Find is Get with the reason why a path leads nowhere; found is false, without
// an error, where only the field's name is not there.
func (d *Document) Find(p Path) (value string, line int, found bool, err error) {
	f, err := d.walk(p)
	if err != nil {
		return "", 0, false, err
	}
	if len(f.rest) > 0 {
		return "", 0, false, nil
	}
	return d.valueOf(f.n), f.n.line, true, nil
}

// Has says whether the mapping or list that a path's last segment looks into is
// there, be it empty.
func (d *Document) Has(p Path) bool {
	f, err := d.walk(p)
	return err == nil && len(f.rest) <= 1
}

// valueOf is a value as YAML on one line: as written, where that is one line of
// a single value, else in flow form.
func (d *Document) valueOf(n *node) string {
	if n.kind == scalar {
		if raw := d.src[n.start:n.end]; !strings.ContainsAny(raw, "\r\n") {
			return raw
		}
	}
	return d.render(n)
}

// Get reads one field of a file's source. It is not ok where the source or the
// path cannot be read or nothing stands there; Open and Find tell the reason.
func Get(src []byte, path string) (value string, line int, ok bool) {
	p, err := Parse(path)
	if err != nil {
		return "", 0, false
	}
	d, err := Open(src)
	if err != nil {
		return "", 0, false
	}
	return d.Get(p)
}

// Set changes one field of one file and returns the files with it changed; the
// map and bytes given stay as they are. The value is YAML; an empty one removes
// the field. Mappings that are missing on the way are made. An error names the
// file, the path and what to do.
func Set(files map[string][]byte, file, path, value string) (map[string][]byte, error) {
	src, ok := files[file]
	if !ok {
		return nil, fmt.Errorf("file %q: is not in the book", clip(file))
	}
	p, err := Parse(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	d, err := Open(src)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	d, err = d.Set(p, value, "")
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	out := maps.Clone(files)
	out[file] = d.Bytes()
	return out, nil
}

// SameValue compares two values as YAML: white space, quotes and the order of a
// mapping make no difference, anything else does, so that 0.8 cm is not 8 mm.
// Empty text means that there is no value.
func SameValue(a, b string) bool {
	if a == b {
		return true
	}
	if strings.TrimSpace(a) == "" || strings.TrimSpace(b) == "" {
		return strings.TrimSpace(a) == strings.TrimSpace(b)
	}
	x, errX := parseTree([]byte(a))
	y, errY := parseTree([]byte(b))
	return errX == nil && errY == nil && same(x, y, false)
}
