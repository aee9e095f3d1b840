package drink

import (
	"reflect"
	"slices"
	"strings"
	"testing"
)

func harbourFinch(t testing.TB) *Book {
	t.Helper()
	b, problems := LoadDir("../../testdata/harbour-finch")
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return b
}

func mustServing(t testing.TB, b *Book, id string) *Serving {
	t.Helper()
	s, ok := b.ServingByID(id)
	if !ok {
		t.Fatalf("no serving %q", id)
	}
	return s
}

func mustCheck(t testing.TB, checks []Check, id string) *Check {
	t.Helper()
	i := slices.IndexFunc(checks, func(k Check) bool { return k.ID == id })
	if i < 0 {
		t.Fatalf("no check %q", id)
	}
	return &checks[i]
}

// onEveryServing edits a book's house pull check as its author would: at the
// house, from which the servings have it.
func onEveryServing(b *Book, id string, edit func(*Check)) {
	for _, checks := range append([][]Check{b.House.Pull.Checks}, func() (out [][]Check) {
		for i := range b.Drinks {
			for j := range b.Drinks[i].Servings {
				out = append(out, b.Drinks[i].Servings[j].Checks)
			}
		}
		return out
	}()...) {
		for i := range checks {
			if checks[i].ID == id {
				edit(&checks[i])
			}
		}
	}
}

func TestDiffNamesOneCauseOnce(t *testing.T) {
	const latte = "latte/medium/whole-milk"
	for _, c := range []struct {
		name string
		edit func(t *testing.T, b *Book)
		// want are the first words of each change, in order; effects some of what follows.
		want    []string
		effects []string
	}{
		{"nothing", func(*testing.T, *Book) {}, nil, nil},
		{"a target and its tolerance", func(t *testing.T, b *Book) {
			k := mustCheck(t, mustServing(t, b, latte).Checks, "froth_depth")
			k.Target, k.Low, k.High = 12_000, 10_000, 14_000
		}, []string{latte + ": froth depth 10 mm -> 12 mm (8 mm to 12 mm -> 10 mm to 14 mm)"}, nil},
		{"a tolerance alone", func(t *testing.T, b *Book) {
			mustCheck(t, mustServing(t, b, latte).Checks, "froth_depth").High = 13_000
		}, []string{latte + ": froth depth 10 mm (8 mm to 12 mm -> 8 mm to 13 mm)"}, nil},
		{"shot time of the house", func(_ *testing.T, b *Book) {
			onEveryServing(b, "shot_time", func(k *Check) { k.Target, k.Low, k.High = 30_000, 28_000, 32_000 })
		}, []string{"house pull shot time 28 s -> 30 s (25 s to 31 s, needed always -> 28 s to 32 s, needed always): reaches 2"}, nil},
		{"yield of the house", func(_ *testing.T, b *Book) {
			onEveryServing(b, "yield", func(k *Check) { k.Target, k.Low, k.High = 40_000, 38_500, 41_500 })
		}, []string{"house pull yield 36 g -> 40 g"}, []string{latte, "coffee 54 g -> 60 g", "strength"}},
		{"milk's hard maximum of the house", func(_ *testing.T, b *Book) {
			b.House.MilkMax = 64_000
			onEveryServing(b, "milk_temp", func(k *Check) { k.HardHigh = 64_000 })
		}, []string{"SAFETY house hard maximum of milk 65 °C -> 64 °C: reaches "}, nil},
		{"a hard maximum of a serving comes before its froth", func(t *testing.T, b *Book) {
			s := mustServing(t, b, latte)
			mustCheck(t, s.Checks, "froth_depth").High = 13_000
			mustCheck(t, s.Checks, "milk_temp").HardHigh = 64_000
		}, []string{"SAFETY " + latte + ": milk temperature 60 °C", latte + ": froth depth"}, nil},
		{"an allergen", func(_ *testing.T, b *Book) {
			in, _ := b.IngredientByID("soy-drink")
			in.Contains = append(slices.Clone(in.Contains), "nuts")
		}, []string{"SAFETY ingredient soy-drink allergens: contains soya, may contain none -> contains soya, nuts, may contain none: reaches 1 serving (latte/medium/soy-drink)"},
			[]string{"now contains nuts"}},
		{"a declaration withdrawn is unknown, not none", func(_ *testing.T, b *Book) {
			in, _ := b.IngredientByID("soy-drink")
			in.AllergensKnown, in.Contains = false, nil
		}, []string{"SAFETY ingredient soy-drink allergens: contains soya, may contain none -> UNKNOWN"}, []string{"no longer declared: contains soya", "now unknown for"}},
		{"one amount with what follows", func(t *testing.T, b *Book) {
			mustServing(t, b, latte).Parts[0].Amount = 190_000
		}, []string{latte + ": whole-milk 201 ml -> 190 ml"}, []string{"so fill 317 ml -> ", "headspace"}},
		{"two causes in one serving stand together", func(t *testing.T, b *Book) {
			s := mustServing(t, b, latte)
			s.Parts[0].Amount, s.Air = 195_000, 200
		}, []string{latte + ": air 18 % -> 20 %", latte + ": whole-milk 201 ml -> 195 ml", latte + ": the changes together"}, nil},
		{"a vessel newly needed", func(t *testing.T, b *Book) {
			mustServing(t, b, "latte/medium-takeaway/whole-milk").Vessel = "p450"
		}, []string{"latte/medium-takeaway/whole-milk: vessel p350 -> p450",
			"vessel p450: Large paper cup (p450), 450 ml to the brim, is newly needed; which sites have it is not known here: reaches 1 serving",
			"vessel p350: Medium paper cup (p350), 350 ml to the brim, is no longer needed"}, nil},
		{"a vessel's shape", func(_ *testing.T, b *Book) {
			v, _ := b.VesselByID("f300")
			v.Top, v.Brim = 84_000, 315_000
		}, []string{"vessel f300 shape base 72 mm, top 80 mm, height 66.1 mm, brim 300 ml -> base 72 mm, top 84 mm"}, []string{"headspace"}},
		{"a safety step left out", func(t *testing.T, b *Book) {
			s := mustServing(t, b, "mocha/medium")
			s.Steps = slices.DeleteFunc(slices.Clone(s.Steps), func(s Step) bool { return s.ID == "wipe" })
		}, []string{"SAFETY mocha/medium: step wipe removed (was "}, nil},
		{"a serving gone and one come", func(t *testing.T, b *Book) {
			mustServing(t, b, "mocha/medium").ID = "mocha/regular"
		}, []string{"mocha/regular: new: c350, 2 shots", "mocha/medium: no longer in the book"}, nil},
		{"the same change to a drink's servings", func(_ *testing.T, b *Book) {
			for i := range b.Drinks {
				for j := range b.Drinks[i].Servings {
					if s := &b.Drinks[i].Servings[j]; s.Drink == "cappuccino" {
						s.Cautions = append(s.Cautions, "Hold the saucer.")
					}
				}
			}
		}, []string{"cappuccino: caution added: Hold the saucer.: reaches 3 servings"}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			old, now := harbourFinch(t), harbourFinch(t)
			c.edit(t, now)
			changes := Diff(old, now)
			var lines []string
			for _, change := range changes {
				lines = append(lines, change.String())
			}
			if len(lines) != len(c.want) {
				t.Fatalf("%d changes, want %d:\n%s", len(lines), len(c.want), strings.Join(lines, "\n"))
			}
			for i := range c.want {
				if !strings.HasPrefix(lines[i], c.want[i]) {
					t.Errorf("change %d = %q\nwant %q", i, lines[i], c.want[i])
				}
			}
			var text strings.Builder
			if err := WriteChanges(&text, changes); err != nil {
				t.Fatal(err)
			}
			for _, want := range c.effects {
				if !strings.Contains(text.String(), want) {
					t.Errorf("effects lack %q:\n%s", want, text.String())
				}
			}
			if back := Diff(now, old); len(back) != len(changes) {
				t.Errorf("%d changes one way, %d the other", len(changes), len(back))
			}
		})
	}
}

// A field that the model gains must not slip through a comparison.
func TestDiffSeesEveryField(t *testing.T) {
	for _, part := range []struct {
		name string
		of   func(b *Book) reflect.Value
		// keys make two things the same thing; the rest is compared by parts.
		skip []string
	}{
		{"house", func(b *Book) reflect.Value { return reflect.ValueOf(&b.House).Elem() }, []string{"Pull"}},
		{"pull", func(b *Book) reflect.Value { return reflect.ValueOf(&b.House.Pull).Elem() }, []string{"Checks"}},
		{"vessel", func(b *Book) reflect.Value { return reflect.ValueOf(&b.Vessels[0]).Elem() }, []string{"ID"}},
		{"ingredient", func(b *Book) reflect.Value {
			in, _ := b.IngredientByID("mocha-sauce")
			return reflect.ValueOf(in).Elem()
		}, []string{"ID"}},
		{"serving", func(b *Book) reflect.Value {
			s, _ := b.ServingByID("mocha/medium")
			return reflect.ValueOf(s).Elem()
		}, []string{"ID", "Drink", "Size", "Parts", "Steps", "Checks", "MayReplace"}},
	} {
		for i := range reflect.TypeOf(part.of(harbourFinch(t)).Interface()).NumField() {
			old, now := harbourFinch(t), harbourFinch(t)
			v := part.of(now)
			name := v.Type().Field(i).Name
			if slices.Contains(part.skip, name) {
				continue
			}
			if !alter(v.Field(i)) {
				t.Errorf("%s.%s is of a kind that this test cannot alter", part.name, name)
				continue
			}
			if len(Diff(old, now)) == 0 {
				t.Errorf("a changed %s.%s is no difference", part.name, name)
			}
		}
	}
}

func alter(v reflect.Value) bool {
	switch v.Kind() {
	case reflect.String:
		v.SetString(v.String() + "x")
	case reflect.Bool:
		v.SetBool(!v.Bool())
	case reflect.Int, reflect.Int64:
		v.SetInt(v.Int() + 1000)
	case reflect.Uint8:
		v.SetUint(v.Uint() + 1)
	case reflect.Slice:
		item := reflect.New(v.Type().Elem()).Elem()
		alter(item)
		v.Set(reflect.Append(reflect.AppendSlice(reflect.MakeSlice(v.Type(), 0, v.Len()+1), v), item))
	case reflect.Pointer:
		item := reflect.New(v.Type().Elem())
		alter(item.Elem())
		v.Set(item)
	case reflect.Map:
		return false
	case reflect.Struct:
		return v.NumField() > 0 && alter(v.Field(0))
	default:
		return false
	}
	return true
}
