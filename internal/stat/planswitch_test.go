package stat

import (
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestCodeLetterRefuses(t *testing.T) {
	if _, _, err := CodeLetter(1, 2); !errors.Is(err, ErrInput) {
		t.Errorf("lot of 1: %v", err)
	}
	if _, _, err := CodeLetter(400, 4); !errors.Is(err, ErrInput) {
		t.Errorf("level 4: %v", err)
	}
}

// MIL-STD-105E (1989), 4.7 and 4.8, read in a reproduction of its text.
func TestSwitching(t *testing.T) {
	for _, c := range []struct {
		name, lots string // a accepted, r rejected
		want       Severity
	}{
		{"start", "", SeverityNormal},
		{"two of five", "raaar", SeverityTightened},
		{"two of six", "raaaar", SeverityNormal},
		{"two in a row", "rr", SeverityTightened},
		{"five accepted", "rraaaaa", SeverityNormal},
		{"four accepted", "rraaaara", SeverityTightened},
		{"five rejected on tightened", "rrrararar" + "r", SeverityDiscontinued},
		{"a return to normal clears", "rrrrrraaaaa", SeverityNormal},
	} {
		var s Switching
		for _, l := range c.lots {
			if _, err := s.Lot(l == 'a'); err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
		}
		if s.Severity() != c.want {
			t.Errorf("%s: %s, want %s", c.name, s.Severity(), c.want)
		}
	}
	var s Switching
	reduce := func() {
		t.Helper()
		for range 10 {
			if err := s.StartReduced(); !errors.Is(err, ErrInput) || s.MayReduce() {
				t.Errorf("reduced after fewer than 10 lots: %v", err)
			}
			if _, err := s.Lot(true); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.StartReduced(); err != nil || !(s.Severity() == SeverityReduced) {
			t.Fatal(err)
		}
	}
	reduce()
	if v, _ := s.Lot(false); v != SeverityNormal {
		t.Errorf("a rejected lot on reduced gives %s", v)
	}
	reduce()
	if err := s.Between(); err != nil || s.Severity() != SeverityNormal {
		t.Errorf("a lot between the numbers gives %s, %v", s.Severity(), err)
	}
	if err := s.Between(); !errors.Is(err, ErrInput) {
		t.Errorf("between on normal: %v", err)
	}
	reduce()
	if s.Irregular(); s.Severity() != SeverityNormal {
		t.Errorf("irregular production gives %s", s.Severity())
	}
	if err := s.Resume(); !errors.Is(err, ErrInput) {
		t.Errorf("nothing to resume: %v", err)
	}
}

// lotsOf1000 are judged at AQL 1.0 and level 2, letter J.
func lotsOf1000(t *testing.T, s *Switching, bad ...int) (scores []int) {
	t.Helper()
	for i, b := range bad {
		p, err := Master("J", 1, s.Severity())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Judge(p, b); err != nil {
			t.Fatalf("lot %d: %v", i+1, err)
		}
		scores = append(scores, s.Score())
	}
	return scores
}

// Exercise of 30 October 2011 for the examination of quality engineers,
// intermediate grade (China), read on a page that reproduces it: lots of 1000, AQL
// 1.0, level II, single sampling, 80 checked, 2 allowed. The scores are as printed,
// and its answer is that the next lot may be on reduced inspection.
func TestSwitchingScoreOfAPublishedExample(t *testing.T) {
	s := Switching{ByScore: true}
	bad := []int{1, 2, 1, 1, 2, 1, 1, 1, 0, 1, 1, 0, 1, 0, 1}
	want := []int{3, 0, 3, 6, 0, 3, 6, 9, 12, 15, 18, 21, 24, 27, 30}
	got := lotsOf1000(t, &s, bad[:14]...)
	if s.MayReduce() {
		t.Error("reduced after a score of 27")
	}
	if err := s.StartReduced(); !errors.Is(err, ErrInput) {
		t.Errorf("started reduced: %v", err)
	}
	got = append(got, lotsOf1000(t, &s, bad[14])...)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("scores: %s", diff)
	}
	if err := s.StartReduced(); err != nil || s.Severity() != SeverityReduced || s.Score() != 0 {
		t.Errorf("%s, score %d, %v", s.Severity(), s.Score(), err)
	}
}

// Further exercises of that examination, read with their explanations.
func TestSwitchingOfFurtherPublishedExamples(t *testing.T) {
	// (32, 1): a lot with 1 bad adds 2, and at least 15 lots come before reduced.
	g, err := Master("G", 1.5, SeverityNormal)
	if err != nil || g.N != 32 || g.Accept != 1 || g.Reject != 2 {
		t.Fatalf("%+v, %v", g, err)
	}
	s := Switching{ByScore: true}
	for lot := 1; lot <= 15; lot++ {
		if s.MayReduce() {
			t.Errorf("reduced before lot %d", lot)
		}
		if _, err := s.Judge(g, 1); err != nil || s.Score() != 2*lot {
			t.Errorf("lot %d: score %d, %v", lot, s.Score(), err)
		}
	}
	if !s.MayReduce() {
		t.Error("not reduced after 15 lots")
	}
	// (80, 3) with 4, 3, 2, 1, 3, 5 bad: the seventh lot is still on normal, since
	// the two rejected are the first and the sixth.
	j, err := Master("J", 1.5, SeverityNormal)
	if err != nil || j.N != 80 || j.Accept != 3 {
		t.Fatalf("%+v, %v", j, err)
	}
	s = Switching{ByScore: true}
	for _, bad := range []int{4, 3, 2, 1, 3, 5} {
		if _, err := s.Judge(j, bad); err != nil {
			t.Fatal(err)
		}
	}
	if s.Severity() != SeverityNormal {
		t.Errorf("the seventh lot is on %s", s.Severity())
	}
}

// ISO 2859-1:1999, 9.3, by published summaries: two of five, five accepted, five
// rejected in all on tightened, resumed on tightened.
func TestSwitchingByScore(t *testing.T) {
	s := Switching{ByScore: true}
	if lotsOf1000(t, &s, 0, 3, 0, 3); s.Severity() != SeverityTightened || s.Score() != 0 {
		t.Errorf("two of four rejected: %s, score %d", s.Severity(), s.Score())
	}
	// Tightened allows 1; a return to normal begins the score anew.
	if lotsOf1000(t, &s, 1, 1, 1, 1, 1); s.Severity() != SeverityNormal || s.Score() != 0 {
		t.Errorf("five accepted: %s, score %d", s.Severity(), s.Score())
	}
	lotsOf1000(t, &s, 3, 3, 2, 2, 2, 0, 2, 0, 2)
	if s.Severity() != SeverityDiscontinued {
		t.Errorf("five rejected on tightened, not running: %s", s.Severity())
	}
	p, _ := Master("J", 1, SeverityTightened)
	if _, err := s.Judge(p, 0); !errors.Is(err, ErrInput) {
		t.Errorf("judged while discontinued: %v", err)
	}
	if err := s.Resume(); err != nil || s.Severity() != SeverityTightened || !s.ByScore {
		t.Errorf("resumed on %s, %v", s.Severity(), err)
	}
	if lotsOf1000(t, &s, 0, 0, 0, 0, 0); s.Severity() != SeverityNormal {
		t.Errorf("after resuming, five accepted: %s", s.Severity())
	}
	if lotsOf1000(t, &s, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0); !s.MayReduce() {
		t.Errorf("ten lots of 3 give %d", s.Score())
	}
	if err := s.StartReduced(); err != nil {
		t.Fatal(err)
	}
	// Reduced at J: 32 checked, accept 1, reject 3.
	p, _ = Master("J", 1, SeverityReduced)
	if got, err := s.Judge(p, 2); got != LotBetween || err != nil || s.Severity() != SeverityNormal {
		t.Errorf("%s, %v, %s", got, err, s.Severity())
	}
	for name, err := range map[string]error{
		"a lot without its number of bad": func() error { _, err := s.Lot(true); return err }(),
		"a plan of another severity":      func() error { _, err := s.Judge(p, 0); return err }(),
		"more bad than checked":           func() error { q, _ := Master("J", 1, SeverityNormal); _, err := s.Judge(q, 81); return err }(),
	} {
		if !errors.Is(err, ErrInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Every plan of normal inspection with an acceptance number of 2 or more has a
// plan one AQL lower on the same sample, with a lower number; and 0 or 1 allowed
// needs 15 lots to a score of 30, more needs 10.
func TestScoreOfEveryPlan(t *testing.T) {
	for _, letter := range masterLetters {
		for _, aql := range masterAQL {
			p, err := Master(letter, aql, SeverityNormal)
			if err != nil {
				t.Fatal(err)
			}
			lots, score := 0, 0
			for ; score < reducedScore; lots++ {
				if score, err = p.Score(score, 0); err != nil {
					t.Fatal(err)
				}
			}
			if want := map[bool]int{true: 10, false: 15}[p.Accept >= 2]; lots != want {
				t.Errorf("%s at %g: %d lots, want %d", letter, aql, lots, want)
			}
			if score, _ = p.Score(score, p.Accept+1); score != 0 {
				t.Errorf("%s at %g: a rejected lot leaves %d", letter, aql, score)
			}
			if p.Accept < 2 {
				continue
			}
			tight, err := p.tighter()
			if err != nil || tight.N != p.N || tight.Accept >= p.Accept || tight.AQL >= p.AQL {
				t.Errorf("%+v: one AQL lower is %+v, %v", p, tight, err)
			}
		}
	}
}

// Whatever happens, the machine stays in its severities, reduced begins only with
// a person, and a score is kept on normal inspection alone.
func TestSwitchingNeverLeavesItsRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Switching{ByScore: true}
		for range rapid.IntRange(1, 80).Draw(t, "lots") {
			was := s.Severity()
			if was == SeverityDiscontinued {
				if err := s.Resume(); err != nil {
					t.Fatal(err)
				}
				continue
			}
			letter := rapid.SampledFrom(masterLetters).Draw(t, "letter")
			p, err := Master(letter, rapid.SampledFrom(masterAQL).Draw(t, "aql"), was)
			if err != nil {
				t.Fatal(err)
			}
			outcome, err := s.Judge(p, rapid.IntRange(0, min(p.N, p.Reject+1)).Draw(t, "bad"))
			if err != nil {
				t.Fatal(err)
			}
			now := s.Severity()
			if now == SeverityReduced && was != SeverityReduced || now == SeverityDiscontinued && was != SeverityTightened ||
				s.Score() != 0 && now != SeverityNormal || outcome == LotBetween && was != SeverityReduced {
				t.Fatalf("%s, %s, %s, score %d", was, outcome, now, s.Score())
			}
			if s.MayReduce() && rapid.Bool().Draw(t, "reduce") {
				if err := s.StartReduced(); err != nil || s.Severity() != SeverityReduced {
					t.Fatal(err)
				}
			}
		}
	})
}
