package card

import (
	"regexp"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
)

// stepWords is a line of the build order with the tolerances beside it.
type stepWords struct {
	text   string
	checks []string
}

// words is all that a card says beside its drawing.
type words struct {
	coffee                        string
	steps                         []stepWords
	handover                      []string
	garnish, contains, mayContain string
	notes, cautions               []string
}

var numbered = regexp.MustCompile(`^ *[0-9]+\. `)

// wordsOf takes the words of the build from the text card, so that the drawn
// card and the printed one can never say different things.
func wordsOf(b *drink.Book, s *drink.Serving) words {
	w := words{cautions: slices.Concat(s.Cautions, b.House.Cautions)}
	part := ""
	for _, lineText := range strings.Split(drink.Card(b, s), "\n") {
		body := strings.TrimSpace(lineText)
		label := func(l string) bool {
			rest, ok := strings.CutPrefix(lineText, l)
			if ok {
				body = strings.TrimSpace(rest)
			}
			return ok
		}
		switch {
		case body == "":
			part = ""
		case lineText == "Build", lineText == "At handover", lineText == "Cautions":
			part = lineText
		case part == "Build" && numbered.MatchString(lineText):
			w.steps = append(w.steps, stepWords{text: sentence(strings.TrimSpace(numbered.ReplaceAllString(lineText, "")))})
		case part == "Build" && len(w.steps) > 0:
			last := &w.steps[len(w.steps)-1]
			last.checks = append(last.checks, strings.TrimPrefix(body, "- "))
		case part == "At handover":
			w.handover = append(w.handover, strings.TrimPrefix(body, "- "))
		case part == "Cautions":
		case label("Coffee "):
			w.coffee = body
		case label("On top "):
			w.garnish = body
			part = "contents"
		case label("Contains "):
			w.contains = body
		case label("May contain "):
			w.mayContain = body
		case part == "contents":
			w.notes = append(w.notes, strings.Join(fields(body), " "))
		}
	}
	return w
}

// sentence gives a step its capital.
func sentence(s string) string {
	r := []rune(s)
	if len(r) == 0 {
		return s
	}
	return strings.ToUpper(string(r[:1])) + string(r[1:])
}

// noBreak stands for a space at which a line must not end.
const noBreak = "\u00a0"

var (
	unitAfter = regexp.MustCompile(`([0-9]) (°C|g|ml|mm|s|%)`)
	bracketed = regexp.MustCompile(`\[[^\]]{1,24}\]`)
)

// bind keeps a number with its unit, and the words in a bracket together.
func bind(s string) string {
	s = unitAfter.ReplaceAllString(s, "$1"+noBreak+"$2")
	return bracketed.ReplaceAllStringFunc(s, func(in string) string { return strings.ReplaceAll(in, " ", noBreak) })
}

// fields is where a line may be broken; the words come with plain spaces.
func fields(s string) []string {
	out := strings.FieldsFunc(bind(s), func(r rune) bool { return r == ' ' || r == '\n' || r == '\t' })
	for i := range out {
		out[i] = strings.ReplaceAll(out[i], noBreak, " ")
	}
	return out
}

// title is a serving as a person says it: drink, size, milk.
func title(b *drink.Book, s *drink.Serving) (name, rest string) {
	rest = strings.ReplaceAll(s.Size, "-", " ")
	if s.Milk != "" {
		milk := s.Milk
		if in, ok := b.IngredientByID(s.Milk); ok {
			milk = in.Name
		}
		rest += ", " + milk
	}
	return s.DrinkName, rest
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 MST") }
