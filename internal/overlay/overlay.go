// Package overlay answers: what does this site follow, and where did each field
// come from?
//
// An overlay is a region's or a site's departure from the book: fields set to
// other values, each pinned to the value that stood there when it was written.
// When the base changes such a field, the overlay is not applied any more until
// somebody rebases it: there is never a silent merge. The package is pure; it
// knows sources and books, no storage and no bus.
package overlay

import (
	"fmt"
	"strings"

	"samecup.example/samecup/internal/bookedit"
)

// Edit sets one field of the book to another value.
type Edit struct {
	// File is the path in the book, Path that of the field in the file
	// (docs/book.md, "Field paths").
	File, Path string
	// Value is YAML; empty removes the field.
	Value string
	// Base is the YAML value that stood there when the edit was pinned, empty
	// where nothing did. For [+] it is the whole list.
	Base string
}

// Overlay is a departure with its reason.
type Overlay struct {
	// Scope is "region/<id>" or "site/<id>", or whatever the caller calls it.
	Scope, Reason string
	// BaseEdition is the edition that the edits were pinned on.
	BaseEdition uint64
	Edits       []Edit
}

// maxEdits bounds one overlay: beyond it, it is a book of its own.
const maxEdits = 500

// docs opens each file once.
type docs struct {
	files map[string][]byte
	open  map[string]*bookedit.Document
}

func newDocs(files map[string][]byte) *docs {
	return &docs{files, map[string]*bookedit.Document{}}
}

func (d *docs) at(file string) (*bookedit.Document, error) {
	if doc, ok := d.open[file]; ok {
		return doc, nil
	}
	src, ok := d.files[file]
	if !ok {
		return nil, fmt.Errorf("%s: is not in the book", file)
	}
	doc, err := bookedit.Open(src)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	d.open[file] = doc
	return doc, nil
}

// place is where an edit takes effect: the list itself for [+].
func (e Edit) place() (full, pinned bookedit.Path, err error) {
	p, err := bookedit.Parse(e.Path)
	if err != nil {
		return nil, nil, err
	}
	if last := len(p) - 1; p[last].Kind == bookedit.Append {
		return p, p[:last], nil
	}
	return p, p, nil
}

// Pin fills in what each edit replaces in the files, which are the base: for a
// site those after its region's overlay. It writes paths as bookedit.Fields does,
// elements by a key rather than by index, and refuses edits that have no place
// in the base, change nothing, or touch one another.
func Pin(files map[string][]byte, edits []Edit) ([]Edit, error) {
	if len(edits) > maxEdits {
		return nil, fmt.Errorf("overlay: %d edits; it may have %d, give the drink a name of its own instead", len(edits), maxEdits)
	}
	d := newDocs(files)
	out := make([]Edit, len(edits))
	places := make([]place, len(edits))
	for i, e := range edits {
		base, _, err := d.base(e)
		if err != nil {
			return nil, fmt.Errorf("overlay: edit %d: %w", i+1, err)
		}
		e.Base = base
		if places[i], err = d.placeOf(e); err != nil {
			return nil, fmt.Errorf("overlay: edit %d: %w", i+1, err)
		}
		if e.Value = strings.TrimSpace(e.Value); !places[i].adds && bookedit.SameValue(e.Base, e.Value) {
			return nil, fmt.Errorf("overlay: edit %d: %s %s: is %s in the base already; leave the edit out", i+1, e.File, e.Path, orAbsent(e.Base))
		}
		// An index would name another element once the base moves it.
		e.Path = places[i].target().String()
		out[i] = e
	}
	if err := apart(out, places); err != nil {
		return nil, err
	}
	if err := d.apply(out, places, func(int) string { return "" }); err != nil {
		return nil, err
	}
	return out, nil
}

// base is the value that an edit stands on. An error says that its place is not
// in the book (any more); found is false where only the field is absent.
func (d *docs) base(e Edit) (value string, found bool, err error) {
	doc, err := d.at(e.File)
	if err != nil {
		return "", false, err
	}
	_, pinned, err := e.place()
	if err != nil {
		return "", false, fmt.Errorf("%s: %w", e.File, err)
	}
	if len(pinned) == 0 {
		return "", false, fmt.Errorf("%s %s: names the whole file; name a field", e.File, e.Path)
	}
	value, _, found, err = doc.Find(pinned)
	if err != nil {
		return "", false, fmt.Errorf("%s %w", e.File, err)
	}
	if !found && !doc.Has(pinned) {
		// What the overlay means would depend on what others put around it.
		return "", false, fmt.Errorf("%s %s: what it belongs to is not there; set the part that is missing as a whole", e.File, e.Path)
	}
	return value, found, nil
}

// place is what an edit touches, by the names that the base has for it.
type place struct {
	path    bookedit.Path
	adds    bool
	removes bool
}

// target is the path to set.
func (p place) target() bookedit.Path {
	if p.adds {
		return append(p.path[:len(p.path):len(p.path)], bookedit.Segment{Kind: bookedit.Append})
	}
	return p.path
}

func (d *docs) placeOf(e Edit) (place, error) {
	doc, err := d.at(e.File)
	if err != nil {
		return place{}, err
	}
	full, pinned, err := e.place()
	if err != nil {
		return place{}, err
	}
	out := place{path: pinned, adds: len(full) > len(pinned), removes: strings.TrimSpace(e.Value) == ""}
	if p, ok := doc.Canonical(pinned); ok {
		out.path = p
		return out, nil
	}
	last := len(pinned) - 1
	if parent, ok := doc.Canonical(pinned[:last]); ok {
		out.path = append(parent[:len(parent):len(parent)], pinned[last])
	}
	return out, nil
}

// apart refuses edits whose result would hang on their order.
func apart(edits []Edit, places []place) error {
	for i, a := range places {
		for j, b := range places[:i] {
			if edits[i].File != edits[j].File {
				continue
			}
			touch := a.path.Overlaps(b.path)
			// Additions at the end leave what stands in the list alone.
			switch {
			case a.adds && b.adds:
				touch = false
			case a.adds:
				touch = b.path.Contains(a.path)
			case b.adds:
				touch = a.path.Contains(b.path)
			}
			if touch || shifts(a, b) || shifts(b, a) {
				return fmt.Errorf("overlay: edits %d and %d touch each other: %s %s and %s; set the part that holds both as a whole",
					j+1, i+1, edits[i].File, edits[j].Path, edits[i].Path)
			}
		}
	}
	return nil
}

// shifts is true when a removes an element and so moves the index in b's path.
func shifts(a, b place) bool {
	last := len(a.path) - 1
	return a.removes && a.path[last].Kind != bookedit.Key && len(b.path) > last &&
		a.path[:last].Contains(b.path[:last]) && b.path[last].Kind == bookedit.Index
}

// apply makes the edits, each of which must still find what it was pinned on.
func (d *docs) apply(edits []Edit, places []place, tag func(i int) string) error {
	for i, e := range edits {
		doc, err := d.at(e.File)
		if err != nil {
			return fmt.Errorf("overlay: edit %d: %w", i+1, err)
		}
		if !places[i].adds {
			if now, _, _ := doc.Get(places[i].path); !bookedit.SameValue(now, e.Base) {
				return fmt.Errorf("overlay: edit %d: %s %s: another edit of this overlay changed it; set the part that holds both as a whole", i+1, e.File, e.Path)
			}
		}
		if doc, err = doc.Set(places[i].target(), e.Value, tag(i)); err != nil {
			return fmt.Errorf("overlay: edit %d: %s: %w", i+1, e.File, err)
		}
		d.open[e.File] = doc
	}
	return nil
}

func orAbsent(value string) string {
	if value == "" {
		return "absent"
	}
	return value
}
