package drink_test

import (
	"bytes"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/drink"
)

// sources reads a test book as files in memory.
func sources(t testing.TB, name string) map[string][]byte {
	t.Helper()
	files, problems := drink.ReadFiles(os.DirFS(booksDir + name))
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return files
}

func TestFilesInMemoryGiveTheSameBookAsADirectory(t *testing.T) {
	fromDir := loadBook(t, "harbour-finch")
	fromFiles, problems := drink.LoadFiles(sources(t, "harbour-finch"))
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(fromDir, fromFiles); diff != "" {
		t.Error(diff)
	}
}

func TestServingsAreResolved(t *testing.T) {
	b := loadBook(t, "harbour-finch")
	s, ok := b.ServingByID("latte/medium/oat-drink")
	if !ok {
		t.Fatal("no latte/medium/oat-drink")
	}
	if s.Milk != "oat-drink" || s.Parts[0].Ingredient != "oat-drink" || s.Parts[0].Amount != 206_000 || s.Air != 150 {
		t.Errorf("milk not resolved: %+v", s)
	}
	want := map[string]drink.Check{
		// Three shots take two pulls; the yield is that of a whole pull.
		"yield":     {ID: "yield", Measure: "yield", Target: 36_000, Low: 34_500, High: 37_500, HardHigh: drink.NoHigh, Criticality: drink.Quality, Need: drink.Always, Occurrences: 2, Resolution: 100},
		"milk_temp": {ID: "milk_temp", Measure: "milk_temp", Target: 57_000, Low: 54_000, High: 60_000, HardHigh: 65_000, Criticality: drink.Quality, Need: drink.WhenSampled, Occurrences: 1, Resolution: 500},
	}
	for _, k := range s.Checks {
		if w, ok := want[k.ID]; ok {
			if diff := cmp.Diff(w, k); diff != "" {
				t.Error(diff)
			}
			delete(want, k.ID)
		}
	}
	if len(want) > 0 {
		t.Errorf("checks missing: %v", want)
	}
	pour := s.Steps[len(s.Steps)-1]
	if diff := cmp.Diff([]string{"pull", "steam"}, pour.After); pour.Act != "pour" || diff != "" {
		t.Errorf("pour: %+v", pour)
	}
	if steam := s.Steps[2]; steam.Act != "steam" || len(steam.After) != 0 || steam.Ingredient != "oat-drink" {
		t.Errorf("steaming should stand free beside pulling: %+v", steam)
	}
	if _, ok := b.ServingByID("latte/huge"); ok {
		t.Error("found a serving that is not there")
	}
	if n := len(b.Servings()); n != 26 {
		t.Errorf("%d servings, want 26", n)
	}
}

func TestFindServing(t *testing.T) {
	b := loadBook(t, "harbour-finch")
	for _, c := range []struct{ drink, size, milk, want string }{
		{"latte", "medium", "", "latte/medium/whole-milk"},
		{"latte", "medium", "soy-drink", "latte/medium/soy-drink"},
		{"macchiato", "double", "whole-milk", "macchiato/double"},
		{"latte", "medium", "goat", "error: milk \"goat\": latte medium comes with whole-milk, oat-drink, soy-drink"},
		{"americano", "huge", "", "error: size \"huge\": americano comes in small, medium"},
	} {
		s, err := b.FindServing(c.drink, c.size, c.milk)
		got := ""
		if err != nil {
			got = "error: " + err.Error()
		} else {
			got = s.ID
		}
		if got != c.want {
			t.Errorf("%v = %q", c, got)
		}
	}
}

func TestSourcesThatCannotBeReadAreRefused(t *testing.T) {
	deep := strings.Repeat("[", 5000) + strings.Repeat("]", 5000)
	for _, c := range []struct{ name, file, text, want string }{
		{"too large", "drinks/latte.yaml", strings.Repeat("# x\n", drink.MaxFileBytes/4+1), "bytes long"},
		{"not UTF-8", "drinks/latte.yaml", "id: \xff\xfe\n", "UTF-8"},
		{"NUL", "drinks/latte.yaml", "id: a\x00b\n", "NUL"},
		{"deep flow", "drinks/latte.yaml", "id: " + deep[:4000] + "\n", "nested"},
		{"deep list", "drinks/latte.yaml", strings.Repeat("- ", 3000) + "x\n", "nested"},
		{"deep maps", "drinks/latte.yaml", deepMaps(200), "nested"},
		{"complex key", "drinks/latte.yaml", strings.Repeat("? ", 3000) + "x\n", "key"},
		{"alias bomb", "drinks/latte.yaml", "a: &a [x, x]\nb: &b [*a, *a]\nc: [*b, *b]\n", "anchor"},
		{"merge key", "drinks/latte.yaml", "<<: {id: latte}\n", "anchor"},
		{"tag", "drinks/latte.yaml", "id: !!binary latte\n", "tag"},
		{"two documents", "drinks/latte.yaml", "id: latte\n---\nid: mocha\n", "documents"},
		{"long line", "drinks/latte.yaml", "id: " + strings.Repeat("x", 10_000) + "\n", "longer"},
		{"many keys", "drinks/latte.yaml", manyKeys("k%d: v\n"), "keys in one mapping"},
		{"many keys on one level of flow", "drinks/latte.yaml", "a: {" + manyKeys("k%d: v,\n") + "}\n", "keys in one mapping"},
		{"missing house", "house.yaml", "", "missing"},
	} {
		t.Run(c.name, func(t *testing.T) {
			files := sources(t, "harbour-finch")
			files[c.file] = []byte(c.text)
			if c.text == "" {
				delete(files, c.file)
			}
			_, problems := drink.LoadFiles(files)
			if !problems.Unreadable() || !strings.Contains(problems.Err().Error(), c.want) {
				t.Errorf("problems %v, want unreadable with %q", problems, c.want)
			}
		})
	}
}

// manyKeys writes a mapping that would take the YAML library many seconds.
func manyKeys(format string) string {
	var b strings.Builder
	for i := range 40_000 {
		fmt.Fprintf(&b, format, i)
	}
	return b.String()
}

func deepMaps(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "%sa:\n", strings.Repeat(" ", i))
	}
	return b.String()
}

func TestFoldersThatAreNoBook(t *testing.T) {
	if _, problems := drink.LoadDir(t.TempDir()); !problems.Unreadable() {
		t.Errorf("empty folder: %v", problems)
	}
	if _, problems := drink.LoadDir("no/such/folder"); !problems.Unreadable() {
		t.Errorf("no folder: %v", problems)
	}
	many := fstest.MapFS{}
	for i := range drink.MaxFiles + 1 {
		many[fmt.Sprintf("drinks/d%d.yaml", i)] = &fstest.MapFile{}
	}
	if _, problems := drink.Load(many); !problems.Unreadable() {
		t.Errorf("too many files: %v", problems.Err())
	}
	odd := fstest.MapFS{"house.yaml": &fstest.MapFile{Mode: fs.ModeSymlink, Data: []byte("/dev/zero")}}
	if _, problems := drink.Load(odd); !problems.Unreadable() {
		t.Errorf("odd file: %v", problems.Err())
	}
	files := sources(t, "harbour-finch")
	files["drinks/mocha.yml"] = files["drinks/mocha.yaml"]
	if _, problems := drink.LoadFiles(files); !strings.Contains(fmt.Sprint(problems.Err()), "not a file of a book") {
		t.Errorf("a misnamed file went unnoticed: %v", problems)
	}
}

func TestDefaultsAreOverriddenAndRemoved(t *testing.T) {
	files := sources(t, "harbour-finch")
	files["drinks/espresso.yaml"] = []byte(`id: espresso
name: Espresso
cautions: [first]
steps: [dose, pull]
servings:
  - {size: double, vessel: d80, shots: 2}
  - size: odd
    vessel: d80
    shots: 2
    cautions: [second]
    steps: [pull]
    checks:
      brew_temp: none
      yield: {target: 40 g, within: 2 g}
`)
	b, problems := drink.LoadFiles(files)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	s, _ := b.ServingByID("espresso/odd")
	var ids []string
	for _, k := range s.Checks {
		ids = append(ids, k.ID+" "+k.Target.String())
	}
	if diff := cmp.Diff([]string{"dose 18", "yield 40", "shot_time 28"}, ids); diff != "" {
		t.Error(diff)
	}
	if len(s.Steps) != 1 || !slices.Equal(s.Cautions, []string{"second"}) {
		t.Errorf("steps %v, cautions %v", s.Steps, s.Cautions)
	}
	other, _ := b.ServingByID("espresso/double")
	if len(other.Checks) != 4 || other.Checks[1].Target != 36_000 {
		t.Errorf("one serving's override leaked into another: %+v", other.Checks)
	}
}

// FuzzLoad proves that no drink file panics the reader, the checker or the
// card, and that what loads without an error loads the same again.
func FuzzLoad(f *testing.F) {
	files := sources(f, "harbour-finch-counter")
	for name, data := range files {
		if strings.HasPrefix(name, "drinks/") {
			f.Add(data)
			delete(files, name)
		}
	}
	f.Add([]byte("id: fuzz\nname: Fuzz\nservings: [{size: a, vessel: cup, shots: 2, steps: [pull, {act: pour, after: [pour]}]}]\n"))
	f.Add([]byte("a: &a [*a]\n"))
	f.Add([]byte("? [a]\n: - - - b\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		in := maps.Clone(files)
		in["drinks/fuzz.yaml"] = data
		b, problems := drink.LoadAndCheckFiles(in)
		for _, p := range problems {
			if p.String() == "" || p.Level == 0 {
				t.Fatalf("empty problem %+v", p)
			}
		}
		for _, s := range b.Servings() {
			_ = drink.Card(b, &s)
		}
		again, _ := drink.LoadFiles(map[string][]byte{"house.yaml": data, "vessels.yaml": data, "ingredients.yaml": bytes.Clone(data), "drinks/a.yaml": data})
		drink.CheckBook(again)
		second, _ := drink.LoadAndCheckFiles(in)
		if diff := cmp.Diff(b, second); diff != "" {
			t.Fatalf("loading twice differs:\n%s", diff)
		}
	})
}
