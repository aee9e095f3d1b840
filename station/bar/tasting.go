package bar

import (
	"context"
	"database/sql"
	"errors"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/internal/verdict"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// Tasting is a cup that is to be tasted, or what was said of it may still be put
// right.
type Tasting struct {
	// Card is the drink as it was made, for its allergens.
	Card
	// Build is the cup's, Name the drink's; By made it, empty where not known.
	Build, Name, By string
	// Until is when the tasting counts as missed, or what was said stands.
	Until time.Time
	// Seen is true once its verdict was asked for: the tasting is not blind then.
	Seen bool
	// Said is what was said of it, nil for nothing yet.
	Said *Tasted
}

// Tasted is what was said of a cup.
type Tasted struct {
	Build, Name string
	At          time.Time
	// By is the taster's pseudonym.
	By string
	// Score is 1 to sampling.ScoreMost, Words are codes of sampling.TasteWords.
	Score int
	Words []string
	// Blind is true where the taster neither made the cup nor was shown its verdict.
	Blind bool
	// Entry counts from 1 what was said of this cup: the last one counts.
	Entry int
	// UndoUntil is when it can no longer be corrected here.
	UndoUntil time.Time
	// Logged is the build, with the verdict that may be shown now; nil where only
	// what was said is asked for.
	Logged *Logged

	prompt string
}

// Taste is what a taster says of a cup.
type Taste struct {
	Build string
	// Taster is a pseudonym that is known at this bar.
	Taster string
	Score  int
	Words  []string
}

// Taste keeps what was said of a cup that the plan wants tasted. Within a minute
// another word takes its place, and the first is kept; the same again is the first.
func (b *Bar) Taste(ctx context.Context, t Taste) (*Tasted, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.cfg.Now()
	if err := b.mayTaste(ctx, &t); err != nil {
		return nil, err
	}
	before, err := b.db.lastTasting(ctx, t.Build)
	if err != nil {
		return nil, err
	}
	said := &Tasted{Build: t.Build, At: now, By: t.Taster, Score: t.Score, Words: t.Words, Entry: 1, UndoUntil: now.Add(undoFor)}
	if before != nil {
		if before.By == said.By && before.Score == said.Score && slices.Equal(before.Words, said.Words) {
			return before, nil
		}
		if !within(before.At, now) {
			return nil, refuse("taste_late", "", "what was tasted can be put right for a minute: this was said at %s", before.At.In(b.zone).Format("15:04:05"))
		}
		// By now the verdict was shown.
		said.Name, said.prompt, said.Entry = before.Name, before.prompt, before.Entry+1
	} else {
		cup, err := b.cup(ctx, t.Build, now)
		if err != nil {
			return nil, err
		}
		said.Name, said.prompt = cup.Name, cup.prompt
		said.Blind = !cup.Seen && cup.By != "" && cup.By != t.Taster
		if err := b.sampler.shift.Tasted(t.Build, now); err != nil {
			return nil, b.tasteOver()
		}
	}
	told := sampling.Tasting{Prompt: sampling.PromptOf(said.prompt), Build: said.Build, Score: said.Score, Words: said.Words, Blind: said.Blind, Entry: said.Entry}
	if err := told.Check(); err != nil {
		b.sampler.reload(ctx)
		return nil, err
	}
	if err := b.save(ctx, func(t tx) error {
		return errors.Join(t.addTasting(said, b.day(now)), b.sampler.put(t), t.seen(said.By, now),
			t.event(&pb.BarEvent{Kind: eventTasted, Time: timestamppb.New(now), Detail: clipBytes(told.Detail(), maxDetail), By: said.By}))
	}); err != nil {
		b.sampler.reload(ctx)
		return nil, err
	}
	b.tasted = said
	b.notify()
	return said, nil
}

// mayTaste refuses what cannot be said, and puts the words into the order of the
// list.
func (b *Bar) mayTaste(ctx context.Context, t *Taste) error {
	if t.Score < 1 || t.Score > sampling.ScoreMost {
		return refuse("bad_score", "score", "a score of %d is not on the scale: 1 to %d", t.Score, sampling.ScoreMost)
	}
	for _, w := range t.Words {
		if !slices.Contains(sampling.TasteWords, w) {
			return refuse("bad_word", "words", "%q is not one of the words: tap those on the page", bounded(w))
		}
	}
	t.Words = slices.DeleteFunc(slices.Clone(sampling.TasteWords), func(w string) bool { return !slices.Contains(t.Words, w) })
	if n := len(t.Words); n > sampling.MaxTasteWords {
		return refuse("many_words", "words", "%d words are too many: at most %d", n, sampling.MaxTasteWords)
	}
	if t.Taster == "" {
		return refuse("who_tastes", "taster", "say who tasted: tap a pseudonym")
	}
	known, err := b.db.people(ctx)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(known, func(p Person) bool { return p.Pseudonym == t.Taster }) {
		return refuse("no_taster", "taster", "%q is not known at this bar: add the pseudonym first", bounded(t.Taster))
	}
	return nil
}

// SkipTasting says why a cup will not be tasted.
func (b *Bar) SkipTasting(ctx context.Context, build, why string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	why, err := reason(why)
	if err != nil {
		return err
	}
	if why == "" {
		why = "no reason given"
	}
	now := b.cfg.Now()
	if _, err := b.cup(ctx, build, now); err != nil {
		return err
	}
	if err := b.sampler.shift.NotTasted(build, why, now); err != nil {
		return b.tasteOver()
	}
	if err := b.save(ctx, b.sampler.put); err != nil {
		b.sampler.reload(ctx)
		return err
	}
	b.notify()
	return nil
}

// ShowVerdict shows the verdict of a cup before it is tasted, which is then noted
// as not blind.
func (b *Bar) ShowVerdict(ctx context.Context, build string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if _, err := b.cup(ctx, build, b.cfg.Now()); err != nil {
		return err
	}
	b.sampler.shown(build)
	if err := b.save(ctx, b.sampler.put); err != nil {
		b.sampler.reload(ctx)
		return err
	}
	b.notify()
	return nil
}

// ToTaste is a cup that waits to be tasted, or whose tasting may still be put right.
func (b *Bar) ToTaste(ctx context.Context, build string) (*Tasting, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.cfg.Now()
	said, err := b.db.lastTasting(ctx, build)
	if err != nil {
		return nil, err
	}
	if said == nil || !within(said.At, now) {
		c, err := b.cup(ctx, build, now)
		if err != nil {
			return nil, err
		}
		return &c.Tasting, nil
	}
	m, err := b.db.made(ctx, build)
	if err != nil {
		return nil, err
	}
	if m == nil {
		return nil, b.tasteOver()
	}
	out := b.tasting(m)
	out.Said, out.Until, out.Seen = said, said.UndoUntil, true
	return out, nil
}

func (b *Bar) tasteOver() error {
	return refuse("taste_over", "", "this cup is not waiting to be tasted: its time is over, or it was skipped")
}

// cup is one that waits to be tasted.
type cup struct {
	Tasting
	prompt string
	// unfit says why nobody should taste it, empty where somebody may.
	unfit string
}

// cup finds one; a refusal where it does not wait.
func (b *Bar) cup(ctx context.Context, build string, now time.Time) (*cup, error) {
	all, err := b.cups(ctx, now)
	if err != nil {
		return nil, err
	}
	for i := range all {
		if all[i].Build == build && all[i].unfit == "" {
			return &all[i], nil
		}
	}
	return nil, b.tasteOver()
}

// cups are the builds that are logged and wait to be tasted, the first first.
func (b *Bar) cups(ctx context.Context, now time.Time) ([]cup, error) {
	if b.sampler.shift == nil {
		return nil, nil
	}
	var out []cup
	for _, w := range b.sampler.shift.ToTaste(now) {
		m, err := b.db.made(ctx, w.Build)
		if err != nil {
			return nil, err
		}
		if m == nil || slices.ContainsFunc(out, func(c cup) bool { return c.Build == w.Build }) {
			continue // it is still being made, or two prompts took it
		}
		c := cup{Tasting: *b.tasting(m), prompt: w.Prompt}
		c.Until, c.Seen = w.Until, slices.Contains(b.sampler.s.Seen, w.Build)
		last := m
		for range maxChain {
			next, err := b.db.made(ctx, last.correctedBy)
			if err != nil {
				return nil, err
			}
			if next == nil {
				break
			}
			last = next
		}
		switch grade := verdict.Grade(last.record.GetVerdict().GetGrade()); {
		case c.Serving == nil:
			c.unfit = "its release is no longer held: its allergens are not known"
		case grade == verdict.Unsafe || grade == verdict.Unknown || len(c.Book.Allergens(c.Serving).Unknown) > 0:
			c.unfit = "not safe to taste"
		case b.agent.StoppedHere(c.Serving):
			c.unfit = "the drink was stopped"
		}
		out = append(out, c)
	}
	return out, nil
}

// maxChain bounds the corrections of one build that are followed.
const maxChain = 100

func (b *Bar) tasting(m *made) *Tasting {
	l := b.logged(m)
	out := &Tasting{Build: l.ID, Name: l.Name, By: l.By}
	if held := b.agent.HeldRelease(l.Release); held != nil {
		out.Card = Card{Release: held.Number, Edition: held.Edition, Book: held.Book, Serving: held.Serving(l.Serving)}
	}
	return out
}

// leaveUnfit tells the plan of cups that nobody should taste; true where there were
// such.
func (b *Bar) leaveUnfit(ctx context.Context, now time.Time) (bool, error) {
	all, err := b.cups(ctx, now)
	left := false
	for _, c := range all {
		if c.unfit == "" {
			continue
		}
		left = true
		if err := b.sampler.shift.NotTasted(c.Build, c.unfit, now); err != nil {
			b.log.Info("a cup that may not be tasted did not count for the plan", zap.String("build", c.Build), zap.Error(err))
		}
	}
	return left, err
}

// tastingNow is what a page shows of the first cup that waits, nil for none.
func (b *Bar) tastingNow(ctx context.Context, now time.Time) (*Tasting, error) {
	all, err := b.cups(ctx, now)
	for i := range all {
		if all[i].unfit == "" {
			return &all[i].Tasting, err
		}
	}
	return nil, err
}

// within a minute, by a clock that may be set back.
func within(at, now time.Time) bool { return now.Sub(at).Abs() <= undoFor }

func (t tx) addTasting(s *Tasted, day string) error {
	return t.exec(`INSERT INTO tastings (build, entry, at_ms, day, prompt, name, taster, score, words, blind) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		s.Build, s.Entry, s.At.UnixMilli(), day, s.prompt, s.Name, s.By, s.Score, strings.Join(s.Words, ","), s.Blind)
}

const selectTasting = `SELECT build, entry, at_ms, prompt, name, taster, score, words, blind FROM tastings `

func scanTasting(rows *sql.Rows) (*Tasted, error) {
	s := new(Tasted)
	var ms int64
	var words string
	err := rows.Scan(&s.Build, &s.Entry, &ms, &s.prompt, &s.Name, &s.By, &s.Score, &words, &s.Blind)
	if words != "" {
		s.Words = strings.Split(words, ",")
	}
	s.At = time.UnixMilli(ms)
	s.UndoUntil = s.At.Add(undoFor)
	return s, err
}

// lastTasting is what counts of a cup, or with an empty build what was said last;
// nil for nothing.
func (s *store) lastTasting(ctx context.Context, build string) (*Tasted, error) {
	where, args := `ORDER BY id DESC LIMIT 1`, []any(nil)
	if build != "" {
		where, args = `WHERE build = ? ORDER BY entry DESC LIMIT 1`, []any{build}
	}
	return first(query(ctx, s.db.Read, scanTasting, selectTasting+where, args...))
}

// tastingsOn are those that count, of a business day.
func (s *store) tastingsOn(ctx context.Context, day string) ([]*Tasted, error) {
	return query(ctx, s.db.Read, scanTasting,
		selectTasting+`AS t WHERE day = ? AND entry = (SELECT max(entry) FROM tastings WHERE build = t.build) ORDER BY id`, day)
}
