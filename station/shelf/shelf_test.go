package shelf

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// InForce and Next against a plain reading of their definition.
func TestInForceMatchesItsDefinition(t *testing.T) {
	scopes := []string{"chain", "region.north", "site.tannery-row"}
	at := func(h int) time.Time { return time.Unix(int64(h)*3600, 0) }
	rapid.Check(t, func(t *rapid.T) {
		s := &Shelf{cfg: Config{Scopes: scopes}}
		var held []*Held
		for n := range rapid.IntRange(0, 8).Draw(t, "releases") {
			held = append(held, &Held{
				Number: uint64(n + 1), Scope: rapid.SampledFrom(scopes).Draw(t, "scope"),
				Effective: at(rapid.IntRange(0, 10).Draw(t, "hour")),
			})
		}
		s.view.Store(s.arrange(held))
		want := func(when time.Time) (best *Held) {
			for i := len(scopes) - 1; i >= 0 && best == nil; i-- {
				for _, h := range held {
					if h.Scope == scopes[i] && !h.Effective.After(when) && (best == nil || h.Number > best.Number) {
						best = h
					}
				}
			}
			return best
		}
		when := rapid.IntRange(-1, 11).Draw(t, "now")
		if got := s.InForce(at(when)); got != want(at(when)) {
			t.Fatalf("in force at %d: %s, want %s", when, show(got), show(want(at(when))))
		}
		var next *Held
		for h := when + 1; h <= 11 && next == nil; h++ {
			if w := want(at(h)); w != want(at(when)) {
				next = w
			}
		}
		if got := s.Next(at(when)); got != next {
			t.Fatalf("next after %d: %s, want %s", when, show(got), show(next))
		}
		if h := s.For(at(when), at(when)); (h == nil) != (want(at(when)) == nil) {
			t.Fatalf("for a build at %d: %s, in force %s", when, show(h), show(want(at(when))))
		}
	})
}

func show(h *Held) string {
	if h == nil {
		return "none"
	}
	return fmt.Sprintf("%d of %s", h.Number, h.Scope)
}
