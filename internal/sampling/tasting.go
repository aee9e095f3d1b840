package sampling

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Taste is a check that is no measure: a person tastes the cup.
const Taste = "taste"

// ScoreMost is the best step of the score; 1 is the worst. The steps have an order
// and no size, so that scores are counted and never averaged.
const ScoreMost = 5

// MaxTasteWords bounds what is said beside a score.
const MaxTasteWords = 3

// TasteWords are what may be said beside a score, by code. Words of the trade:
// common practice, no source.
var TasteWords = []string{"balanced", "sweet", "sour", "bitter", "harsh", "thin", "flat", "burnt", "stale"}

// Tasting is what a taster said of one cup.
type Tasting struct {
	// Prompt that asked for it, as PromptOf gives it, and the ID of the build.
	Prompt string
	Build  string
	// Score is 1, not to be served, to ScoreMost, as it should be.
	Score int
	// Words are codes of TasteWords.
	Words []string
	// Blind is true where the taster neither made the cup nor was shown its verdict.
	Blind bool
	// Entry counts from 1 what was said of this cup: the last one counts.
	Entry int
}

// Check refuses what is not on the scale or the list, naming the field.
func (t *Tasting) Check() error {
	bad := func(field string, v any, allowed string) error {
		return fmt.Errorf("tasting: %s is %v, allowed: %s", field, v, allowed)
	}
	if t.Score < 1 || t.Score > ScoreMost {
		return bad("score", t.Score, fmt.Sprintf("1 to %d", ScoreMost))
	}
	if len(t.Words) > MaxTasteWords {
		return bad("words", len(t.Words), fmt.Sprintf("at most %d", MaxTasteWords))
	}
	for i, w := range t.Words {
		if !slices.Contains(TasteWords, w) || slices.Contains(t.Words[:i], w) {
			return bad("words", strconv.Quote(w), "each once, of "+strings.Join(TasteWords, ", "))
		}
	}
	if t.Entry < 1 || t.Entry > 1000 {
		return bad("entry", t.Entry, "1 to 1000")
	}
	return nil
}

// Detail is the tasting as an event tells it to the centre, such as
//
//	score=4 of=5 words=sour,thin blind=yes prompt=2026-11-02/1/taste.1.1 build=0193…
//
// with entry=2 and up for what took the place of an earlier entry.
func (t *Tasting) Detail() string {
	out := fmt.Sprintf("score=%d of=%d", t.Score, ScoreMost)
	if len(t.Words) > 0 {
		out += " words=" + strings.Join(t.Words, ",")
	}
	if t.Blind {
		out += " blind=yes"
	}
	if t.Entry > 1 {
		out += fmt.Sprintf(" entry=%d", t.Entry)
	}
	return out + " prompt=" + t.Prompt + " build=" + t.Build
}

// ParseTasting reads what Detail wrote. A key that is not known comes from a newer
// station and is passed over.
func ParseTasting(detail string) (Tasting, error) {
	of := fields(detail)
	score, err := strconv.Atoi(of["score"])
	if err != nil || of["of"] != strconv.Itoa(ScoreMost) {
		return Tasting{}, fmt.Errorf("tasting: score %q of %q, allowed: 1 to %d of %d", of["score"], of["of"], ScoreMost, ScoreMost)
	}
	t := Tasting{Prompt: of["prompt"], Build: of["build"], Score: score, Blind: of["blind"] == "yes", Entry: 1}
	if of["words"] != "" {
		t.Words = strings.Split(of["words"], ",")
	}
	if of["entry"] != "" {
		if t.Entry, err = strconv.Atoi(of["entry"]); err != nil {
			return Tasting{}, fmt.Errorf("tasting: entry is %q, allowed: a number", of["entry"])
		}
	}
	return t, t.Check()
}

// PromptOf is a prompt's ID without site and station, which an event's build names
// already: day/shift/window.part.index.
func PromptOf(id string) string {
	if parts := strings.SplitN(id, "/", 3); len(parts) == 3 {
		return parts[2]
	}
	return id
}

// Detail is how a prompt that was done is told to the centre, such as
//
//	prompt=2026-11-02/1/mid.2.1 window=mid late_s=252
//
// late_s being the whole seconds from the moment it became due to the last of its
// builds being measured.
func (o *Outcome) Detail() string {
	return fmt.Sprintf("prompt=%s window=%s late_s=%d", PromptOf(o.Prompt), o.Window, int64(o.Late()/time.Second))
}

// Late is how long after it became due a prompt ended.
func (o *Outcome) Late() time.Duration { return max(o.At.Sub(o.Due), 0) }

// Done is a prompt that was done, as an event tells it.
type Done struct {
	// Prompt as PromptOf gives it, and its window's ID.
	Prompt, Window string
	Late           time.Duration
}

// ParseDone reads what Outcome.Detail wrote.
func ParseDone(detail string) (Done, error) {
	of := fields(detail)
	late, err := strconv.ParseInt(of["late_s"], 10, 32)
	if err != nil || late < 0 {
		return Done{}, fmt.Errorf("prompt: late_s is %q, allowed: whole seconds", of["late_s"])
	}
	if of["prompt"] == "" || !isWord(of["window"]) {
		return Done{}, fmt.Errorf("prompt: prompt is %q of window %q, allowed: an id and a word", of["prompt"], of["window"])
	}
	return Done{of["prompt"], of["window"], time.Duration(late) * time.Second}, nil
}

// fields reads key=value pairs with blanks between; of a key given twice the first
// counts.
func fields(detail string) map[string]string {
	out := map[string]string{}
	for _, f := range strings.Fields(detail) {
		key, value, _ := strings.Cut(f, "=")
		if _, there := out[key]; !there {
			out[key] = value
		}
	}
	return out
}

// Median gives the middle one of scores, or the two in the middle of an even number.
// The two are not averaged: between two steps that only have an order lies nothing.
// Both are 0 where there are none.
func Median(scores []int) (low, high int) {
	if len(scores) == 0 {
		return 0, 0
	}
	s := slices.Sorted(slices.Values(scores))
	return s[(len(s)-1)/2], s[len(s)/2]
}
