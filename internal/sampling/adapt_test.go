package sampling

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestLevelsDoNotSwing(t *testing.T) {
	a := DefaultAdaptation()
	quiet := Summary{Prompts: 13, Missed: 1}
	run := func(h History, n int, s Summary) History {
		for range n {
			h = a.After(h, s)
		}
		return h
	}
	var h History
	if h = run(h, 9, quiet); h.Now() != Normal {
		t.Errorf("after 9 quiet shifts: %+v", h)
	}
	if h = run(h, 1, quiet); h.Level != Relaxed {
		t.Errorf("after 10 quiet shifts: %+v", h)
	}
	if back := a.After(h, Summary{Prompts: 10, Missed: 5}); back.Level != Normal {
		t.Errorf("missing half the prompts keeps %+v", back)
	}
	if h = a.After(h, Summary{Signals: 1, Prompts: 9}); h.Level != Tightened {
		t.Errorf("after a signal: %+v", h)
	}
	if h = run(h, 2, quiet); h.Level != Tightened {
		t.Errorf("after 2 quiet shifts: %+v", h)
	}
	if held := run(h, 50, Summary{Prompts: 20, Missed: 20}); held.Level != Tightened {
		t.Errorf("not measuring bought %+v", held)
	}
	if h = run(h, 1, quiet); h.Level != Normal || h.Quiet != 0 {
		t.Errorf("after 3 quiet shifts: %+v", h)
	}
	if h = a.After(h, Summary{NewRelease: true, Prompts: 13}); h.Level != Tightened {
		t.Errorf("after a new release: %+v", h)
	}
	// From tightened to relaxed takes 13 quiet shifts at least, whatever comes.
	rapid.Check(t, func(t *rapid.T) {
		h, since := History{Level: Tightened}, 0
		for range 60 {
			s := Summary{Prompts: 13, Missed: rapid.IntRange(0, 13).Draw(t, "missed"), Signals: rapid.SampledFrom([]int{0, 0, 0, 0, 0, 0, 1}).Draw(t, "signals")}
			if h = a.After(h, s); h.Level == Tightened && s.Signals > 0 {
				since = 0
			} else {
				since++
			}
			if h.Level == Relaxed && since < 13 {
				t.Fatalf("relaxed %d shifts after a signal", since)
			}
		}
	})
}

func TestTighteningAddsPromptsForTheRestOfTheShift(t *testing.T) {
	c := begin(t, Normal)
	s := c.Shift()
	half := s.Start.Add(4 * time.Hour)
	before := len(c.draws)
	if err := c.Tighten(half, "shots run fast"); err != nil {
		t.Fatal(err)
	}
	added := len(c.draws) - before
	if added < 3 || added > 6 {
		t.Errorf("%d prompts added at half time", added)
	}
	for _, d := range c.draws {
		if strings.HasSuffix(d.ID, ".2") && d.Due.Before(half) {
			t.Errorf("%s at %v lies before the signal", d.ID, d.Due)
		}
	}
	if err := c.Tighten(half.Add(time.Minute), "again"); err != nil || len(c.draws) != before+added {
		t.Errorf("a second signal added more: %d (%v)", len(c.draws), err)
	}
	if n := len(begin(t, Tightened).draws) - before; n != 9 {
		t.Errorf("a tightened shift has %d prompts more, want 9", n)
	}
	if n := before - len(begin(t, Relaxed).draws); n != 4 {
		t.Errorf("a relaxed shift has %d prompts fewer, want 4", n)
	}
}
