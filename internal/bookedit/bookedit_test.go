package bookedit_test

import (
	"io/fs"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/testdata"
)

// allFiles are the sources of both books, by their path in testdata.
func allFiles(t testing.TB) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	for _, book := range []string{"harbour-finch", "harbour-finch-counter"} {
		for name, src := range bookFiles(t, book) {
			out[book+"/"+name] = src
		}
	}
	return out
}

func bookFiles(t testing.TB, book string) map[string][]byte {
	t.Helper()
	sub, err := fs.Sub(testdata.FS, book)
	if err != nil {
		t.Fatal(err)
	}
	files, problems := drink.ReadFiles(sub)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return files
}

// Every field of every file of the books is found by its path, is left as it is
// when set to what it holds, changes its own line alone, and can be set back.
func TestEveryFieldOfEveryFile(t *testing.T) {
	for name, src := range allFiles(t) {
		files := map[string][]byte{name: src}
		fields := bookedit.Fields(src)
		if len(fields) < 3 {
			t.Errorf("%s: has %d fields", name, len(fields))
		}
		for _, f := range fields {
			value, line, ok := bookedit.Get(src, f.Path)
			if !ok || value != f.Value || line != f.Line {
				t.Fatalf("%s %s: Get gives %q line %d %v, Fields %q line %d", name, f.Path, value, line, ok, f.Value, f.Line)
			}
			as, err := bookedit.Set(files, name, f.Path, value)
			if err != nil || string(as[name]) != string(src) {
				t.Fatalf("%s %s: set to itself: %v\n%s", name, f.Path, err, cmp.Diff(string(src), string(as[name])))
			}
			changed, err := bookedit.Set(files, name, f.Path, `"another, [value]"`)
			if err != nil {
				t.Fatalf("%s %s: %v", name, f.Path, err)
			}
			if lines := changedLines(string(src), string(changed[name])); len(lines) != 1 || lines[0] != f.Line {
				t.Fatalf("%s %s: lines %v changed, want %d alone", name, f.Path, lines, f.Line)
			}
			// The field may have been what its path chose by.
			path := f.Path
			if _, _, ok := bookedit.Get(changed[name], path); !ok {
				continue
			}
			back, err := bookedit.Set(changed, name, path, value)
			if err != nil || string(back[name]) != string(src) {
				t.Fatalf("%s %s: set back: %v\n%s", name, f.Path, err, cmp.Diff(string(src), string(back[name])))
			}
		}
	}
}

// changedLines are the lines, from 1, in which two texts of as many lines differ.
func changedLines(a, b string) []int {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	if len(x) != len(y) {
		return []int{-1}
	}
	var out []int
	for i := range x {
		if x[i] != y[i] {
			out = append(out, i+1)
		}
	}
	return out
}

const sample = `# A drink.
id: latte
name: "Latte" # as guests read it

steps:
  - dose
  - {act: steam, ingredient: milk, after: []}
  # the last act
  - act: pour   # slowly
    after: [dose, steam]
checks:
  milk_temp: {target: 60 °C, within: 3 °C}
  froth_depth: none
cautions: [Hot., 'It''s hot.']
note: |
  two
  lines

servings:
- size: small   # the first
  vessel: c240
  milks: [whole-milk]
- size: medium
  milks:
    - whole-milk
    - milk: oat-drink
      amount: 206 ml
  empty:
`

func TestGet(t *testing.T) {
	for path, want := range map[string]string{
		"name":                     `"Latte"`,
		"steps[0]":                 "dose",
		"steps[act=dose].act":      "dose",
		"steps[act=steam].after":   "[]",
		"steps[act=pour].after[1]": "steam",
		"steps[act=pour]":          "{act: pour, after: [dose, steam]}",
		"checks.milk_temp.target":  "60 °C",
		"checks.froth_depth":       "none",
		"cautions[1]":              "'It''s hot.'",
		"note":                     `"two\nlines"`,
		"servings[size=medium].milks[milk=oat-drink]":   "{milk: oat-drink, amount: 206 ml}",
		"servings[size=medium].milks[1].amount":         "206 ml",
		"servings[size=small].milks[milk=whole-milk]":   "whole-milk",
		"servings[1].milks[milk=whole-milk].milk":       "whole-milk",
		"servings[size=medium].empty":                   "null",
		"servings[size=large]":                          "absent",
		"steps[3]":                                      "absent",
		"servings[vessel=c240].size":                    "small",
		"checks.froth_depth.target":                     "absent",
		"servings[size=small].milks[milk=x].amount":     "absent",
		"servings[size=small].milks[0].amount":          "absent",
		"servings[size=small].milks[+]":                 "absent",
		`checks."milk_temp".within`:                     "3 °C",
		`servings[size="medium"].milks[milk=oat-drink]`: "{milk: oat-drink, amount: 206 ml}",
	} {
		value, _, ok := bookedit.Get([]byte(sample), path)
		if !ok {
			value = "absent"
		}
		if value != want {
			t.Errorf("%s: %q, want %q", path, value, want)
		}
	}
}

func TestSet(t *testing.T) {
	tests := []struct{ path, value, old, now string }{
		{"name", "Latte grande", `name: "Latte" # as`, "name: Latte grande # as"},
		{"name", "'a: b'", `name: "Latte" # as`, `name: 'a: b' # as`},
		{"checks.milk_temp.target", "140 °F", "target: 60 °C", "target: 140 °F"},
		{"checks.milk_temp.target", "\n  61 °C # warmer\n", "target: 60 °C", "target: 61 °C"},
		{"checks.milk_temp.need", "always", "within: 3 °C}", "within: 3 °C, need: always}"},
		{"checks.milk_temp.within", "", "60 °C, within: 3 °C", "60 °C"},
		{"checks.milk_temp.target", "", "{target: 60 °C, within", "{within"},
		{"checks.milk_temp", "none", "{target: 60 °C, within: 3 °C}", "none"},
		{"checks.cup_mass", "{target: 280 g, within: 12 g}", "froth_depth: none\n", "froth_depth: none\n  cup_mass: {target: 280 g, within: 12 g}\n"},
		{"checks.froth_depth", "", "  froth_depth: none\n", ""},
		{"checks.cup_mass.target", "280 g", "froth_depth: none\n", "froth_depth: none\n  cup_mass: {target: 280 g}\n"},
		{"steps[+]", "{act: wipe}", "after: [dose, steam]\n", "after: [dose, steam]\n  - {act: wipe}\n"},
		{"steps[act=dose].optional", "true", "- dose\n", "- {act: dose, optional: true}\n"},
		{"steps[act=dose]", "", "  - dose\n", ""},
		{"steps[2].after", "", "    after: [dose, steam]\n", ""},
		{"steps[2].after[0]", "", "[dose, steam]", "[steam]"},
		{"steps[act=steam].after[+]", "dose", "after: []", "after: [dose]"},
		{"cautions[+]", "one, two", "'It''s hot.']", `'It''s hot.', "one, two"]`},
		{"cautions", "", "cautions: [Hot., 'It''s hot.']\n", ""},
		{"note", "one line", "|\n  two\n  lines\n", "one line\n"},
		{"servings[size=small].milks[milk=whole-milk].amount", "130 ml", "[whole-milk]", "[{milk: whole-milk, amount: 130 ml}]"},
		{"servings[size=small].milks[0]", "", "[whole-milk]", "[]"},
		{"servings[size=small].size", "", "- size: small   # the first\n  vessel", "- vessel"},
		{"servings[size=medium].milks[milk=oat-drink].amount", "", "      amount: 206 ml\n", ""},
		{"servings[size=medium].milks[milk=oat-drink].milk", "soy-drink", "milk: oat-drink", "milk: soy-drink"},
		{"servings[size=medium].milks[milk=oat-drink]", "soy-drink", "milk: oat-drink\n      amount: 206 ml", "soy-drink"},
		{"servings[size=medium].milks", "[oat-drink]", "milks:\n    - whole-milk\n    - milk: oat-drink\n      amount: 206 ml\n", "milks: [oat-drink]\n"},
		{"servings[size=medium].empty", "x", "empty:\n", "empty: x\n"},
		{"servings[size=medium].empty.a.b", "x", "empty:\n", "empty: {a: {b: x}}\n"},
		{"servings[size=medium].empty[+]", "x", "empty:\n", "empty: [x]\n"},
		{"servings[size=medium].shots", "3", "  empty:\n", "  empty:\n  shots: 3\n"},
		{"garnish[+]", "cocoa", "  empty:\n", "  empty:\ngarnish: [cocoa]\n"},
		{"steps", "[dose]", "steps:\n  - dose\n  - {act: steam, ingredient: milk, after: []}\n  # the last act\n  - act: pour   # slowly\n    after: [dose, steam]\n", "steps: [dose]\n"},
	}
	for _, eol := range []string{"\n", "\r\n"} {
		source := strings.ReplaceAll(sample, "\n", eol)
		files := map[string][]byte{"drinks/latte.yaml": []byte(source)}
		for _, test := range tests {
			if strings.Count(sample, test.old) != 1 {
				t.Fatalf("%s: %q stands %d times in the sample", test.path, test.old, strings.Count(sample, test.old))
			}
			want := strings.ReplaceAll(strings.Replace(sample, test.old, test.now, 1), "\n", eol)
			got, err := bookedit.Set(files, "drinks/latte.yaml", test.path, test.value)
			if err != nil {
				t.Errorf("%s = %q: %v", test.path, test.value, err)
				continue
			}
			if diff := cmp.Diff(want, string(got["drinks/latte.yaml"])); diff != "" {
				t.Errorf("%s = %q: -want +got\n%s", test.path, test.value, diff)
			}
			if string(files["drinks/latte.yaml"]) != source {
				t.Fatal("the files given were changed")
			}
		}
	}
}

func TestSetRefuses(t *testing.T) {
	files := map[string][]byte{"drinks/latte.yaml": []byte(sample), "house.yaml": []byte("a: &x 1\n"), "vessels.yaml": []byte("a: 1\na: 2\nb: [x, # why\n  y]\n")}
	for _, test := range []struct{ file, path, value, says string }{
		{"drinks/mocha.yaml", "name", "x", "not in the book"},
		{"house.yaml", "a", "2", "anchor"},
		{"vessels.yaml", "a", "2", "stands twice"},
		{"vessels.yaml", "b[1]", "", "comment"},
		{"drinks/latte.yaml", "name..x", "2", "needs a field's name"},
		{"drinks/latte.yaml", "name.x", "2", "single value"},
		{"drinks/latte.yaml", "steps.x", "2", "a list"},
		{"drinks/latte.yaml", "steps[9]", "2", "finds 0 elements of 3"},
		{"drinks/latte.yaml", "checks[+]", "2", "adds to a list"},
		{"drinks/latte.yaml", "nothing", "", "nothing to remove"},
		{"drinks/latte.yaml", "nothing[0]", "x", "cannot set"},
		{"drinks/latte.yaml", "name", "[", "not YAML"},
		{"drinks/latte.yaml", "name", "# x", "nothing but a comment"},
		{"drinks/latte.yaml", "name", "a\nb: c", "cannot set name"},
		{"drinks/latte.yaml", "steps[act=dose].act", "", "remove the element"},
	} {
		_, err := bookedit.Set(files, test.file, test.path, test.value)
		if err == nil || !strings.Contains(err.Error(), test.says) {
			t.Errorf("%s %s = %q: error %v, want one that says %q", test.file, test.path, test.value, err, test.says)
		}
	}
}
