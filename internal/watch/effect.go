package watch

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"samecup.example/samecup/internal/stat"
)

// Test is one thing that must be well again before a case may be closed: a
// measure at a place, or how often a finding is made. Its limit is fixed when
// the signal is made, before the data that judge it.
type Test struct {
	Kind    SignalKind `json:"kind"`
	Site    string     `json:"site,omitempty"`
	Station string     `json:"station,omitempty"`
	Barista string     `json:"barista,omitempty"`
	Key     string     `json:"key"`
	// Before is the level or share before the fault, Bad with it.
	Before float64 `json:"before"`
	Bad    float64 `json:"bad"`
	SD     float64 `json:"sd"`
	// Share marks a test of how often.
	Share bool `json:"share,omitempty"`
	// What came after the fix: subgroups of a level, builds of a share.
	After moments `json:"after"`
	N     int     `json:"n"` // readings or builds
	Hits  int     `json:"hits"`
}

func (t *Test) clear() { t.After, t.N, t.Hits = moments{}, 0, 0 }

const testsMost = 24

// test fixes what a signal asks of the time after the fix.
func (k *Case) test(s *Signal) {
	add := func(t Test) {
		for i := range k.Tests {
			o := &k.Tests[i]
			if o.Kind == t.Kind && o.Site == t.Site && o.Station == t.Station && o.Barista == t.Barista && o.Key == t.Key {
				// The first says what was normal; the worst what was wrong.
				if math.Abs(t.Bad-o.Before) > math.Abs(o.Bad-o.Before) && (t.Bad-o.Before)*(o.Bad-o.Before) > 0 {
					o.Bad = t.Bad
				}
				return
			}
		}
		if len(k.Tests) < testsMost {
			k.Tests = append(k.Tests, t)
		}
	}
	t := Test{Kind: s.Kind, Site: s.Site, Station: s.Station, Key: s.Measure, Before: s.Before, Bad: s.After, SD: s.SD}
	switch s.Kind {
	case SignalVessel:
		t.Key = pointKey(s.Measure, s.Vessel, "")
		add(t)
	case SignalPump:
		t.Key = pointKey(s.Measure, "", s.Serving)
		add(t)
	case SignalQuestion:
	case SignalRate:
		t.Key, t.Share = s.Finding, true
		add(t)
	case SignalSafety:
		// One in a hundred is what must be ruled out where no share is known.
		t.Key, t.Share, t.Before, t.Bad = s.Finding, true, 0, 0.01
		add(t)
	case SignalStale:
		if s.Finding == "release" {
			t.Key, t.Share = "release", true
		}
		add(t)
	case SignalLot, SignalRelease:
		for _, w := range s.Where {
			add(Test{Kind: SignalLevel, Site: w.Site, Station: w.Station, Key: s.Measure, Before: w.Before, Bad: w.After, SD: w.SD})
		}
	case SignalBarista:
		t.Barista, t.Site, t.Station = s.Barista, "", ""
		add(t)
	default:
		add(t)
	}
}

// point hands a subgroup to the cases whose fix it can judge.
func (c *Cases) point(p *Point) []Change {
	var changes []Change
	for _, id := range sortedKeys(c.list) {
		k := c.list[id]
		if k.Fix == nil || k.Stage != StageFixStated && k.Stage != StageWatching || !p.At.After(k.Fix.At) {
			continue
		}
		for i := range k.Tests {
			t := &k.Tests[i]
			if t.Kind != p.Kind || t.Key != p.Key || t.Barista != p.Barista ||
				t.Barista == "" && (t.Site != p.Site || t.Station != p.Station) {
				continue
			}
			t.N += p.N
			t.Hits += p.Bad
			if !t.Share {
				t.After.take(p.X)
			}
			if k.Stage == StageFixStated {
				k.Stage = StageWatching
				k.log(p.At, "watch", "first data after the fix")
				changes = append(changes, Change{k.ID, "watching"})
			}
		}
	}
	return changes
}

// Effect is the answer of the data after a fix.
type Effect string

// The answers.
const (
	EffectYes        Effect = "mended"
	EffectNot        Effect = "not mended"
	EffectCannotTell Effect = "cannot tell yet"
)

// Outcome is what the data after the fix say, with the n that would do.
type Outcome struct {
	Answer Effect `json:"answer"`
	Words  string `json:"words"`
	// More is about how many further subgroups (levels) or builds (shares) the
	// slowest test needs.
	More int `json:"more"`
}

// effectAlpha is the chance of closing a case that is not mended, for each
// test, and of calling one unmended that is.
const effectAlpha = 0.05

// Effect judges each test and takes the worst answer.
//
// A level is mended when the mean of the subgroups after the fix lies on the
// good side of half way between before and the fault, by a one-sided t test at
// 5 %; not mended when on the other side. A share is mended when the fault's
// half way (its share for safety findings) is above the exact one-sided 95 %
// interval.
func (k *Case) Effect() Outcome {
	if k.Kinds[SignalQuestion] > 0 && len(k.Tests) == 0 {
		if k.Fix == nil {
			return Outcome{Answer: EffectCannotTell, Words: "the question has no answer on record"}
		}
		return Outcome{Answer: EffectYes, Words: "the question was answered: " + k.Fix.What}
	}
	res := Outcome{Answer: EffectYes}
	var words []string
	if len(k.Tests) == 0 {
		return Outcome{Answer: EffectCannotTell, Words: "there is nothing to test"}
	}
	for i := range k.Tests {
		o := k.Tests[i].effect()
		words = append(words, o.Words)
		res.More = max(res.More, o.More)
		if o.Answer == EffectNot || o.Answer == EffectCannotTell && res.Answer == EffectYes {
			res.Answer = o.Answer
		}
	}
	res.Words = strings.Join(words, "; ")
	return res
}

func (t *Test) name() string {
	return strings.TrimPrefix(firstOf(t.Barista, placeName(t.Site, t.Station))+" "+t.Key+" ("+string(t.Kind)+")", " ")
}

func (t *Test) effect() Outcome {
	if t.Share {
		return t.shareEffect()
	}
	// Seen from before, the fault lies upwards.
	way := 1.0
	if t.Bad < t.Before {
		way = -1
	}
	mid := (t.Before + t.Bad) / 2
	gap := math.Abs(t.Bad-t.Before) / 2
	n := t.After.N
	sd := t.SD
	if n >= 2 {
		// The spread before is known better; a spread that grew counts.
		sd = max(sd, math.Sqrt(t.After.M2/float64(n-1)))
	}
	// The n that shows a full return with 80 %: (1.645 + 0.842)^2 (sd/gap)^2.
	want := max(4, int(math.Ceil(6.183*sd*sd/max(gap*gap, 1e-12)))+1)
	if n < 3 {
		return Outcome{EffectCannotTell, fmt.Sprintf("%s: %d subgroups after the fix, about %d would do", t.name(), n, want), want - n}
	}
	d := way * (mid - t.After.Mean)
	limit := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(n - 1)}.Quantile(1-effectAlpha) * sd / math.Sqrt(float64(n))
	text := fmt.Sprintf("%s: %.2f after the fix over %d subgroups (%d readings), %.2f before, %.2f with the fault", t.name(), t.After.Mean, n, t.N, t.Before, t.Bad)
	switch {
	case d > limit:
		return Outcome{EffectYes, text + ": mended at 5 %", 0}
	case d < -limit:
		return Outcome{EffectNot, text + ": not mended at 5 %", 0}
	}
	return Outcome{EffectCannotTell, fmt.Sprintf("%s: about %d subgroups would do", text, max(want, n+1)), max(want-n, 1)}
}

func (t *Test) shareEffect() Outcome {
	bound := (t.Before + t.Bad) / 2
	if t.Kind == SignalSafety {
		bound = t.Bad
	}
	bound = min(max(bound, 1e-6), 0.999)
	want, err := stat.ChecksToSee(bound, 1-effectAlpha)
	if err != nil {
		want = 300
	}
	if t.N == 0 {
		return Outcome{EffectCannotTell, fmt.Sprintf("%s: no builds after the fix, about %d without one would do", t.name(), want), want}
	}
	ci, err := stat.ClopperPearson(min(t.Hits, t.N), t.N, 1-2*effectAlpha)
	if err != nil {
		return Outcome{EffectCannotTell, t.name() + ": " + err.Error(), want}
	}
	text := fmt.Sprintf("%s: %d of %d builds after the fix, below %.2g %% needed", t.name(), t.Hits, t.N, 100*bound)
	switch {
	case ci.Upper < bound || t.Hits == 0 && t.N >= want:
		return Outcome{EffectYes, fmt.Sprintf("%s: at most %.2g %% with 95 %%: mended", text, 100*ci.Upper), 0}
	case ci.Lower > bound:
		return Outcome{EffectNot, text + ": not mended at 5 %", 0}
	}
	return Outcome{EffectCannotTell, fmt.Sprintf("%s: about %d builds without one would do", text, want), max(want-t.N, 1)}
}
