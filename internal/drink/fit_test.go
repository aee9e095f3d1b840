package drink

import (
	"math"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

func books(t testing.TB) map[string]*Book {
	t.Helper()
	out := map[string]*Book{}
	for _, name := range []string{"harbour-finch", "harbour-finch-counter"} {
		b, problems := LoadDir("../../testdata/" + name)
		if err := problems.Err(); err != nil {
			t.Fatal(err)
		}
		out[name] = b
	}
	return out
}

func TestFitToItsOwnVesselIsTheSameServing(t *testing.T) {
	for name, b := range books(t) {
		for _, s := range b.Servings() {
			p, err := b.Fit(&s, s.Vessel)
			if err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			if diff := cmp.Diff(s, p.New, cmpopts.EquateEmpty()); diff != "" {
				t.Errorf("%s: %s changed (-was +is):\n%s", name, s.ID, diff)
			}
		}
	}
}

// Every serving to every vessel: a proposal either passes the book's check or
// says what it does not pass, and holds what it claims to hold.
func TestFitHoldsWhatItSays(t *testing.T) {
	proposals := 0
	for _, b := range books(t) {
		for _, s := range b.Servings() {
			for _, v := range b.Vessels {
				p, err := b.Fit(&s, v.ID)
				if err != nil {
					if !strings.Contains(err.Error(), s.ID) || !strings.Contains(err.Error(), v.ID) {
						t.Errorf("error without its place: %v", err)
					}
					continue
				}
				proposals++
				said := strings.Join(p.Cannot, "\n")
				if strings.Contains(said, "the book's check") {
					continue
				}
				if p.New.AboveRim == 0 && p.NewFacts.HeadspaceML < b.House.HeadspaceMin.Float()-1e-9 {
					t.Errorf("%s to %s: headspace %g ml", s.ID, v.ID, p.NewFacts.HeadspaceML)
				}
				for _, hold := range p.Holds {
					switch {
					case strings.HasPrefix(hold, "rim gap") && !strings.Contains(said, "rim gap") && math.Abs(p.NewFacts.RimGapMM-p.OldFacts.RimGapMM) > 1:
						t.Errorf("%s to %s: rim gap %g mm, was %g mm", s.ID, v.ID, p.NewFacts.RimGapMM, p.OldFacts.RimGapMM)
					case strings.HasPrefix(hold, "froth depth") && math.Abs(p.NewFacts.FrothDepthMM-p.OldFacts.FrothDepthMM) > 1.5:
						t.Errorf("%s to %s: froth %g mm, was %g mm", s.ID, v.ID, p.NewFacts.FrothDepthMM, p.OldFacts.FrothDepthMM)
					}
				}
			}
		}
	}
	if proposals < 100 {
		t.Errorf("only %d proposals were made", proposals)
	}
}

func TestFitSaysWhatCannotHold(t *testing.T) {
	b := books(t)["harbour-finch"]
	for _, c := range []struct{ serving, vessel, want string }{
		{"mocha/medium", "c450", "strength, whole shots only: 3 shots of coffee make "},
		{"latte/medium/whole-milk", "p350", "takes a lid"},
		{"cappuccino/small", "c350", "caffeine: some 243 mg passes a single dose of 200 mg"},
		{"espresso/single", "c180", "there is neither milk nor water to fill up with"},
	} {
		p, err := b.Fit(mustServing(t, b, c.serving), c.vessel)
		if err != nil {
			t.Errorf("%s: %v", c.serving, err)
			continue
		}
		if said := strings.Join(p.Cannot, "\n"); !strings.Contains(said, c.want) {
			t.Errorf("%s to %s says %q, not %q", c.serving, c.vessel, said, c.want)
		}
		if text := p.String(); !strings.Contains(text, "Holds\n") || strings.Contains(text, "NaN") {
			t.Errorf("%s to %s:\n%s", c.serving, c.vessel, text)
		}
	}
	p, err := b.Fit(mustServing(t, b, "espresso/single"), "c180")
	if err != nil || p.New.Shots != 1 || len(p.Holds) != 0 {
		t.Errorf("a single in a cup = %d shots, holds %q, %v", p.New.Shots, p.Holds, err)
	}
	_, err = b.Fit(mustServing(t, b, "latte/small/whole-milk"), "c999")
	if err == nil || !strings.Contains(err.Error(), `vessel "c999" is not in this book; it has d80`) {
		t.Errorf("unknown vessel: %v", err)
	}
}

// A taller vessel of the same mouth and base never takes less coffee and milk,
// and less milk only where it takes a shot more.
func TestFitTakesMoreMilkInATallerVessel(t *testing.T) {
	base := books(t)["harbour-finch"]
	rapid.Check(t, func(r *rapid.T) {
		b := *base
		low := Milli(rapid.IntRange(60_000, 140_000).Draw(r, "low"))
		high := low + Milli(rapid.IntRange(0, 60_000).Draw(r, "more"))
		narrow := Milli(rapid.IntRange(45_000, 80_000).Draw(r, "base"))
		wide := narrow + Milli(rapid.IntRange(0, 40_000).Draw(r, "opening"))
		vessel := func(id string, height Milli) Vessel {
			v := Vessel{ID: id, Name: id, Base: narrow, Top: wide, Height: height}
			if p, err := v.Shape(); err == nil {
				v.Brim, _ = FromFloat(p.Brim())
			}
			return v
		}
		b.Vessels = append(append([]Vessel(nil), base.Vessels...), vessel("low", low), vessel("high", high))
		s, _ := b.ServingByID(rapid.SampledFrom([]string{"latte/small/whole-milk", "cappuccino/medium", "flat-white/small/whole-milk", "latte/medium/oat-drink"}).Draw(r, "serving"))
		a, errLow := b.Fit(s, "low")
		z, errHigh := b.Fit(s, "high")
		if errLow != nil || errHigh != nil {
			r.Skip("no proposal")
		}
		if a.New.Shots > z.New.Shots {
			r.Fatalf("%d shots in the lower vessel, %d in the taller", a.New.Shots, z.New.Shots)
		}
		// Whole percents of air move the milk by up to a hundredth of it.
		slack := 2 + z.New.Parts[0].Amount.Float()*0.01
		if a.New.Shots == z.New.Shots && z.New.Parts[0].Amount.Float() < a.New.Parts[0].Amount.Float()-slack {
			r.Fatalf("%s ml in the lower vessel, %s ml in the taller", a.New.Parts[0].Amount, z.New.Parts[0].Amount)
		}
	})
}

// The snippet, put back into its drink's file, reads as the proposal.
func TestYAMLReadsBackAsTheServing(t *testing.T) {
	for name, b := range books(t) {
		for _, s := range b.Servings() {
			files, problems := readBookFiles(t, "../../testdata/"+name)
			if err := problems.Err(); err != nil {
				t.Fatal(err)
			}
			files[drinkFile(s.Drink)] = []byte("id: " + s.Drink + "\nname: " + s.DrinkName + "\nservings:\n" + b.YAML(&s))
			back, problems := LoadFiles(files)
			if err := problems.Err(); err != nil {
				t.Errorf("%s: %v\n%s", s.ID, err, files[drinkFile(s.Drink)])
				continue
			}
			got, ok := back.ServingByID(s.ID)
			if !ok {
				t.Errorf("%s does not come back:\n%s", s.ID, b.YAML(&s))
				continue
			}
			byID := cmpopts.SortSlices(func(a, b Check) bool { return a.ID < b.ID })
			if diff := cmp.Diff(s, *got, cmpopts.EquateEmpty(), byID); diff != "" {
				t.Errorf("%s (-was +read):\n%s", s.ID, diff)
			}
		}
	}
}

func readBookFiles(t testing.TB, dir string) (map[string][]byte, Problems) {
	t.Helper()
	return ReadFiles(os.DirFS(dir))
}
