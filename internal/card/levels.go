package card

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"samecup.example/samecup/internal/cup"
	"samecup.example/samecup/internal/drink"
)

// ErrCannotDraw is returned for a serving that has no cross-section: its vessel
// is not in the book, or its parts do not fit it.
var ErrCannotDraw = errors.New("the serving cannot be drawn")

// Froth is the kind of the layer of froth; the others are the kinds of
// drink.IngredientKinds, with espresso for the shots.
const (
	Froth    = "froth"
	Espresso = "espresso"
)

// Layer is what stands between two levels of the vessel.
type Layer struct {
	// Kind decides tone and pattern: see StyleOf.
	Kind string
	// Name and Amount are the words beside it.
	Name, Amount string
	// VolumeML is the volume drawn, ml.
	VolumeML float64
	// FromMM and ToMM are depths above the base, mm; AboveMM is the height, mm,
	// of a spherical cap over the rim, where the layer is froth and reaches it.
	FromMM, ToMM, AboveMM float64
}

// Section is a vessel's cross-section with its layers from the bottom up.
type Section struct {
	Vessel *drink.Vessel
	Shape  cup.Shape
	Layers []Layer
	// FilledML is the sum of the layers, ml.
	FilledML float64
	// RimGapMM is the height left to the rim, mm; 0 where froth passes it.
	RimGapMM float64
	// FrothMM is the depth of the froth on the axis, mm, from its foot to its
	// top; AboveMM the part of it that stands above the rim.
	FrothMM, AboveMM float64
}

// Levels stacks a serving's parts in build order from the bottom. Liquids mix in
// a real cup; the levels say how much of each there is, with V(to) - V(from) the
// layer's volume. The volumes are those of drink.Volumes; froth on top takes its
// liquid share from the milk below it.
func Levels(b *drink.Book, s *drink.Serving) (*Section, error) {
	v, ok := b.VesselByID(s.Vessel)
	if !ok {
		return nil, fmt.Errorf("%w: serving %s: vessel %q is not in the book; add it to vessels.yaml", ErrCannotDraw, s.ID, s.Vessel)
	}
	shape, err := v.Shape()
	if err != nil {
		return nil, fmt.Errorf("%w: serving %s: vessel %s: %w", ErrCannotDraw, s.ID, s.Vessel, err)
	}
	layers, err := stack(b, s)
	if err != nil {
		return nil, fmt.Errorf("%w: serving %s: %w", ErrCannotDraw, s.ID, err)
	}
	out := &Section{Vessel: v, Shape: shape}
	brim := shape.Brim()
	for _, l := range layers {
		out.FilledML += l.VolumeML
	}
	below := 0.0
	for i, l := range layers {
		top := below + l.VolumeML
		if top > brim && (l.Kind != Froth || i != len(layers)-1) {
			return nil, fmt.Errorf("%w: serving %s: %s reaches %.0f ml and the vessel %s holds %.0f ml; pour less, or use a larger vessel",
				ErrCannotDraw, s.ID, l.Name, top, s.Vessel, brim)
		}
		if l.FromMM, err = shape.Depth(below); err != nil {
			return nil, fmt.Errorf("%w: serving %s: %s: %w", ErrCannotDraw, s.ID, l.Name, err)
		}
		if l.ToMM, err = shape.Depth(math.Min(top, brim)); err != nil {
			return nil, fmt.Errorf("%w: serving %s: %s: %w", ErrCannotDraw, s.ID, l.Name, err)
		}
		if top > brim {
			if l.AboveMM, err = cup.CapHeight(shape.Rim(), top-brim); err != nil {
				return nil, fmt.Errorf("%w: serving %s: %s: %w", ErrCannotDraw, s.ID, l.Name, err)
			}
		}
		if l.Kind == Froth {
			out.FrothMM, out.AboveMM = l.ToMM-l.FromMM+l.AboveMM, l.AboveMM
		}
		out.RimGapMM = math.Max(shape.Height()-l.ToMM, 0)
		out.Layers = append(out.Layers, l)
		below = top
	}
	return out, nil
}

// stack is the layers with their volumes, not yet their levels.
func stack(b *drink.Book, s *drink.Serving) ([]Layer, error) {
	type placed struct {
		layer Layer
		step  int
	}
	var all []placed
	whole, err := b.Volumes(s)
	if err != nil {
		return nil, err
	}
	// Froth takes its liquid from the milk: what is left lies below it.
	froth := math.Min(whole.Froth, whole.Milk+whole.Air)
	milkLeft := 1.0
	if whole.Milk > 0 {
		milkLeft = math.Max(0, (whole.Milk-(froth-whole.Air))/whole.Milk)
	}
	if whole.Espresso > 0 {
		all = append(all, placed{Layer{Kind: Espresso, Name: "Espresso", Amount: countOf(s.Shots, "shot") + ", " + about(whole.Espresso, "g"), VolumeML: whole.Espresso}, stepOf(s, "pull", "")})
	}
	for _, part := range s.Parts {
		in, ok := b.IngredientByID(part.Ingredient)
		if !ok {
			return nil, fmt.Errorf("ingredient %q is not in the book; add it to ingredients.yaml", part.Ingredient)
		}
		// A serving of this part alone has this part's volume.
		alone := *s
		alone.Shots, alone.Parts = 0, []drink.Part{part}
		v, err := b.Volumes(&alone)
		if err != nil {
			return nil, err
		}
		l := Layer{Kind: in.Kind, Name: in.Name, Amount: amountOf(part, in), VolumeML: v.Other + v.Milk*milkLeft}
		step := stepOf(s, "", part.Ingredient)
		switch {
		case in.Kind == "milk" || in.Kind == "plant_milk":
			if stepOf(s, "steam", "") >= 0 {
				l.Amount += " cold, steamed"
				step = max(stepOf(s, "pour", ""), stepOf(s, "strain", ""))
			}
		case step < 0 && in.Kind == "water":
			step = stepOf(s, "add_water", "")
		case step < 0 && in.Kind == "ice":
			step = stepOf(s, "add_ice", "")
		}
		if step < 0 && (in.Kind == "sauce" || in.Kind == "syrup" || in.Kind == "powder" || in.Kind == "ice") {
			step = -2 // nobody says when: before anything else
		} else if step < 0 {
			step = len(s.Steps)
		}
		all = append(all, placed{l, step})
	}
	slices.SortStableFunc(all, func(x, y placed) int { return cmp.Compare(x.step, y.step) })
	var out []Layer
	for _, p := range all {
		// A milk that is all froth has no layer of its own below it.
		if p.layer.VolumeML > 1e-9 {
			out = append(out, p.layer)
		}
	}
	if froth > 0 {
		out = append(out, Layer{Kind: Froth, Name: "Froth", Amount: about(froth, "ml"), VolumeML: froth})
	}
	return out, nil
}

// stepOf is the index of the first step of an act, or of any act on an
// ingredient; -1 for none. Garnishing is no part of the layers.
func stepOf(s *drink.Serving, act, ingredient string) int {
	return slices.IndexFunc(s.Steps, func(step drink.Step) bool {
		if act != "" {
			return step.Act == act
		}
		return step.Ingredient == ingredient && step.Act != "garnish"
	})
}

func amountOf(p drink.Part, in *drink.Ingredient) string {
	if p.Unit != drink.Count {
		return drink.FormatQuantity(p.Amount, p.Unit)
	}
	out := p.Amount.String() + " pumps"
	if p.Amount == 1000 {
		out = "1 pump"
	}
	if in.PumpVolume > 0 {
		out += " of " + drink.FormatQuantity(in.PumpVolume, drink.Millilitre)
	}
	return out
}

func countOf(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

func about(v float64, unit string) string { return fmt.Sprintf("about %.0f %s", v, unit) }
