package bookedit_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/bookedit"
)

func FuzzParse(f *testing.F) {
	for _, s := range []string{"a", "servings[size=medium].checks.milk_temp.target", "steps[2]", "a[+]", `"x y"["k"="v]"].b`, "[0][1]", "a..b", "a[", "a[=]", "a[0x1]", `"`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := bookedit.Parse(s)
		if err != nil {
			return
		}
		again, err := bookedit.Parse(p.String())
		if err != nil && len(p.String()) > len(s) {
			return // quoting may take a long path over the limit
		}
		if err != nil || again.String() != p.String() || !again.Contains(p) || !p.Contains(again) {
			t.Fatalf("%q is written %q: %v", s, p, err)
		}
	})
}

// An edit that is not refused is exact: the field holds the value or is gone,
// and no other field has another value.
func FuzzSet(f *testing.F) {
	f.Add(sample, "checks.milk_temp.target", "61 °C")
	f.Add(sample, "servings[size=small].milks[0].amount", "{a: [b]}")
	f.Add(sample, "steps[+]", "'x'")
	f.Add(sample, "note", "")
	f.Add("a:\n- b\n", "a[0]", "c # d")
	f.Add("a: b\r\nc: |\r\n  d\r\n", "c", "e")
	f.Add("a: {b: c,\n  d: 'e' }", "a.b", "")
	f.Add("- - a\n  - b\n-\n", "[0][0]", "")
	f.Fuzz(func(t *testing.T, src, path, value string) {
		files := map[string][]byte{"x.yaml": []byte(src)}
		out, err := bookedit.Set(files, "x.yaml", path, value)
		if err != nil {
			return
		}
		p, err := bookedit.Parse(path)
		if err != nil {
			t.Fatal(err)
		}
		now := out["x.yaml"]
		if _, err := bookedit.Open(now); err != nil {
			t.Fatalf("the file cannot be read any more: %v\n%s", err, now)
		}
		last := p[len(p)-1].Kind
		before, err := bookedit.Open([]byte(src))
		if err != nil {
			t.Fatal(err)
		}
		removed := strings.TrimSpace(value) == ""
		if got, _, ok := bookedit.Get(now, path); !removed && last == bookedit.Key && (!ok || !bookedit.SameValue(got, value)) {
			// A path that chooses by the field it sets leads elsewhere afterwards.
			if _, ok := before.Canonical(p); ok && !choosesBy(p) {
				t.Fatalf("%s holds %q, want %q\n%s", path, got, value, now)
			}
		}
		if last != bookedit.Key || removed {
			return // the paths of a list's other elements may change with it
		}
		for _, d := range bookedit.Diff(files, out) {
			q, err := bookedit.Parse(d.Path)
			if err != nil {
				return
			}
			canonical, ok := before.Canonical(p)
			if ok && !canonical.Overlaps(q) && !choosesBy(p) && !choosesBy(canonical) {
				t.Fatalf("set %s, but %s differs: %q, was %q", path, d, d.New, d.Old)
			}
		}
	})
}

// choosesBy is true when a path's last field may be what an element is chosen by.
func choosesBy(p bookedit.Path) bool {
	for _, s := range p {
		if s.Kind != bookedit.Key {
			return true
		}
	}
	return false
}

// Random edits, each undone: the bytes are the old ones.
func TestRandomEditsAreUndone(t *testing.T) {
	files := bookFiles(t, "harbour-finch")
	rapid.Check(t, func(t *rapid.T) {
		now := files
		type undo struct{ file, path, value string }
		var undos []undo
		for range rapid.IntRange(1, 4).Draw(t, "edits") {
			file := rapid.SampledFrom([]string{"drinks/latte.yaml", "drinks/mocha.yaml", "house.yaml"}).Draw(t, "file")
			field := rapid.SampledFrom(bookedit.Fields(now[file])).Draw(t, "field")
			value := rapid.SampledFrom([]string{"7 g", `"x, y: z"`, "[a, b]", "{k: v}", "null"}).Draw(t, "value")
			next, err := bookedit.Set(now, file, field.Path, value)
			if err != nil {
				t.Fatalf("%s %s: %v", file, field.Path, err)
			}
			d := bookedit.Diff(now, next)
			if len(d) > 2 {
				t.Fatalf("%s %s = %s: %v", file, field.Path, value, d)
			}
			if _, _, ok := bookedit.Get(next[file], field.Path); !ok {
				continue // it was what its path chose by
			}
			now = next
			undos = append(undos, undo{file, field.Path, field.Value})
		}
		for i := len(undos) - 1; i >= 0; i-- {
			var err error
			if now, err = bookedit.Set(now, undos[i].file, undos[i].path, undos[i].value); err != nil {
				t.Fatal(err)
			}
		}
		for name := range files {
			if string(now[name]) != string(files[name]) {
				t.Fatalf("%s is not what it was:\n%s", name, now[name])
			}
		}
	})
}
