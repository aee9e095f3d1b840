package release

import (
	"slices"
	"strings"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// Judge adds to a verdict what of a build is stopped: its drink, each
// ingredient in the cup, and each of its lots. The station and the centre both
// call it, so that they agree. sv is the serving that the build names; with
// nil, where the book has none, the drink is read off the serving's ID and the
// log alone says what was used. It allocates nothing while nothing is stopped
// and lots are written as NormaliseLot writes them.
func (s *Stops) Judge(sv *drink.Serving, b *drink.Build, v *verdict.Verdict) {
	if s == nil || len(s.open) == 0 {
		return
	}
	if len(s.drinks) > 0 {
		id := ""
		if sv != nil {
			id = sv.Drink
		} else {
			id, _, _ = strings.Cut(b.Serving, "/")
		}
		if stop := s.drinks[id]; stop != nil {
			found(v, "drink ", stop)
		}
	}
	if len(s.ingredients) > 0 {
		s.judgeIngredients(sv, b, v)
	}
	if len(s.lots) > 0 {
		for _, lot := range b.Lots {
			if stop := s.lots[NormaliseLot(lot)]; stop != nil {
				found(v, "lot ", stop)
			}
		}
	}
}

// judgeIngredients looks at what went into this cup: a part that the log says
// was replaced did not, and the milk used goes before the milk of the spec.
// Where the log names no milk, that of the spec counts.
func (s *Stops) judgeIngredients(sv *drink.Serving, b *drink.Build, v *verdict.Verdict) {
	if sv != nil {
		for i := range sv.Parts {
			s.judgeSpec(sv, b, sv.Parts[i].Ingredient, v)
		}
		// What is steeped or shaken in need not be a part of its own.
		for i := range sv.Steps {
			s.judgeSpec(sv, b, sv.Steps[i].Ingredient, v)
		}
	}
	if stop := s.ingredients[b.Milk]; stop != nil {
		found(v, "ingredient ", stop)
	}
	for _, id := range b.Garnish {
		if stop := s.ingredients[id]; stop != nil {
			found(v, "ingredient ", stop)
		}
	}
	for i := range b.Substitutions {
		if stop := s.ingredients[b.Substitutions[i].To]; stop != nil {
			found(v, "ingredient ", stop)
		}
	}
}

// judgeSpec looks at an ingredient that the serving asks for.
func (s *Stops) judgeSpec(sv *drink.Serving, b *drink.Build, id string, v *verdict.Verdict) {
	stop := s.ingredients[id]
	if stop == nil || (id == sv.Milk && b.Milk != "" && b.Milk != id) || replaced(b, id) {
		return
	}
	found(v, "ingredient ", stop)
}

func replaced(b *drink.Build, id string) bool {
	for i := range b.Substitutions {
		if b.Substitutions[i].From == id && b.Substitutions[i].To != id {
			return true
		}
	}
	return false
}

// found adds a stop to a verdict once.
func found(v *verdict.Verdict, what string, stop *pb.Stop) {
	for i := range v.Findings {
		f := &v.Findings[i]
		if rest, ok := strings.CutPrefix(f.Got, what); f.Kind == verdict.Stopped && ok && rest == stop.Target {
			return
		}
	}
	v.AddStopped(what+stop.Target, stop.Reason)
}

// Serving reports whether a serving made to the letter is stopped: its drink,
// or an ingredient that it holds. Lots are not in a book.
func (s *Stops) Serving(sv *drink.Serving) bool {
	if s == nil || len(s.open) == 0 {
		return false
	}
	return s.drinks[sv.Drink] != nil || s.ingredients[sv.Milk] != nil ||
		slices.ContainsFunc(sv.Parts, func(p drink.Part) bool { return s.ingredients[p.Ingredient] != nil }) ||
		slices.ContainsFunc(sv.Steps, func(t drink.Step) bool { return s.ingredients[t.Ingredient] != nil }) ||
		slices.ContainsFunc(sv.Garnish, func(id string) bool { return s.ingredients[id] != nil })
}
