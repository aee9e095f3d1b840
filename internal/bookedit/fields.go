package bookedit

// Field is one leaf of a file: a single value, an empty list or mapping.
type Field struct {
	// Path finds the field; it chooses from lists by a key where one element
	// alone has its value, else by index.
	Path string
	// Value is YAML on one line.
	Value string
	// Line counts from 1.
	Line int
	// Tag is that of the Set that wrote it; empty where it was read.
	Tag string
}

// Fields lists every leaf of a file's source in its order; nothing where it
// cannot be read.
func Fields(src []byte) []Field {
	d, err := Open(src)
	if err != nil {
		return nil
	}
	return d.Fields()
}

// Fields lists every leaf in the file's order.
func (d *Document) Fields() []Field {
	var out []Field
	var visit func(n *node, p Path)
	visit = func(n *node, p Path) {
		if len(n.items) == 0 {
			if len(p) > 0 {
				out = append(out, Field{p.String(), d.valueOf(n), n.line, n.tag})
			}
			return
		}
		for i, item := range n.items {
			visit(item, p.with(n.segment(i, p)))
		}
	}
	visit(d.root, nil)
	return out
}

// Canonical is the path as Fields writes it; ok is false where nothing stands.
func (d *Document) Canonical(p Path) (Path, bool) {
	f, err := d.walk(p)
	if err != nil || len(f.rest) > 0 {
		return nil, false
	}
	return d.pathOf(f.chain), true
}

func (d *Document) pathOf(chain []int) Path {
	var out Path
	n := d.root
	for _, i := range chain {
		out = out.with(n.segment(i, out))
		n = n.items[i]
	}
	return out
}

// identities are the keys that tell the elements of a book's lists apart, the
// surest first.
var identities = []string{"id", "size", "milk", "ingredient", "act", "from"}

// segment names an entry of a collection that stands at p.
func (n *node) segment(i int, p Path) Segment {
	if n.kind == dict {
		return Segment{Kind: Key, Name: n.names[i]}
	}
	name := ""
	if len(p) > 0 && p[len(p)-1].Kind == Key {
		name = p[len(p)-1].Name
	}
	for _, key := range identities {
		if word, ok := wordOf(n.items[i], name, key); ok {
			s := Segment{Kind: Match, Name: key, Value: word}
			if len(matches(n, name, s)) == 1 {
				return s
			}
		}
	}
	return Segment{Kind: Index, Index: i}
}
