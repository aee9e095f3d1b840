package overlay_test

import (
	"errors"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/overlay"
	"samecup.example/samecup/testdata"
)

const (
	latte       = "drinks/latte.yaml"
	ingredients = "ingredients.yaml"
)

type edit = overlay.Edit

func bookFiles(t testing.TB) map[string][]byte {
	t.Helper()
	sub, err := fs.Sub(testdata.FS, "harbour-finch")
	if err != nil {
		t.Fatal(err)
	}
	files, problems := drink.ReadFiles(sub)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return files
}

func set(t testing.TB, files map[string][]byte, file, path, value string) map[string][]byte {
	t.Helper()
	out, err := bookedit.Set(files, file, path, value)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func pinned(t testing.TB, files map[string][]byte, scope, reason string, edits ...edit) overlay.Overlay {
	t.Helper()
	edits, err := overlay.Pin(files, edits)
	if err != nil {
		t.Fatal(err)
	}
	return overlay.Overlay{Scope: scope, Reason: reason, BaseEdition: 7, Edits: edits}
}

func resolved(t testing.TB, files map[string][]byte, overlays ...overlay.Overlay) overlay.Resolved {
	t.Helper()
	r, err := overlay.Resolve(files, overlays...)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Problems.Err(); err != nil {
		t.Fatal(err)
	}
	return r
}

// A bigger cup for the medium latte of one site: one line of one file, and every
// field knows where it came from.
func TestASiteWithAnotherCup(t *testing.T) {
	files := bookFiles(t)
	o := pinned(t, files, "site/oyster-steps", "has no c350 on its shelves until spring",
		edit{File: latte, Path: "servings[1].vessel", Value: "c450"})
	want := []edit{{File: latte, Path: "servings[size=medium].vessel", Value: "c450", Base: "c350"}}
	if diff := cmp.Diff(want, o.Edits); diff != "" {
		t.Fatalf("pinned: -want +got\n%s", diff)
	}
	r := resolved(t, files, o)
	for name := range files {
		want := string(files[name])
		if name == latte {
			want = strings.Replace(want, "vessel: c350", "vessel: c450", 1)
		}
		if string(r.Files[name]) != want {
			t.Errorf("%s: -want +got\n%s", name, cmp.Diff(want, string(r.Files[name])))
		}
	}
	if s, ok := r.Book.ServingByID("latte/medium/whole-milk"); !ok || s.Vessel != "c450" {
		t.Errorf("the resolved book has %+v", s)
	}
	var touched []overlay.Origin
	for _, o := range r.Origins {
		if o.Source != overlay.Base {
			touched = append(touched, o)
		}
	}
	line := 1 + strings.Count(string(files[latte][:strings.Index(string(files[latte]), "vessel: c350")]), "\n")
	wantOrigin := []overlay.Origin{{File: latte, Path: "servings[size=medium].vessel", Line: line, Value: "c450",
		Source: "site/oyster-steps", Reason: "has no c350 on its shelves until spring", Replaced: "c350"}}
	if diff := cmp.Diff(wantOrigin, touched); diff != "" {
		t.Errorf("origins: -want +got\n%s", diff)
	}
	if want := "servings[size=medium].vessel is c450, by site/oyster-steps instead of c350: has no c350 on its shelves until spring"; touched[0].String() != want {
		t.Errorf("says %q, want %q", touched[0], want)
	}
	total := 0
	for _, src := range files {
		total += len(bookedit.Fields(src))
	}
	if len(r.Origins) != total {
		t.Errorf("%d origins for %d fields", len(r.Origins), total)
	}
}

func TestTheBaseChangesWhatAnOverlayTouches(t *testing.T) {
	files := bookFiles(t)
	o := pinned(t, files, "site/oyster-steps", "no c350",
		edit{File: latte, Path: "servings[size=medium].vessel", Value: "c450"},
		edit{File: latte, Path: "servings[size=large].checks.cup_mass", Value: "{target: 350 g, within: 12 g, need: optional}"},
		edit{File: latte, Path: "cautions[+]", Value: "Two hands for the big cup."},
		edit{File: latte, Path: "servings[size=medium].milks[milk=whole-milk].amount", Value: "203 ml"})
	for _, test := range []struct{ name, path, value, says string }{
		{"same field", "servings[size=medium].vessel", "p350",
			"site/oyster-steps sets drinks/latte.yaml servings[size=medium].vessel to c450, pinned on c350 (edition 7), but the base now says p350: rebase the overlay on it, or drop this edit."},
		{"same field to the same value", "servings[size=medium].vessel", "c450", "pinned on c350 (edition 7), but the base now says c450"},
		{"the field added", "servings[size=large].checks.cup_mass", "{target: 340 g, within: 12 g}", "pinned on its absence (edition 7), but the base now says {target: 340 g, within: 12 g}"},
		{"the list begun", "cautions", "[Hot.]", "pinned on its absence (edition 7), but the base now says [Hot.]"},
		{"the field removed", "servings[size=medium].vessel", "", "but the base no longer has it"},
		{"the serving removed", "servings[size=large]", "", "but the base no longer has its place"},
		{"the parent removed", "servings[size=large].checks", "", "but the base no longer has its place"},
		{"the element removed", "servings[size=medium].milks[milk=whole-milk]", "", "but the base no longer has its place"},
		{"quoted otherwise", "servings[size=medium].vessel", `"c350"`, ""},
		{"another field", "servings[size=medium].shots", "4", ""},
		{"another serving", "servings[size=small]", "", ""},
	} {
		t.Run(test.name, func(t *testing.T) {
			now := set(t, files, latte, test.path, test.value)
			found := overlay.Conflicts(now, o)
			_, err := overlay.Resolve(now, o)
			if test.says == "" {
				if len(found) > 0 || err != nil {
					t.Fatalf("conflicts %v, error %v; want none", found, err)
				}
				return
			}
			if len(found) != 1 || !strings.Contains(found[0].Text, test.says) {
				t.Fatalf("conflicts %q, want one that says %q", found, test.says)
			}
			if ce, ok := errors.AsType[*overlay.ConflictError](err); !ok || len(ce.Conflicts) != 1 {
				t.Fatalf("Resolve gives %v, want the conflict", err)
			}
		})
	}
	if found := overlay.Conflicts(map[string][]byte{}, o); len(found) != len(o.Edits) {
		t.Errorf("without the file there are %d conflicts, want %d", len(found), len(o.Edits))
	}
}

// A region sells another oat drink, whose allergens are more; a site of it has
// its own departure pinned on the region's.
func TestARegionThenASite(t *testing.T) {
	files := bookFiles(t)
	region := pinned(t, files, "region/north", "another supplier",
		edit{File: ingredients, Path: "ingredients[id=oat-drink].contains", Value: "[gluten, soya]"},
		edit{File: ingredients, Path: "ingredients[id=oat-drink].name", Value: "Oat and soya drink"},
		edit{File: latte, Path: "servings[size=medium].milks[milk=oat-drink].cautions", Value: ""})
	afterRegion := resolved(t, files, region)
	report := overlay.Safety(resolved(t, files).Book, afterRegion.Book)
	if !has(report.Grows, "latte/medium/oat-drink: its allergens grow: contains soya now, not stated before.") ||
		!has(report.NeedsFoodSafety, `latte/medium/oat-drink: the caution "Separate jug and wand routine for oat drink." is removed.`) || len(report.NeedsFoodSafety) != 1 {
		t.Errorf("safety: %q", report)
	}
	site := pinned(t, afterRegion.Files, "site/oyster-steps", "the old stock first",
		edit{File: ingredients, Path: "ingredients[id=oat-drink].name", Value: "Oat drink (old stock)"})
	if site.Edits[0].Base != "Oat and soya drink" {
		t.Errorf("the site is pinned on %q", site.Edits[0].Base)
	}
	r := resolved(t, files, region, site)
	got := map[string][3]string{}
	for _, o := range r.Origins {
		if o.Source != overlay.Base {
			got[o.Path] = [3]string{o.Source, o.Value, o.Replaced}
		}
	}
	want := map[string][3]string{
		"ingredients[id=oat-drink].name":                       {"site/oyster-steps", "Oat drink (old stock)", "Oat and soya drink"},
		"ingredients[id=oat-drink].contains[0]":                {"region/north", "gluten", "gluten"},
		"ingredients[id=oat-drink].contains[1]":                {"region/north", "soya", ""},
		"servings[size=medium].milks[milk=oat-drink].cautions": {"region/north", "", "[Separate jug and wand routine for oat drink.]"},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("origins: -want +got\n%s", diff)
	}
	// Without the region's overlay the site's has nothing to stand on.
	if _, err := overlay.Resolve(files, site); err == nil {
		t.Error("the site's overlay applies without the region's")
	}
}

func has(lines []string, want string) bool { return slices.Contains(lines, want) }

func TestPinRefuses(t *testing.T) {
	files := bookFiles(t)
	for _, test := range []struct {
		name  string
		edits []edit
		says  string
	}{
		{"what is so already", []edit{{File: latte, Path: "name", Value: `"Latte"`}}, "is Latte in the base already"},
		{"a removal of nothing", []edit{{File: latte, Path: "cautions"}}, "is absent in the base already"},
		{"no such file", []edit{{File: "drinks/tea.yaml", Path: "name", Value: "x"}}, "is not in the book"},
		{"no such serving", []edit{{File: latte, Path: "servings[size=huge].shots", Value: "5"}}, "finds 0 elements"},
		{"no parent", []edit{{File: latte, Path: "checks.cup_mass.target", Value: "5 g"}}, "what it belongs to is not there"},
		{"a field in another edit's part", []edit{{File: latte, Path: "checks.milk_temp", Value: "61 °C"}, {File: latte, Path: "checks.milk_temp.need", Value: "always"}}, "touch each other"},
		{"one field twice by two names", []edit{{File: latte, Path: "servings[1].shots", Value: "4"}, {File: latte, Path: "servings[size=medium].shots", Value: "2"}}, "touch each other"},
		{"an index that a removal moves", []edit{{File: latte, Path: "servings[size=medium].milks[milk=soy-drink].cautions[0]"}, {File: latte, Path: "servings[size=medium].milks[milk=soy-drink].cautions[1]", Value: "Slowly."}}, "touch each other"},
		{"a list and an addition to it", []edit{{File: "house.yaml", Path: "cautions", Value: "[]"}, {File: "house.yaml", Path: "cautions[+]", Value: "Hot."}}, "touch each other"},
		{"a key that the next edit chooses by", []edit{{File: latte, Path: "servings[size=medium].size", Value: "grande"}, {File: latte, Path: "servings[size=medium].shots", Value: "4"}}, "another edit"},
	} {
		_, err := overlay.Pin(files, test.edits)
		if err == nil || !strings.Contains(err.Error(), test.says) {
			t.Errorf("%s: error %v, want one that says %q", test.name, err, test.says)
		}
	}
}

func TestSafety(t *testing.T) {
	files := bookFiles(t)
	for _, test := range []struct {
		name, file, path, value string
		grows, needs            string // a part of the one sentence that must be there; empty for none at all
	}{
		{"a vessel", latte, "servings[size=medium].vessel", "c450", "", ""},
		{"an allergen declared", ingredients, "ingredients[id=cinnamon].contains", "[sesame]", "sesame", ""},
		{"an allergen struck", ingredients, "ingredients[id=soy-drink].contains", "[]", "", "latte/medium/soy-drink: its allergens shrink: contains soya before, now not stated"},
		{"an allergen made less sure", ingredients, "ingredients[id=vanilla-ice-cream]", "{id: vanilla-ice-cream, name: Vanilla ice cream, kind: ice_cream, contains: [milk], may_contain: [egg, nuts, peanut], density: 0.55 g/ml}", "", "contains egg before, now may contain"},
		{"another milk in a drink with one", "drinks/macchiato.yaml", "servings[size=double].milk", "oat-drink", "contains gluten now", "macchiato/double: its allergens shrink: contains milk before, now not stated"},
		{"a garnish added", latte, "garnish", "[vanilla-ice-cream]", "latte/small/whole-milk: its allergens grow: contains egg now", ""},
		{"a hard maximum raised", "house.yaml", "milk_max", "68 °C", "", "hard maximum of milk 65 °C -> 68 °C"},
		{"a hard maximum lowered", "house.yaml", "milk_max", "64 °C", "", "hard maximum of milk 65 °C -> 64 °C"},
		{"a drink's hard maximum", latte, "checks.milk_temp.hard_high", "64 °C", "", "never above 65 °C"},
		{"a house caution removed", "house.yaml", "cautions[0]", "", "", "house: the caution \"Shots are exact."},
		{"a drink's caution removed", "drinks/espresso.yaml", "cautions", "", "", `espresso/single: the caution "Serve within 30 s." is removed`},
		{"a caution added", latte, "cautions[+]", "Hot.", "", ""},
		{"a replacement allowed", latte, "may_replace[+]", "{from: whole-milk, to: soy-drink}", "", "may replace"},
		{"a safety step removed", latte, "steps[act=wipe].criticality", "quality", "", "step wipe"},
	} {
		t.Run(test.name, func(t *testing.T) {
			old, problems := drink.LoadAndCheckFiles(files)
			if err := problems.Err(); err != nil {
				t.Fatal(err)
			}
			now, problems := drink.LoadFiles(set(t, files, test.file, test.path, test.value))
			if err := problems.Err(); err != nil {
				t.Fatal(err)
			}
			r := overlay.Safety(old, now)
			for _, side := range []struct {
				name, want string
				got        []string
			}{{"grows", test.grows, r.Grows}, {"needs", test.needs, r.NeedsFoodSafety}} {
				if side.want == "" && len(side.got) > 0 || side.want != "" && !strings.Contains(strings.Join(side.got, "\n"), side.want) {
					t.Errorf("%s: %q, want %q", side.name, side.got, side.want)
				}
			}
			if same := overlay.Safety(now, now); same.Any() {
				t.Errorf("a book against itself: %q", same)
			}
		})
	}
}

func TestCautions(t *testing.T) {
	files := bookFiles(t)
	_, problems := drink.LoadAndCheckFiles(files)
	all := overlay.Cautions(problems)
	if len(all) == 0 {
		t.Fatal("the book has no cautions to acknowledge")
	}
	ids := map[string]bool{}
	for _, c := range all {
		if len(c.ID) != 8 || ids[c.ID] || c.Problem.Level != drink.Caution {
			t.Errorf("%+v", c)
		}
		ids[c.ID] = true
	}
	moved := maps.Clone(files)
	for name := range moved {
		moved[name] = append([]byte("# a line more\n"), moved[name]...)
	}
	_, problems = drink.LoadAndCheckFiles(moved)
	for i, c := range overlay.Cautions(problems) {
		if c.ID != all[i].ID {
			t.Errorf("%s: has another ID on another line", c.Problem)
		}
	}
}
