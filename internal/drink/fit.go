package drink

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"samecup.example/samecup/internal/cup"
)

// Proposal is a serving worked out for another vessel.
type Proposal struct {
	// Old is the serving as it stands, New the one proposed.
	Old, New Serving
	// OldFacts and NewFacts are what follows from each.
	OldFacts, NewFacts Facts
	// Holds says in words what stays as it was, with its numbers; Cannot what
	// does not, and by how much.
	Holds, Cannot []string
}

// mostAir is the most air over hot milk that a book may state.
const mostAir = 1.5

// fitter carries one solve.
type fitter struct {
	b        *Book
	old, now Serving
	from, to cup.Shape
	was      Volumes
	// wasDepth is the froth's depth as it comes, mm.
	wasDepth float64
	fill     float64
	p        *Proposal
}

// Fit proposes the serving for another vessel of the book. It holds coffee's
// share of the cup with whole shots, the depth of the froth and the gap to the
// rim (or the height above it), and solves the air, the milk and, where there is
// no milk, the water. Other parts follow the fill. What cannot hold is said.
//
// Milk comes out in whole millilitres and air in whole percent, so a serving
// written so comes back as itself when fitted to its own vessel. Within the same
// number of shots a taller vessel of the same mouth never takes less milk; one
// more shot takes the room of some.
func (b *Book) Fit(s *Serving, vesselID string) (Proposal, error) {
	fail := func(err error) (Proposal, error) {
		return Proposal{}, fmt.Errorf("fit %s to %s: %w", s.ID, vesselID, err)
	}
	target, ok := b.VesselByID(vesselID)
	if !ok {
		return fail(fmt.Errorf("vessel %q is not in this book; it has %s", vesselID, strings.Join(vesselOrder(b), ", ")))
	}
	source, ok := b.VesselByID(s.Vessel)
	if !ok {
		return fail(fmt.Errorf("its own vessel %q is not in this book; correct the serving first", s.Vessel))
	}
	f := &fitter{b: b, old: cloneServing(s), now: cloneServing(s)}
	f.p = &Proposal{}
	f.now.Vessel = vesselID
	var err error
	if f.from, err = source.Shape(); err != nil {
		return fail(fmt.Errorf("vessel %s: %w", source.ID, err))
	}
	if f.to, err = target.Shape(); err != nil {
		return fail(fmt.Errorf("vessel %s: %w", target.ID, err))
	}
	if f.was, err = b.Volumes(s); err != nil {
		return fail(err)
	}
	if !(f.was.Filled > 0) {
		return fail(fmt.Errorf("it comes to %g ml; it must hold something", f.was.Filled))
	}
	if f.wasDepth, err = frothDepth(f.from, f.was.Filled, f.was.Froth); err != nil {
		return fail(fmt.Errorf("the froth as it stands: %w; mend the serving first", err))
	}
	if kinds := f.solvedKinds(); kinds == nil {
		f.cannot("rim gap: there is neither milk nor water to fill up with, so shots and parts stay as they are")
	} else if err := f.solve(kinds); err != nil {
		return fail(err)
	}
	f.checks()
	if source.TakeAway != target.TakeAway {
		f.cannot("steps: %s %s a lid, so add or remove that step by hand", target.Name, map[bool]string{true: "takes", false: "takes no"}[target.TakeAway])
	}
	if err := f.finish(); err != nil {
		return fail(err)
	}
	return *f.p, nil
}

// solve works out fill, shots, other parts and the liquid, in this order.
func (f *fitter) solve(kinds []string) error {
	if err := f.level(); err != nil {
		return err
	}
	f.shots()
	f.others(kinds)
	return f.liquid(kinds)
}

func cloneServing(s *Serving) Serving {
	out := *s
	out.Parts, out.Checks, out.Steps = slices.Clone(s.Parts), slices.Clone(s.Checks), slices.Clone(s.Steps)
	out.Garnish, out.MayReplace, out.Cautions = slices.Clone(s.Garnish), slices.Clone(s.MayReplace), slices.Clone(s.Cautions)
	return out
}

func (f *fitter) holds(format string, args ...any) {
	f.p.Holds = append(f.p.Holds, fmt.Sprintf(format, args...))
}

func (f *fitter) cannot(format string, args ...any) {
	f.p.Cannot = append(f.p.Cannot, fmt.Sprintf(format, args...))
}

// level is the fill that leaves the gap to the rim, or the height above it,
// that the serving has.
func (f *fitter) level() error {
	if f.was.Filled > f.from.Brim() {
		above, err := cup.CapHeight(f.from.Rim(), f.was.Filled-f.from.Brim())
		if err != nil {
			return fmt.Errorf("froth above the rim: %w", err)
		}
		dome, err := cup.CapVolume(f.to.Rim(), above)
		if err != nil {
			return fmt.Errorf("froth %.1f mm above the rim: %w", above, err)
		}
		f.fill = f.to.Brim() + dome
		f.holds("height above the rim: %.1f mm", above)
		return nil
	}
	stands, err := f.from.Depth(f.was.Filled)
	if err != nil {
		return err
	}
	gap := f.from.Height() - stands
	if gap >= f.to.Height() {
		return fmt.Errorf("it leaves %.0f mm to the rim, and this vessel is %.0f mm high; use a taller vessel", gap, f.to.Height())
	}
	if f.fill, err = f.to.Volume(f.to.Height() - gap); err != nil {
		return err
	}
	least := f.b.House.HeadspaceMin.Float()
	if room := f.to.Brim() - least; f.fill > room {
		if room <= 0 {
			return fmt.Errorf("the vessel holds %.0f ml and the house leaves %g ml free; use a larger vessel", f.to.Brim(), least)
		}
		f.cannot("rim gap: %.1f mm would leave %.1f ml free against the house's least of %g ml, so the fill stays lower", gap, f.to.Brim()-f.fill, least)
		f.fill = room
		return nil
	}
	f.holds("rim gap: %.1f mm", gap)
	return nil
}

// shots takes the whole shots that come nearest to the coffee's share.
func (f *fitter) shots() {
	if f.old.Shots <= 0 || f.was.Espresso <= 0 {
		return
	}
	single := f.was.Espresso / float64(f.old.Shots)
	share := f.was.Espresso / f.was.Filled
	exact := share * f.fill / single
	f.now.Shots = min(max(1, int(math.Floor(exact+0.5))), MaxSingles)
	percent := func(n int) float64 { return 100 * float64(n) * single / f.fill }
	got := percent(f.now.Shots)
	other := f.now.Shots + 1
	if exact < float64(f.now.Shots) {
		other = f.now.Shots - 1
	}
	residual := 100 * (got/(100*share) - 1)
	verb := "make"
	if f.now.Shots == 1 {
		verb = "makes"
	}
	text := fmt.Sprintf("%s of coffee %s %.1f %% of the cup against %.1f %%", plural(fmt.Sprint(f.now.Shots), "shot"), verb, got, 100*share)
	if math.Abs(residual) < 0.05 {
		f.holds("strength: %s", text)
		return
	}
	text += fmt.Sprintf(" (%+.1f %% of it)", residual)
	if other > 0 {
		text += fmt.Sprintf("; %d would make %.1f %%", other, percent(other))
	}
	if band := f.b.House.StrengthBand.Float(); band > 0 && math.Abs(residual) <= band {
		f.holds("strength, within the house's band of %g %%: %s", band, text)
		return
	}
	f.cannot("strength, whole shots only: %s", text)
}

// others scales what is neither coffee nor the liquid that is solved.
func (f *fitter) others(solved []string) {
	ratio := f.fill / f.was.Filled
	for i := range f.now.Parts {
		p := &f.now.Parts[i]
		in, ok := f.b.IngredientByID(p.Ingredient)
		if !ok || slices.Contains(solved, in.Kind) || math.Abs(ratio-1) < 1e-9 {
			continue
		}
		was := p.Amount
		exact := was.Float() * ratio
		if p.Amount = Milli(math.Round(exact)) * 1000; p.Amount <= 0 {
			p.Amount = 1000
		}
		if off := p.Amount.Float()/exact - 1; math.Abs(off) > 0.02 {
			f.cannot("%s: %s would hold its share, %s is what can be given (%+.0f %%)", in.Name,
				partText(Part{Amount: Milli(math.Round(exact*10)) * 100, Unit: p.Unit}), partText(*p), 100*off)
		}
	}
}

// solvedKinds are the kinds of part that take up what room there is.
func (f *fitter) solvedKinds() []string {
	for _, kinds := range [][]string{{"milk", "plant_milk"}, {"water"}, {"coffee"}} {
		for _, p := range f.old.Parts {
			if in, ok := f.b.IngredientByID(p.Ingredient); ok && slices.Contains(kinds, in.Kind) && p.Unit == Millilitre {
				return kinds
			}
		}
	}
	return nil
}
