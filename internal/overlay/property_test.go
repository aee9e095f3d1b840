package overlay_test

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/overlay"
)

// values may stand in any field: an overlay is resolved before it is checked.
var values = []string{"7 g", "none", `"x, y"`, "[a]", "{k: v}", ""}

// drawn is an overlay of random edits to different fields; Pin may refuse it
// where a removal moves an index.
func drawn(t *rapid.T, files map[string][]byte, scope string) (overlay.Overlay, bool) {
	var edits []edit
	for range rapid.IntRange(0, 4).Draw(t, scope+" edits") {
		file := rapid.SampledFrom([]string{latte, "drinks/espresso.yaml", "house.yaml"}).Draw(t, scope+" file")
		field := rapid.SampledFrom(bookedit.Fields(files[file])).Draw(t, scope+" field")
		edits = append(edits, edit{File: file, Path: field.Path, Value: rapid.SampledFrom(values).Draw(t, scope+" value")})
	}
	edits, err := overlay.Pin(files, edits)
	return overlay.Overlay{Scope: scope, Reason: "drawn", BaseEdition: 1, Edits: edits}, err == nil
}

// smallBook is Harbour & Finch with two drinks, so that many can be resolved.
func smallBook(t *testing.T) map[string][]byte {
	files := bookFiles(t)
	maps.DeleteFunc(files, func(name string, _ []byte) bool {
		return strings.HasPrefix(name, "drinks/") && name != latte && name != "drinks/espresso.yaml"
	})
	return files
}

func sameFiles(t *rapid.T, a, b map[string][]byte) {
	for name := range a {
		if string(a[name]) != string(b[name]) {
			t.Fatalf("%s differs:\n%s\n---\n%s", name, a[name], b[name])
		}
	}
}

// Resolving changes what the overlay names and nothing else, in whatever order
// its edits stand; without an overlay the bytes are the base's.
func TestResolveIsExact(t *testing.T) {
	files := smallBook(t)
	rapid.Check(t, func(t *rapid.T) {
		none, err := overlay.Resolve(files)
		if err != nil {
			t.Fatal(err)
		}
		sameFiles(t, files, none.Files)
		o, ok := drawn(t, files, "site/tannery-row")
		if !ok {
			return
		}
		r, err := overlay.Resolve(files, o)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range bookedit.Diff(files, r.Files) {
			if !named(o, d) {
				t.Fatalf("%s differs, which no edit names: %q -> %q\n%v", d, d.Old, d.New, o.Edits)
			}
		}
		other := o
		other.Edits = slices.Clone(o.Edits)
		seed := rapid.Uint64().Draw(t, "order")
		rand.New(rand.NewPCG(seed, 1)).Shuffle(len(other.Edits), func(i, j int) {
			other.Edits[i], other.Edits[j] = other.Edits[j], other.Edits[i]
		})
		again, err := overlay.Resolve(files, other)
		if err != nil {
			return // an edit of a key stands before one that chooses by it: refused, never guessed
		}
		sameFiles(t, r.Files, again.Files)
	})
}

// named is true when an edit explains a difference: it is at the edit's path,
// below, or around it where the edit changed what an element is chosen by.
func named(o overlay.Overlay, d bookedit.Difference) bool {
	q, err := bookedit.Parse(d.Path)
	if err != nil {
		return false
	}
	return slices.ContainsFunc(o.Edits, func(e edit) bool {
		p, err := bookedit.Parse(e.Path)
		if err != nil || e.File != d.File {
			return false
		}
		if p.Overlaps(q) {
			return true
		}
		// An edit of the very key by which an element is found renames it, and
		// the list then differs under both names.
		if n := len(p); n > 1 && p[n-1].Kind == bookedit.Key && p[n-2].Kind == bookedit.Match && p[n-1].Name == p[n-2].Name {
			return len(q) >= n-2 && p[:n-2].Contains(q[:n-2])
		}
		// A new value of the key is a new name of the element.
		return d.Old == "" && len(p) >= len(q) && len(q) > 0 && p[:len(q)-1].Contains(q[:len(q)-1])
	})
}

// An overlay conflicts exactly where the base's value at a touched field is
// another one than it was pinned on, and then nothing is merged.
func TestConflictExactlyWhereTheBaseChanged(t *testing.T) {
	files := smallBook(t)
	rapid.Check(t, func(t *rapid.T) {
		o, ok := drawn(t, files, "site/lantern-hill")
		now := files
		for range rapid.IntRange(1, 3).Draw(t, "changes") {
			file := rapid.SampledFrom([]string{latte, "drinks/espresso.yaml", "house.yaml"}).Draw(t, "file")
			fields := bookedit.Fields(now[file])
			if len(fields) == 0 {
				continue
			}
			path := rapid.SampledFrom(fields).Draw(t, "field").Path
			if n := len(o.Edits); n > 0 && rapid.Bool().Draw(t, "aimed") {
				e := o.Edits[rapid.IntRange(0, n-1).Draw(t, "at")]
				file, path = e.File, e.Path
			}
			if next, err := bookedit.Set(now, file, path, rapid.SampledFrom(values).Draw(t, "value")); err == nil {
				now = next
			}
		}
		if !ok {
			return
		}
		var want []string
		for _, e := range o.Edits {
			value, _, _ := bookedit.Get(now[e.File], e.Path)
			if !bookedit.SameValue(value, e.Base) {
				want = append(want, fmt.Sprint(e.File, e.Path))
			}
		}
		var got []string
		for _, c := range overlay.Conflicts(now, o) {
			got = append(got, fmt.Sprint(c.Edit.File, c.Edit.Path))
			if c.Text == "" || c.Base != c.Edit.Base {
				t.Fatalf("conflict without its words: %+v", c)
			}
		}
		if !slices.Equal(want, got) {
			t.Fatalf("conflicts %q, want %q", got, want)
		}
		r, err := overlay.Resolve(now, o)
		if len(want) > 0 {
			if err == nil || r.Files != nil {
				t.Fatal("a conflict was merged")
			}
			return
		}
		if err != nil {
			return // refused with its reason, not merged
		}
		for _, d := range bookedit.Diff(now, r.Files) {
			if !named(o, d) {
				t.Fatalf("%s differs, which no edit names", d)
			}
		}
	})
}

// Every field of a resolved book has one origin, and the base's are as they were.
func TestOriginsAreWhole(t *testing.T) {
	files := smallBook(t)
	rapid.Check(t, func(t *rapid.T) {
		region, ok := drawn(t, files, "region/north")
		if !ok {
			return
		}
		r, err := overlay.Resolve(files, region)
		if err != nil {
			t.Fatal(err)
		}
		site, ok := drawn(t, r.Files, "site/quillmaker-street")
		if !ok {
			return
		}
		if r, err = overlay.Resolve(files, region, site); err != nil {
			t.Fatal(err)
		}
		seen, docs := map[string]bool{}, map[string]*bookedit.Document{}
		for name, src := range r.Files {
			if docs[name], err = bookedit.Open(src); err != nil {
				t.Fatal(err)
			}
		}
		for _, o := range r.Origins {
			if o.Value == "" {
				continue
			}
			key := o.File + " " + o.Path
			p, err := bookedit.Parse(o.Path)
			if err != nil {
				t.Fatal(err)
			}
			value, line, ok := docs[o.File].Get(p)
			if seen[key] || !ok || value != o.Value || line != o.Line {
				t.Fatalf("%s: %+v; the file has %q in line %d", key, o, value, line)
			}
			seen[key] = true
			if o.Source == overlay.Base && o.Replaced != "" {
				t.Fatalf("%s: from the base, but replaces %q", key, o.Replaced)
			}
		}
		for _, d := range bookedit.Diff(files, r.Files) {
			if !named(region, d) && !named(site, d) {
				t.Fatalf("%s differs, which no edit names", d)
			}
		}
	})
}
