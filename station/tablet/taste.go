package tablet

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/station/bar"
)

// tasteBody is a cup to be tasted. It says nothing of verdict and readings.
type tasteBody struct {
	*bar.Tasting
	Allergens allergenView
	// Tasters are the pseudonyms known, Words what may be said, Scores the steps.
	Tasters, Words []choice
	Scores         []scoreView
	Most           int
	// Few is true where the tasters fit on the page as buttons.
	Few   bool
	Skips []string
}

// scoreView is one step of the scale.
type scoreView struct {
	Score      int
	Name, More string
	// Said is true for what was said before.
	Said bool
}

func (s *Server) tastePage(r *http.Request, v *view) error {
	t, err := s.cfg.Bar.ToTaste(r.Context(), r.PathValue("build"))
	if err != nil {
		var no *bar.Refusal
		if errors.As(err, &no) {
			return notHere{no}
		}
		return err
	}
	people, err := s.cfg.Bar.People(r.Context())
	if err != nil {
		return err
	}
	b := tasteBody{Tasting: t, Most: sampling.MaxTasteWords, Skips: []string{"rush", "gone", "nobody"}}
	if t.Book != nil && t.Serving != nil {
		b.Allergens = v.allergens(t.Book, t.Serving)
	}
	// What was tapped before a refusal stays, else what was said before.
	// Whoever made it is not taken for the taster unasked, where there are others.
	taster, words := v.State.Person, []string(nil)
	if taster == t.By && len(people) > 1 {
		taster = ""
	}
	if t.Said != nil {
		taster, words = t.Said.By, t.Said.Words
	}
	if r.Method == http.MethodPost {
		taster, words = r.PostForm.Get("taster"), r.PostForm["word"]
	}
	for _, p := range people {
		b.Tasters = append(b.Tasters, choice{p.Pseudonym, p.Pseudonym, p.Pseudonym == taster})
	}
	const few = 5
	b.Few = len(people) <= few
	for _, w := range sampling.TasteWords {
		b.Words = append(b.Words, choice{w, v.TasteWord(w), slices.Contains(words, w)})
	}
	for n := 1; n <= sampling.ScoreMost; n++ {
		b.Scores = append(b.Scores, scoreView{n, v.Score(n), v.T("taste.more." + strconv.Itoa(n)), t.Said != nil && t.Said.Score == n})
	}
	v.Page, v.Title, v.Body, v.TasteHere = "taste", v.T("taste.title", t.Name), &b, true
	return nil
}

func (s *Server) taste(r *http.Request, _ http.ResponseWriter) (string, error) {
	if r.PostFormValue("score") == "" {
		return "", refuse("refuse.score")
	}
	score, err := wholeNumber(r.PostFormValue("score"))
	if err != nil {
		return "", err
	}
	_, err = s.cfg.Bar.Taste(r.Context(), bar.Taste{
		Build: r.PathValue("build"), Taster: r.PostFormValue("taster"), Score: int(score), Words: r.PostForm["word"],
	})
	return "/#tasted", err
}

func (s *Server) skipTasting(r *http.Request, _ http.ResponseWriter) (string, error) {
	why, err := s.reason(r, "taste.skip.")
	if err != nil {
		return "", err
	}
	return "/", s.cfg.Bar.SkipTasting(r.Context(), r.PathValue("build"), why)
}

func (s *Server) showVerdict(r *http.Request, _ http.ResponseWriter) (string, error) {
	return "/#verdict", s.cfg.Bar.ShowVerdict(r.Context(), r.PathValue("build"))
}

// tastedView is what was said of a cup, and its verdict, which may be seen now.
type tastedView struct {
	*bar.Tasted
	// Verdict is nil where it stands on the page already.
	Verdict *lastView
}

func (s *Server) tastedView(ctx context.Context, v *view) *tastedView {
	t := v.State.Tasted
	if t == nil {
		return nil
	}
	out := &tastedView{Tasted: t}
	if last := v.State.Last; t.Logged != nil && (last == nil || last.ID != t.Build) {
		out.Verdict = s.lastView(ctx, v, t.Logged)
	}
	return out
}

// Score names a step of the scale.
func (v *view) Score(n int) string { return v.T("taste.score." + strconv.Itoa(n)) }

// TasteWord is a word for how a cup tastes.
func (v *view) TasteWord(code string) string {
	if key := "taste.word." + code; v.Has(key) {
		return v.T(key)
	}
	return code
}

// TasteWords lists them.
func (v *view) TasteWords(codes []string) string {
	out := make([]string, len(codes))
	for i, c := range codes {
		out[i] = v.TasteWord(c)
	}
	return strings.Join(out, ", ")
}

// tasteSums is how the cups of a day tasted: counts and the median. The steps of
// the scale have an order and no size, so that nothing is averaged.
type tasteSums struct {
	N, Blind int
	// Counts by step, the best first.
	Counts []tasteCount
	// Median in words: a step, or the two in the middle.
	Median string
	// Said lists the words, the most said first.
	Said []tasteCount
}

type tasteCount struct {
	Name string
	N    int
}

func (v *view) tasteSums(all []*bar.Tasted) tasteSums {
	out := tasteSums{N: len(all)}
	var scores []int
	words := map[string]int{}
	for _, t := range all {
		scores = append(scores, t.Score)
		if t.Blind {
			out.Blind++
		}
		for _, w := range t.Words {
			words[w]++
		}
	}
	for n := sampling.ScoreMost; n >= 1; n-- {
		c := tasteCount{Name: strconv.Itoa(n) + " " + v.Score(n)}
		for _, s := range scores {
			if s == n {
				c.N++
			}
		}
		out.Counts = append(out.Counts, c)
	}
	low, high := sampling.Median(scores)
	switch {
	case low == 0:
	case low == high:
		out.Median = v.T("day.median", low, v.Score(low))
	default:
		out.Median = v.T("day.median_between", low, v.Score(low), high, v.Score(high))
	}
	for _, w := range sampling.TasteWords {
		if words[w] > 0 {
			out.Said = append(out.Said, tasteCount{v.TasteWord(w), words[w]})
		}
	}
	slices.SortStableFunc(out.Said, func(a, b tasteCount) int { return b.N - a.N })
	return out
}
