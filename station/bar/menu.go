package bar

import (
	"context"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station"
	"samecup.example/samecup/station/shelf"
)

// freshFor is how long a serving counts as changed.
const freshFor = keepDays * 24 * time.Hour

// choiceCache holds what takes work to find out, until a build or a release.
type choiceCache struct {
	release uint64
	day     string
	made    map[string]int
	changed map[string]bool
}

// Choices are the servings of the release in force, the most made first.
func (b *Bar) Choices(ctx context.Context) ([]Choice, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	held, since := b.agent.ReleaseInForce()
	if held == nil {
		return nil, refuse("no_release", "", "this station holds no release yet: wait until one has arrived")
	}
	now := b.cfg.Now()
	c := &b.choices
	if day := b.day(now); c.made == nil || c.release != held.Number || c.day != day {
		made, err := b.db.counts(ctx, b.day(now.AddDate(0, 0, -keepDays)))
		if err != nil {
			return nil, err
		}
		*c = choiceCache{release: held.Number, day: day, made: made, changed: map[string]bool{}}
		if before := b.agent.ReleaseBefore(); before != nil && now.Sub(since) <= freshFor {
			for _, ch := range drink.Diff(before.Book, held.Book) {
				for _, id := range reached(ch) {
					c.changed[id] = true
				}
			}
		}
	}
	stops, err := b.agent.StopsHere(ctx)
	if err != nil {
		return nil, err
	}
	var out []Choice
	for i := range held.Book.Drinks {
		for j := range held.Book.Drinks[i].Servings {
			s := &held.Book.Drinks[i].Servings[j]
			out = append(out, Choice{
				ID: s.ID, Name: s.DrinkName, Size: s.Size, Milk: milkName(held.Book, s.Milk), Drink: s.Drink,
				Made: c.made[s.ID], Stopped: whyStopped(stops, s), Changed: c.changed[s.ID],
			})
		}
	}
	slices.SortStableFunc(out, func(a, b Choice) int { return b.Made - a.Made })
	return out, nil
}

// reached lists the servings that a change is about.
func reached(c drink.Change) []string {
	if len(c.Reaches) > 0 {
		return c.Reaches
	}
	var out []string
	for _, e := range c.Effects {
		if !slices.Contains(out, e.Serving) {
			out = append(out, e.Serving)
		}
	}
	if len(out) == 0 && (c.Kind == drink.Added || c.Kind == drink.FieldChange) {
		out = []string{c.Subject}
	}
	return out
}

func milkName(book *drink.Book, id string) string {
	if i, ok := book.IngredientByID(id); ok {
		return i.Name
	}
	return id
}

// name of a serving as guests read it.
func (b *Bar) name(held *shelf.Held, serving string) string {
	s := held.Serving(serving)
	if s == nil {
		return serving
	}
	parts := []string{s.DrinkName, s.Size}
	if s.Milk != "" {
		parts = append(parts, milkName(held.Book, s.Milk))
	}
	return strings.Join(parts, ", ")
}

// Card is a serving as it stands now.
func (b *Bar) Card(ctx context.Context, serving string) (*Card, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	held, _ := b.agent.ReleaseInForce()
	if held == nil {
		return nil, refuse("no_release", "", "this station holds no release yet: wait until one has arrived")
	}
	s := held.Serving(serving)
	if s == nil {
		return nil, refuse("no_serving", "serving", "%q is not on the menu of release %d", bounded(serving), held.Number)
	}
	why, err := b.stopped(ctx, held, s)
	if err != nil {
		return nil, err
	}
	return &Card{Release: held.Number, Edition: held.Edition, Book: held.Book, Serving: s, Stopped: why}, nil
}

// stopped says why a serving may not be made; empty when it may.
func (b *Bar) stopped(ctx context.Context, held *shelf.Held, s *drink.Serving) (string, error) {
	stops, err := b.agent.StopsHere(ctx)
	if err != nil {
		return "", err
	}
	return whyStopped(stops, s), nil
}

func whyStopped(stops station.StopsHere, s *drink.Serving) string {
	if !stops.Stops.Serving(s) {
		return ""
	}
	for _, stop := range stops.Stops.Open() {
		if stopsServing(stop, s) {
			return stopWords(stop)
		}
	}
	return "head office stopped it"
}

// stopsServing reports whether one stop is about a serving made to the letter.
func stopsServing(stop *pb.Stop, s *drink.Serving) bool {
	switch stop.GetKind() {
	case pb.StopKind_STOP_KIND_DRINK:
		return stop.GetTarget() == s.Drink
	case pb.StopKind_STOP_KIND_INGREDIENT:
		id := stop.GetTarget()
		return id == s.Milk || slices.Contains(s.Garnish, id) ||
			slices.ContainsFunc(s.Parts, func(p drink.Part) bool { return p.Ingredient == id }) ||
			slices.ContainsFunc(s.Steps, func(t drink.Step) bool { return t.Ingredient == id })
	}
	return false
}

func stopWords(stop *pb.Stop) string {
	kind := map[pb.StopKind]string{pb.StopKind_STOP_KIND_LOT: "lot "}[stop.GetKind()]
	words := kind + stop.GetTarget() + " is stopped: " + stop.GetReason()
	if do := stop.GetInstruction(); do != "" {
		words += "; " + do
	}
	return words
}

// stops that hold here, those that nobody acknowledged first, then the newest.
func (b *Bar) stops(ctx context.Context) ([]Stop, error) {
	here, err := b.agent.StopsHere(ctx)
	if err != nil {
		return nil, err
	}
	held, _ := b.agent.ReleaseInForce()
	var out []Stop
	for _, s := range here.Stops.Open() {
		view := Stop{ID: s.GetId(), Words: stopWords(s), Since: s.GetCreateTime().AsTime(), Acknowledged: here.Seen[s.GetId()], ConfirmedAt: here.ConfirmedAt}
		if held != nil {
			for i := range held.Book.Drinks {
				for j := range held.Book.Drinks[i].Servings {
					if sv := &held.Book.Drinks[i].Servings[j]; stopsServing(s, sv) {
						view.Servings = append(view.Servings, sv.ID)
					}
				}
			}
		}
		out = append(out, view)
	}
	slices.SortStableFunc(out, func(a, b Stop) int {
		switch {
		case a.Acknowledged != b.Acknowledged && b.Acknowledged:
			return -1
		case a.Acknowledged != b.Acknowledged:
			return 1
		}
		return b.Since.Compare(a.Since)
	})
	return out, nil
}

// acknowledged is the release whose changes somebody here last read.
type acknowledged struct {
	Release uint64 `json:"release"`
}

type newsCache struct {
	release, since uint64
	news           *News
}

// newsNow is what changed since somebody here last acknowledged; nil for
// nothing.
func (b *Bar) newsNow() *News {
	held, start := b.agent.ReleaseInForce()
	if held == nil || b.ack.Release == 0 || held.Number == b.ack.Release {
		return nil
	}
	if c := &b.news; c.release == held.Number && c.since == b.ack.Release {
		return c.news
	}
	n := &News{Release: held.Number, Edition: held.Edition, Since: start}
	before := b.agent.HeldRelease(b.ack.Release)
	if before == nil {
		before = b.agent.ReleaseBefore()
	}
	if before != nil {
		for _, c := range drink.Diff(before.Book, held.Book) {
			servings := reached(c)
			ch := Change{Words: b.changeWords(&c, before, held, servings), Safety: c.Safety}
			if len(servings) == 1 {
				ch.Serving = servings[0]
			}
			n.Changes = append(n.Changes, ch)
			for _, id := range servings {
				if held.Serving(id) != nil && !slices.Contains(n.Servings, id) {
					n.Servings = append(n.Servings, id)
				}
			}
		}
	}
	if before != nil && len(n.Changes) == 0 {
		n = nil // signed anew, and the same
	}
	b.news = newsCache{release: held.Number, since: b.ack.Release, news: n}
	return n
}

// changeWords says a change as a barista would read it out: "Latte, medium: froth
// depth is now 12 mm (10 mm to 14 mm), was 10 mm (8 mm to 12 mm)".
func (b *Bar) changeWords(c *drink.Change, before, held *shelf.Held, servings []string) string {
	subject := c.Subject
	if held.Serving(c.Subject) != nil {
		subject = b.name(held, c.Subject)
	} else if before.Serving(c.Subject) != nil {
		subject = b.name(before, c.Subject)
	} else if len(servings) > 0 && c.Kind == drink.FieldChange && held.Serving(servings[0]) != nil {
		// A change alike in several servings of one drink.
		subject = held.Serving(servings[0]).DrinkName
	}
	switch c.Kind {
	case drink.Added:
		return subject + " is new"
	case drink.Removed:
		return subject + " is no longer made"
	case drink.FieldChange, drink.Shared:
	default:
		return c.String()
	}
	switch {
	case c.Old == "":
		return subject + ": new " + c.Field + ": " + c.New
	case c.New == "":
		return subject + ": no longer " + c.Field + ": " + c.Old
	}
	return subject + ": " + c.Field + " is now " + c.New + ", was " + c.Old
}

// lookAtRelease notices that another release came into force.
func (b *Bar) lookAtRelease(ctx context.Context, now time.Time) error {
	held, _ := b.agent.ReleaseInForce()
	if held == nil {
		return nil
	}
	var seen uint64
	if b.release == 0 {
		if _, err := b.db.get(ctx, keyRelease, &seen); err != nil {
			return err
		}
		b.release = seen
	}
	if b.release == held.Number {
		return nil
	}
	ack := b.ack
	if ack.Release == 0 {
		// The first release here is no news; one before it that this bar did not
		// see is what it is compared with.
		ack.Release = held.Number
		if before := b.agent.ReleaseBefore(); before != nil {
			ack.Release = before.Number
		}
	}
	first := b.release == 0
	if !first {
		b.sampler.newRelease(held.Number, now)
	}
	err := b.db.change(ctx, func(t tx) error {
		if err := t.put(keyRelease, held.Number); err != nil {
			return err
		}
		if err := t.put(keyAck, ack); err != nil {
			return err
		}
		if first {
			return nil
		}
		if err := b.sampler.put(t); err != nil {
			return err
		}
		return t.mark(now, b.day(now), markRelease, "release "+decimal(held.Number)+" in force", decimal(held.Number))
	})
	if err != nil {
		b.sampler.reload(ctx)
		return err
	}
	b.release, b.ack = held.Number, ack
	b.notify()
	return nil
}
