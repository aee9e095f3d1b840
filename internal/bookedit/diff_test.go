package bookedit_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/bookedit"
)

const latte = "drinks/latte.yaml"

// edits applies path, value pairs to the latte of Harbour & Finch.
func edits(t *testing.T, files map[string][]byte, pairs ...string) map[string][]byte {
	t.Helper()
	for i := 0; i < len(pairs); i += 2 {
		var err error
		if files, err = bookedit.Set(files, latte, pairs[i], pairs[i+1]); err != nil {
			t.Fatal(err)
		}
	}
	return files
}

func TestChanged(t *testing.T) {
	base := bookFiles(t, "harbour-finch")
	type row struct {
		Path               string
		InA, InB, Conflict bool
	}
	for _, test := range []struct {
		name string
		a, b []string
		want []row
	}{
		{"nothing", nil, nil, nil},
		{"two fields", []string{"servings[size=medium].vessel", "c450"}, []string{"servings[size=medium].air", "20 %"},
			[]row{{"servings[size=medium].vessel", true, false, false}, {"servings[size=medium].air", false, true, false}}},
		{"one field alike", []string{"name", "Caffè latte"}, []string{"name", "'Caffè latte'"}, []row{{"name", true, true, false}}},
		{"one field in two ways", []string{"name", "Caffè latte"}, []string{"name", "Milk coffee"}, []row{{"name", true, true, true}}},
		{"a field in a part that the other removed", []string{"checks.milk_temp", ""}, []string{"checks.milk_temp.need", "always"},
			[]row{{"checks.milk_temp", true, true, true}, {"checks.milk_temp.need", true, true, true}}},
		{"a field in a word that the other removed", []string{"servings[size=medium].milks[milk=whole-milk]", ""}, []string{"servings[size=medium].milks[milk=whole-milk].amount", "200 ml"},
			[]row{{"servings[size=medium].milks[milk=whole-milk]", true, true, true}}},
		{"two elements added", []string{"servings[size=small].milks[+]", "oat-drink"}, []string{"servings[size=small].milks[+]", "soy-drink"},
			[]row{{"servings[size=small].milks[milk=oat-drink]", true, false, false}, {"servings[size=small].milks[milk=soy-drink]", false, true, false}}},
		{"an order", []string{"servings[size=medium-takeaway].steps", "[pull, dose, {act: steam, ingredient: milk, after: []}, {act: wipe, criticality: safety}, {act: pour, after: [pull, steam]}, {act: lid, criticality: safety}]"}, nil,
			[]row{{"servings[size=medium-takeaway].steps", true, false, false}}},
	} {
		t.Run(test.name, func(t *testing.T) {
			var got []row
			for _, c := range bookedit.Changed(base, edits(t, base, test.a...), edits(t, base, test.b...)) {
				got = append(got, row{c.Path, c.InA, c.InB, c.Conflict})
			}
			if diff := cmp.Diff(test.want, got); diff != "" {
				t.Errorf("-want +got\n%s", diff)
			}
		})
	}
}

func TestDiffering(t *testing.T) {
	base := bookFiles(t, "harbour-finch")
	stored := edits(t, base, "servings[size=medium].vessel", "c450", "cautions[+]", "Hot.")
	for _, test := range []struct {
		name string
		mine map[string][]byte
		want []string
	}{
		{"mine would undo both", edits(t, base, "name", "Caffè latte"), []string{"drinks/latte.yaml servings[size=medium].vessel", "drinks/latte.yaml cautions"}},
		{"mine overwrites one", edits(t, stored, "servings[size=medium].vessel", "p350"), []string{"drinks/latte.yaml servings[size=medium].vessel"}},
		{"mine holds both", edits(t, stored, "name", "Caffè latte"), nil},
		{"mine lacks the file", map[string][]byte{}, []string{"drinks/latte.yaml servings[size=medium].vessel", "drinks/latte.yaml cautions"}},
	} {
		if diff := cmp.Diff(test.want, bookedit.Differing(stored, base, test.mine)); diff != "" {
			t.Errorf("%s: -want +got\n%s", test.name, diff)
		}
	}
}
