package shelf

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// InForce, Next and For against a plain reading of their definition.
func TestInForceMatchesItsDefinition(t *testing.T) {
	at := func(h int) time.Time { return time.Unix(int64(h)*3600, 0) }
	rapid.Check(t, func(t *rapid.T) {
		s := &Shelf{held: make(map[uint64]*Held)}
		hour, number := 0, uint64(0)
		draw := func(n int) (out []Order) {
			for range n {
				hour += rapid.IntRange(0, 3).Draw(t, "later")
				number++
				o := Order{Release: number, Start: at(hour), Refused: rapid.IntRange(0, 4).Draw(t, "refused") == 0}
				if rapid.IntRange(0, 3).Draw(t, "held") > 0 {
					s.held[number] = &Held{Number: number}
				}
				out = append(out, o)
			}
			return out
		}
		s.history = draw(rapid.IntRange(0, 4).Draw(t, "history"))
		s.orders = draw(rapid.IntRange(0, 5).Draw(t, "orders"))
		all := append(append([]Order{}, s.history...), s.orders...)
		can := func(o Order) bool { return s.held[o.Release] != nil && !o.Refused }
		want := func(when time.Time) (n uint64) {
			for _, o := range all {
				if can(o) && !o.Start.After(when) {
					n = o.Release
				}
			}
			return n
		}
		for i := range s.orders {
			s.orders[i].Held = s.match(&s.orders[i])
		}
		held := s.held
		v := &view{history: s.history, orders: s.orders, held: held}
		for i := range v.history {
			v.history[i].Held = held[v.history[i].Release]
		}
		s.view.Store(v)
		now := at(rapid.IntRange(-1, hour+1).Draw(t, "now"))
		if got := show(s.InForce(now)); got != want(now) {
			t.Fatalf("in force: %d, want %d", got, want(now))
		}
		var next uint64
		for _, o := range s.orders {
			if can(o) && o.Start.After(now) {
				next = o.Release
				break
			}
		}
		if got := show(s.Next(now)); got != next {
			t.Fatalf("next: %d, want %d", got, next)
		}
		if o := s.For(now, now); (o == nil) != (want(now) == 0) {
			t.Fatalf("for a build: %d, in force %d", show(o), want(now))
		}
		for _, o := range s.Missing(now) {
			if held[o.Release] != nil || o.Refused {
				t.Fatalf("%s is not missing", fmt.Sprint(o.Release))
			}
		}
	})
}

func show(o *Order) uint64 {
	if o == nil {
		return 0
	}
	return o.Release
}
