package tablet

import (
	"net/http"
	"slices"
	"strings"
	"unicode"

	"samecup.example/samecup/station/bar"
)

// homeBody is the first page: what was just made, and what can be made.
type homeBody struct {
	Query string
	// Tiles are the drinks, the most made first; Found are servings while
	// something is searched for.
	Tiles []tile
	Found []bar.Choice
	Last  *lastView
	// Tasted is what was said of a cup, while it may still be put right.
	Tasted *tastedView
}

// tile is one drink.
type tile struct {
	Drink, Name string
	// Servings of it; one alone is begun at a tap.
	Servings []bar.Choice
	Changed  bool
	// Stopped says why none of it may be made.
	Stopped string
	// Made is how often in the last fortnight.
	Made int
}

func (s *Server) home(r *http.Request, v *view) error {
	choices, err := s.choices(r, v)
	if err != nil {
		return err
	}
	b := homeBody{Query: strings.TrimSpace(r.URL.Query().Get("q"))}
	if b.Query != "" {
		b.Found = find(choices, b.Query)
	} else {
		b.Tiles = tiles(choices)
	}
	if v.State.Last != nil {
		b.Last = s.lastView(r.Context(), v, v.State.Last)
		if t := v.State.Tasting; t != nil && t.Build == b.Last.ID && !t.Seen {
			b.Last.ToTaste, v.TasteHere = t, true
		}
	}
	b.Tasted = s.tastedView(r.Context(), v)
	v.Page, v.Title, v.Body = "home", v.T("home.title"), b
	return nil
}

// choices are none before the first release.
func (s *Server) choices(r *http.Request, v *view) ([]bar.Choice, error) {
	if v.State.Release == 0 {
		return nil, nil
	}
	return s.cfg.Bar.Choices(r.Context())
}

func tiles(choices []bar.Choice) []tile {
	var out []tile
	at := map[string]int{}
	for _, c := range choices {
		i, ok := at[c.Drink]
		if !ok {
			i = len(out)
			at[c.Drink] = i
			out = append(out, tile{Drink: c.Drink, Name: c.Name})
		}
		out[i].Servings = append(out[i].Servings, c)
		out[i].Made += c.Made
		out[i].Changed = out[i].Changed || c.Changed
	}
	for i := range out {
		free := slices.ContainsFunc(out[i].Servings, func(c bar.Choice) bool { return c.Stopped == "" })
		if !free {
			out[i].Stopped = out[i].Servings[0].Stopped
		}
	}
	slices.SortStableFunc(out, func(a, b tile) int { return b.Made - a.Made })
	return out
}

// find keeps the servings that what was typed may mean: first those whose name it
// begins, then those with each word typed beginning some word of theirs, then
// those whose words' first letters it is ("lmo": a latte, medium, oat). Within
// each the order is kept.
func find(choices []bar.Choice, query string) []bar.Choice {
	typed := wordsOf(query)
	var first, some, initials []bar.Choice
	for _, c := range choices {
		words := wordsOf(c.Name + " " + c.Size + " " + c.Milk)
		switch {
		case all(typed, words):
			if strings.HasPrefix(words[0], typed[0]) {
				first = append(first, c)
			} else {
				some = append(some, c)
			}
		case len(typed) == 1 && begins(typed[0], words):
			initials = append(initials, c)
		}
	}
	return slices.Concat(first, some, initials)
}

func wordsOf(text string) []string {
	return strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

func all(typed, words []string) bool {
	for _, t := range typed {
		if !slices.ContainsFunc(words, func(w string) bool { return strings.HasPrefix(w, t) }) {
			return false
		}
	}
	return len(typed) > 0
}

// begins is true when the letters typed are, in order, first letters of words.
func begins(typed string, words []string) bool {
	letters := []rune(typed)
	if len(letters) < 2 {
		return false
	}
	for _, w := range words {
		if len(letters) > 0 && []rune(w)[0] == letters[0] {
			letters = letters[1:]
		}
	}
	return len(letters) == 0
}

// drinkBody is the second tap: size and milk.
type drinkBody struct{ Tile tile }

func (s *Server) drinkPage(r *http.Request, v *view) error {
	choices, err := s.choices(r, v)
	if err != nil {
		return err
	}
	for _, t := range tiles(choices) {
		if t.Drink == r.PathValue("drink") {
			v.Page, v.Title, v.Body = "drink", t.Name, drinkBody{t}
			return nil
		}
	}
	return notHere{refuse("refuse.drink", r.PathValue("drink"))}
}

func (s *Server) begin(r *http.Request, _ http.ResponseWriter) (string, error) {
	open, err := s.cfg.Bar.Begin(r.Context(), r.PostFormValue("serving"))
	if err != nil {
		return "", err
	}
	return "/build/" + open.ID, nil
}

func (s *Server) readNews(r *http.Request, _ http.ResponseWriter) (string, error) {
	n, err := wholeNumber(r.PostFormValue("edition"))
	if err != nil {
		return "", err
	}
	return safePath(r.PostFormValue("back")), s.cfg.Bar.AcknowledgeNews(r.Context(), n)
}

func (s *Server) seenStop(r *http.Request, _ http.ResponseWriter) (string, error) {
	return safePath(r.PostFormValue("back")), s.cfg.Bar.AcknowledgeStop(r.Context(), r.PostFormValue("stop"))
}

// peopleBody is who may be at the bar.
type peopleBody struct{ People []bar.Person }

func (s *Server) people(r *http.Request, v *view) error {
	people, err := s.cfg.Bar.People(r.Context())
	if err != nil {
		return err
	}
	v.Page, v.Title, v.Body = "people", v.T("people.title"), peopleBody{people}
	return nil
}

func (s *Server) setPerson(r *http.Request, _ http.ResponseWriter) (string, error) {
	return "/", s.cfg.Bar.SetPerson(r.Context(), strings.TrimSpace(r.PostFormValue("person")))
}

func (s *Server) forget(r *http.Request, _ http.ResponseWriter) (string, error) {
	return "/people", s.cfg.Bar.Forget(r.Context(), r.PostFormValue("person"))
}
