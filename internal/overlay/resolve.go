package overlay

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/drink"
)

// Base is the Source of a field that no overlay touched.
const Base = "base"

// Origin says where one field of a resolved book came from.
type Origin struct {
	// File and Path name the field; Line is that in the resolved file, zero for
	// a field that an overlay removed.
	File, Path string
	Line       int
	// Value is YAML; empty where an overlay removed the field.
	Value string
	// Source is Base or the scope of the overlay that set it last, Reason that
	// overlay's.
	Source, Reason string
	// Replaced is what the field was before that overlay; empty where it is new.
	Replaced string
}

// Resolved is what a site follows.
type Resolved struct {
	// Files are the sources with all overlays applied.
	Files map[string][]byte
	// Book is read from the files and not to be used when Problems hold an error.
	Book     *drink.Book
	Problems drink.Problems
	// Origins names every field by file and in the file's order, then what was
	// removed from it.
	Origins []Origin
}

// Resolve applies overlays to a book's files, the widest first, and checks the
// result. Each overlay must be pinned on the result of those before it; a
// *ConflictError names what needs rebasing, and nothing is resolved then. Faults
// of the resolved book are its Problems, not an error. The files given stay as
// they are.
func Resolve(files map[string][]byte, overlays ...Overlay) (Resolved, error) {
	d := newDocs(files)
	var before []*docs
	var removed []Origin
	for n, o := range overlays {
		if len(o.Edits) > maxEdits {
			return Resolved{}, fmt.Errorf("overlay %s: %d edits; it may have %d", o.Scope, len(o.Edits), maxEdits)
		}
		if found := conflicts(d, o); len(found) > 0 {
			return Resolved{}, &ConflictError{Scope: o.Scope, Conflicts: found}
		}
		before = append(before, &docs{files, maps.Clone(d.open)})
		places := make([]place, len(o.Edits))
		for i, e := range o.Edits {
			var err error
			if places[i], err = d.placeOf(e); err != nil {
				return Resolved{}, fmt.Errorf("overlay %s: edit %d: %w", o.Scope, i+1, err)
			}
			if places[i].removes {
				removed = append(removed, Origin{File: e.File, Path: e.Path, Source: o.Scope, Reason: o.Reason, Replaced: e.Base})
			}
		}
		if err := apart(o.Edits, places); err != nil {
			return Resolved{}, fmt.Errorf("%s: %w", o.Scope, err)
		}
		if err := d.apply(o.Edits, places, func(i int) string { return fmt.Sprintf("%d/%d", n, i) }); err != nil {
			return Resolved{}, fmt.Errorf("%s: %w", o.Scope, err)
		}
	}
	out := Resolved{Files: maps.Clone(files)}
	for file, doc := range d.open {
		out.Files[file] = doc.Bytes()
	}
	out.Book, out.Problems = drink.LoadAndCheckFiles(out.Files)
	out.Origins = origins(d, before, overlays, removed)
	return out, nil
}

func origins(d *docs, before []*docs, overlays []Overlay, removed []Origin) []Origin {
	var out []Origin
	for _, file := range slices.Sorted(maps.Keys(d.files)) {
		doc, err := d.at(file)
		if err != nil {
			continue // the book's problems say what is wrong with it
		}
		for _, f := range doc.Fields() {
			o := Origin{File: file, Path: f.Path, Line: f.Line, Value: f.Value, Source: Base}
			var n, i int
			if _, err := fmt.Sscanf(f.Tag, "%d/%d", &n, &i); err == nil {
				e := overlays[n].Edits[i]
				o.Source, o.Reason = overlays[n].Scope, overlays[n].Reason
				o.Replaced = before[n].valueAt(file, f.Path)
				// An edit of a key may have moved its own path.
				if bookedit.SameValue(f.Value, e.Value) && !strings.HasSuffix(e.Path, "[+]") {
					o.Replaced = e.Base
				}
			}
			out = append(out, o)
		}
		for _, o := range removed {
			if o.File != file {
				continue
			}
			// A later overlay may have put something there again.
			if p, err := bookedit.Parse(o.Path); err == nil {
				if _, _, ok := doc.Get(p); ok && p[len(p)-1].Kind != bookedit.Index {
					continue
				}
			}
			out = append(out, o)
		}
	}
	return out
}

func (d *docs) valueAt(file, path string) string {
	doc, err := d.at(file)
	if err != nil {
		return ""
	}
	p, err := bookedit.Parse(path)
	if err != nil {
		return ""
	}
	value, _, _ := doc.Get(p)
	return value
}

// String is the origin as a sentence without the file.
func (o Origin) String() string {
	var w strings.Builder
	if o.Value == "" {
		w.WriteString(o.Path + " is left out")
	} else {
		w.WriteString(o.Path + " is " + o.Value)
	}
	if o.Source == Base {
		return w.String() + ", from the base"
	}
	w.WriteString(", by " + o.Source)
	if o.Replaced != "" {
		w.WriteString(" instead of " + o.Replaced)
	}
	if o.Reason != "" {
		w.WriteString(": " + o.Reason)
	}
	return w.String()
}
