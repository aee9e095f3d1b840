package watch

import (
	"cmp"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
)

// Errors that a caller acts on; the wrapping error says what to do.
var (
	ErrNoCase    = errors.New("no such case")
	ErrStage     = errors.New("not at this stage")
	ErrNotACause = errors.New("not a cause")
	ErrCannotYet = errors.New("the data do not say so yet")
	ErrNotFixed  = errors.New("the data say that it is not mended")
	ErrWordsNone = errors.New("words are missing")
)

// Case gives a copy of a case.
func (c *Cases) Case(id string) (Case, bool) {
	k, ok := c.list[id]
	if !ok {
		return Case{}, false
	}
	return k.clone(), true
}

func (k *Case) clone() Case {
	o := *k
	o.Kinds, o.Directions, o.Stations, o.Sites = cloneMap(k.Kinds), cloneMap(k.Directions), cloneMap(k.Stations), cloneMap(k.Sites)
	o.Evidence, o.Suspects, o.Tests, o.History = slices.Clone(k.Evidence), slices.Clone(k.Suspects), slices.Clone(k.Tests), slices.Clone(k.History)
	if k.Fix != nil {
		f := *k.Fix
		o.Fix = &f
	}
	return o
}

func cloneMap[K comparable, V any](m map[K]V) map[K]V {
	o := make(map[K]V, len(m))
	for k, v := range m {
		o[k] = v
	}
	return o
}

func (c *Cases) get(id string, stages ...Stage) (*Case, error) {
	k, ok := c.list[id]
	if !ok {
		return nil, fmt.Errorf("watch: case %q: %w; list the cases for those there are", id, ErrNoCase)
	}
	if k.Merged != "" {
		return nil, fmt.Errorf("watch: case %s: %w: it was merged into %s; act there", id, ErrStage, k.Merged)
	}
	if !slices.Contains(stages, k.Stage) {
		return nil, fmt.Errorf("watch: case %s is %s: %w; this needs %v", id, k.Stage, ErrStage, stages)
	}
	return k, nil
}

func need(id, field, v string) error {
	if strings.TrimSpace(v) == "" {
		return fmt.Errorf("watch: case %s: %w: %s is empty; state it", id, ErrWordsNone, field)
	}
	return nil
}

// Assign names the owner.
func (c *Cases) Assign(id, who, owner string, at time.Time) error {
	k, err := c.get(id, StageOpen, StageContained, StageFixStated, StageWatching)
	if err != nil {
		return err
	}
	if err := errors.Join(need(id, "who", who), need(id, "owner", owner)); err != nil {
		return err
	}
	k.Owner = owner
	k.log(at, who, "assigned to "+owner)
	return nil
}

// Contain says what holds the harm off for now.
func (c *Cases) Contain(id, who, what string, at time.Time) error {
	k, err := c.get(id, StageOpen, StageContained)
	if err != nil {
		return err
	}
	if err := errors.Join(need(id, "who", who), need(id, "containment", what)); err != nil {
		return err
	}
	k.Stage, k.Contained = StageContained, what
	k.log(at, who, "contained: "+what)
	return nil
}

// StateFix says what the cause was, what was done and what prevents it. A
// reminder is refused as a cause and as a prevention.
func (c *Cases) StateFix(id, who string, f Fix) error {
	k, err := c.get(id, StageOpen, StageContained, StageFixStated, StageWatching)
	if err != nil {
		return err
	}
	if err := errors.Join(need(id, "who", who), need(id, "cause in words", f.What), need(id, "what was done", f.Done), need(id, "prevention", f.Prevention)); err != nil {
		return err
	}
	if _, ok := causeWords[f.Cause]; !ok {
		return fmt.Errorf("watch: case %s: %w: cause %q is not one of %v", id, ErrNotACause, f.Cause, sortedKeys(causeWords))
	}
	for _, v := range []struct{ field, text string }{{"cause", f.What}, {"prevention", f.Prevention}} {
		if onlyReminder(v.text) {
			return fmt.Errorf("watch: case %s: %s %q: %w: a reminder is not a cause: name what let it happen", id, v.field, v.text, ErrNotACause)
		}
	}
	if f.At.IsZero() {
		return fmt.Errorf("watch: case %s: %w: the time of the fix is missing; builds after it are what closes the case", id, ErrWordsNone)
	}
	f.At = f.At.UTC()
	k.Fix, k.Stage = &f, StageFixStated
	for i := range k.Tests {
		k.Tests[i].clear()
	}
	k.log(f.At, who, fmt.Sprintf("fix stated: %s: %s; done: %s; prevents: %s", f.Cause, f.What, f.Done, f.Prevention))
	return nil
}

var (
	reminding = regexp.MustCompile(`(?i)\b(remind\w*|reminder\w*|told|tell|telling|re-?train\w*|train(ed|ing)|spoke|spoken|talk(ed)?|brief(ed|ing)|coach(ed|ing)|warn(ed|ing)|re-?brief\w*|instruct(ed|ion)|asked to|be more careful|more care|pay attention|human error|carelessness|operator error|barista error|mistake)\b`)
	reasoned  = regexp.MustCompile(`(?i)\b(because|since|due to|owing to|caused by|so that|worn|broken|blocked|missing|unreadable|stale|out of date|(had|has|have|is|was) no|without an?|replaced|calibrated|repaired|relabel\w*|withdrawn)\b`)
)

// onlyReminder says whether words state nothing but that somebody was told.
func onlyReminder(text string) bool {
	return reminding.MatchString(text) && !reasoned.MatchString(text)
}

// Close closes a case if the builds after the fix say so. The error wraps
// ErrCannotYet with how much more is needed, or ErrNotFixed. A question is
// closed by its answer, which StateFix records.
func (c *Cases) Close(id, who string, at time.Time) (Outcome, error) {
	k, err := c.get(id, StageFixStated, StageWatching)
	if err != nil {
		return Outcome{}, err
	}
	if err := need(id, "who", who); err != nil {
		return Outcome{}, err
	}
	o := k.Effect()
	switch o.Answer {
	case EffectNot:
		return o, fmt.Errorf("watch: case %s: %w: %s", id, ErrNotFixed, o.Words)
	case EffectCannotTell:
		return o, fmt.Errorf("watch: case %s: %w: cannot tell yet: %s", id, ErrCannotYet, o.Words)
	}
	k.Stage, k.ClosedAt = StageClosed, at.UTC()
	k.log(at, who, "closed: "+o.Words)
	return o, nil
}

// Morning lists the cases that want somebody, gravest first: allergens, other
// safety, then by how many sites, how much money and time it can cost (all
// measures alike), how long it has been open; questions last.
func (c *Cases) Morning() []Case {
	var out []Case
	for _, id := range sortedKeys(c.list) {
		if k := c.list[id]; k.Stage != StageClosed {
			out = append(out, k.clone())
		}
	}
	slices.SortStableFunc(out, func(a, b Case) int {
		return cmp.Or(cmp.Compare(a.risk(), b.risk()), cmp.Compare(stageOrder[a.Stage], stageOrder[b.Stage]),
			cmp.Compare(len(b.Sites), len(a.Sites)), cmp.Compare(b.Reopened, a.Reopened), a.Opened.Compare(b.Opened), cmp.Compare(a.ID, b.ID))
	})
	return out
}

// All lists every case held, by ID.
func (c *Cases) All() []Case {
	var out []Case
	for _, id := range sortedKeys(c.list) {
		out = append(out, c.list[id].clone())
	}
	return out
}

var stageOrder = map[Stage]int{StageOpen: 0, StageContained: 1, StageFixStated: 2, StageWatching: 3, StageClosed: 4}

func (k *Case) risk() int {
	switch {
	case k.Safety && k.Allergen:
		return 0
	case k.Safety:
		return 1
	case k.Domain == "log":
		return 9
	case k.Kinds[SignalStale] > 0:
		return 2
	case k.Kinds[SignalChain]+k.Kinds[SignalRelease] > 0:
		return 3
	case k.Kinds[SignalLot]+k.Kinds[SignalSite] > 0 || len(k.Sites) > 1:
		return 4
	}
	return 5
}
