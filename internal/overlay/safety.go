package overlay

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"samecup.example/samecup/internal/drink"
)

// SafetyReport says what of a change is a safety matter, in sentences.
type SafetyReport struct {
	// Grows is what makes people more careful, and may be released without the
	// food-safety role: allergens that a serving gained.
	Grows []string
	// NeedsFoodSafety is what a person with the food-safety role must approve.
	NeedsFoodSafety []string
}

// Any is true when anything touches safety.
func (r SafetyReport) Any() bool { return len(r.Grows)+len(r.NeedsFoodSafety) > 0 }

// Safety compares two books, such as the base with a site's resolved book, or
// the last edition with a draft. It goes by what each serving comes to, so that
// an allergen that leaves a drink with its ingredient is found like one that is
// struck from the ingredient's list. A serving that only one book has is a new or
// an ended offer with its own card, and no change of safety by itself.
func Safety(base, resolved *drink.Book) SafetyReport {
	r := &reporter{}
	r.allergens(base, resolved)
	r.cautions(base, resolved)
	r.differences(base, resolved)
	return r.SafetyReport
}

type reporter struct{ SafetyReport }

func (r *reporter) needs(format string, args ...any) {
	r.NeedsFoodSafety = append(r.NeedsFoodSafety, fmt.Sprintf(format, args...))
}

// stronger ranks what a statement says about one code.
func stronger(a drink.AllergenStatement, code string) int {
	switch {
	case slices.Contains(a.Contains, code):
		return 2
	case slices.Contains(a.MayContain, code):
		return 1
	}
	return 0
}

var strength = []string{"not stated", "may contain", "contains"}

func (r *reporter) allergens(base, resolved *drink.Book) {
	for _, now := range resolved.Servings() {
		was, ok := base.ServingByID(now.ID)
		if !ok {
			continue
		}
		a, b := base.Allergens(was), resolved.Allergens(&now)
		for _, code := range drink.Allergens {
			x, y := stronger(a, code), stronger(b, code)
			switch {
			case y < x:
				r.needs("%s: its allergens shrink: %s %s before, now %s; an allergen set may only grow without the food-safety role.", now.ID, strength[x], code, strength[y])
			case y > x:
				r.Grows = append(r.Grows, fmt.Sprintf("%s: its allergens grow: %s %s now, %s before.", now.ID, strength[y], code, strength[x]))
			}
		}
		for _, name := range a.Unknown {
			if !slices.Contains(b.Unknown, name) {
				r.needs("%s: the allergens of %s were unknown and are no longer.", now.ID, name)
			}
		}
		for _, name := range b.Unknown {
			if !slices.Contains(a.Unknown, name) {
				r.needs("%s: the allergens of %s are now unknown.", now.ID, name)
			}
		}
	}
}

// cautions finds those that a card shows no longer.
func (r *reporter) cautions(base, resolved *drink.Book) {
	for _, text := range base.House.Cautions {
		if !slices.Contains(resolved.House.Cautions, text) {
			r.needs("house: the caution %q is removed.", text)
		}
	}
	for _, now := range resolved.Servings() {
		was, ok := base.ServingByID(now.ID)
		if !ok {
			continue
		}
		for _, text := range was.Cautions {
			if !slices.Contains(now.Cautions, text) {
				r.needs("%s: the caution %q is removed.", now.ID, text)
			}
		}
	}
}

// differences adds what the semantic difference calls a safety matter: hard
// maxima, checks and steps that guard safety, replacements, declarations of
// allergens. What moves a serving's allergens stands under the serving already.
func (r *reporter) differences(base, resolved *drink.Book) {
	for _, c := range drink.Diff(base, resolved) {
		if !c.Safety || c.Kind == drink.Derived || movesIngredient(base, resolved, c) {
			continue
		}
		line := strings.TrimPrefix(c.String(), "SAFETY ") + "."
		if onlyGrows(base, resolved, c) {
			r.Grows = append(r.Grows, line)
			continue
		}
		r.NeedsFoodSafety = append(r.NeedsFoodSafety, line)
	}
}

// movesIngredient is true for a part or a garnish that came, went or changed:
// it is a safety matter only by what it does to the serving's allergens. A check
// that has an ingredient's name shows its tolerance in brackets.
func movesIngredient(base, resolved *drink.Book, c drink.Change) bool {
	if c.Kind != drink.FieldChange {
		return false
	}
	_, inOld := base.IngredientByID(c.Field)
	_, inNew := resolved.IngredientByID(c.Field)
	return c.Field == "on top" || (inOld || inNew) && !strings.Contains(c.Old+c.New, "(")
}

// onlyGrows is true for a declaration of allergens that takes nothing away.
func onlyGrows(base, resolved *drink.Book, c drink.Change) bool {
	id, ok := strings.CutPrefix(c.Subject, "ingredient ")
	if !ok {
		return false
	}
	was, inOld := base.IngredientByID(id)
	now, inNew := resolved.IngredientByID(id)
	return inOld && inNew && was.AllergensKnown && now.AllergensKnown && covers(now.Contains, was.Contains) &&
		covers(slices.Concat(now.Contains, now.MayContain), was.MayContain)
}

func covers(all, some []string) bool {
	return !slices.ContainsFunc(some, func(s string) bool { return !slices.Contains(all, s) })
}

// Caution is a problem of a book that somebody must acknowledge by name.
type Caution struct {
	// ID is 8 hexadecimal digits made of the file, field, value and wording, not
	// of the line: an edit elsewhere keeps an acknowledgement, a changed value
	// does not.
	ID      string
	Problem drink.Problem
}

// Cautions are the problems at the level of a caution, each ID once.
func Cautions(problems drink.Problems) []Caution {
	var out []Caution
	for _, p := range problems.At(drink.Caution) {
		sum := sha256.Sum256([]byte(strings.Join([]string{p.File, p.Field, p.Value, p.Fault, p.Allowed}, "\x00")))
		c := Caution{ID: hex.EncodeToString(sum[:4]), Problem: p}
		if !slices.ContainsFunc(out, func(o Caution) bool { return o.ID == c.ID }) {
			out = append(out, c)
		}
	}
	return out
}
