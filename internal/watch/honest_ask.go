package watch

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"samecup.example/samecup/internal/stat"
)

// sessionsMost is how many sessions of a person are kept; windows are how many
// of the last are looked at together each day.
const sessionsMost = 8

var windows = [3]int{2, 4, sessionsMost}

// ground is what one screen gives reason to ask about. Families are independent
// of each other in an honest log.
type ground struct {
	Family   string
	P        float64
	Question string
	// Finding puts it into words, which few grounds ever need.
	Finding func() string
}

const (
	groundLeast = 0.01 // what the weaker of two grounds must reach by itself
	// ruleP is what a ground by rule counts, which has no p-value. There is one
	// such family, so that the other ground always has one.
	ruleP = 1e-6
	// heapedShare is above which share of honest last digits 0 and 5 a measure
	// moves too little on its display to be counted.
	heapedShare = 0.25
)

// grounds are what the sessions give reason to ask about. looks is by how many
// windows the chance is shared.
func (w *Watch) grounds(list []session, looks int) []ground {
	var t session
	for _, e := range list {
		for i := range steadied {
			t.Chi[i] += e.Chi[i]
			t.ChiDF[i] += e.ChiDF[i]
		}
		for i := range onTargetMeasures {
			t.Sum[i] += e.Sum[i]
			t.N[i] += e.N[i]
		}
		t.Own, t.OwnDF, t.OwnOf = t.Own+e.Own, t.OwnDF+e.OwnDF, t.OwnOf+e.OwnOf
		t.Digits, t.Heaped, t.HeapedMost = t.Digits+e.Digits, t.Heaped+e.Heaped, t.HeapedMost+e.HeapedMost
		t.Pairs, t.Tied, t.TiedMost = t.Pairs+e.Pairs, t.Tied+e.Tied, t.TiedMost+e.TiedMost
		t.Together, t.Typed = t.Together+e.Together, t.Typed+e.Typed
	}
	var out []ground
	add := func(family string, p float64, question string, finding func() string) {
		out = append(out, ground{Family: family, P: min(1, p*float64(looks)), Question: question, Finding: finding})
	}
	// Joined by Fisher's method: where one measure says little, as a dose that
	// hardly moves on its display, it takes nothing from the others.
	x, k := 0.0, 0
	var tight []int
	for i := range steadied {
		if t.ChiDF[i] < 1 {
			continue
		}
		p := distuv.ChiSquared{K: float64(t.ChiDF[i])}.CDF(t.Chi[i])
		x -= 2 * math.Log(max(p, 1e-300))
		k++
		if p < 0.05 {
			tight = append(tight, i)
		}
	}
	if k >= 2 {
		add("spread", 2*distuv.ChiSquared{K: float64(2 * k)}.Survival(x), "Is each build measured by itself, and is anything done here that steadies it so well?", func() string {
			var each []string
			for _, i := range tight {
				each = append(each, fmt.Sprintf("%s %.2f", label(steadied[i]), math.Sqrt(t.Chi[i]/float64(t.ChiDF[i]))))
			}
			return "spread as a share of what the steadiest hands and the instruments allow: " + strings.Join(each, ", ")
		})
	}
	if p, n := w.onTargets(&t); n >= 3 {
		add("level", p, "Were the values read, or taken from the card?", func() string {
			return fmt.Sprintf("the levels of %d measures are nearer their targets than those of others", n)
		})
	}
	if t.Pairs >= 6 {
		add("spread", 2*binomialTail(t.Tied, t.Pairs, t.TiedMost/float64(t.Pairs)), "Was each of these builds measured, or was the value before carried on?", func() string {
			return fmt.Sprintf("%d of %d values equal the one before, at most %.0f are expected", t.Tied, t.Pairs, math.Ceil(t.TiedMost))
		})
	}
	if t.OwnDF >= 3 {
		add("machine", distuv.F{D1: float64(t.OwnDF), D2: t.OwnOf}.CDF(t.Own/float64(t.OwnDF)), "The machine's own timer shows more spread than the times written down: how are they read?", func() string {
			return fmt.Sprintf("typed shot times spread %.2f of what the machine logs for the same person", math.Sqrt(t.Own/float64(t.OwnDF)))
		})
	}
	if t.Digits >= 8 {
		add("digits", binomialTail(t.Heaped, t.Digits, t.HeapedMost/float64(t.Digits)), "Is the value rounded to a half or a whole when it is written down?", func() string {
			return fmt.Sprintf("%d of %d values end in 0 or 5, about %.0f are expected", t.Heaped, t.Digits, t.HeapedMost)
		})
	}
	if t.Together > 0 {
		out = append(out, ground{Family: "clock", P: ruleP, Question: "What were the values kept on until they were typed in?",
			Finding: func() string {
				return fmt.Sprintf("%d of %d builds were typed in seconds after one another and measured over more than a quarter of an hour", t.Together, t.Typed)
			}})
	}
	return out
}

// onTargets is onTarget for the few values of some sessions: everybody has
// levels of their own, and a log that stands on the target in n measures at
// once was perhaps copied from it.
func (w *Watch) onTargets(t *session) (p float64, n int) {
	x := 0.0
	for i, m := range onTargetMeasures {
		l, ok := w.st.Levels[m]
		k := float64(t.N[i])
		if !ok || l.SD <= 0 || k < 2 {
			continue
		}
		near := 0.0
		// Of steady and of usual hands, those of whom it is less of a wonder.
		for _, skill := range [2]float64{leastSkill, 1} {
			own := skill * w.st.Usual[m]
			sd := math.Sqrt(l.SD*l.SD + own*own/k)
			// A mean at the very target must not count without bound.
			d := max(math.Abs(t.Sum[i]/k), sd/50)
			near = max(near, distuv.UnitNormal.CDF((d-l.Mid)/sd)-distuv.UnitNormal.CDF((-d-l.Mid)/sd))
		}
		x -= 2 * math.Log(max(near, 1e-12))
		n++
	}
	if n == 0 {
		return 1, 0
	}
	return distuv.ChiSquared{K: float64(2 * n)}.Survival(x), n
}

// binomialTail is P(X >= x) of n at share p.
func binomialTail(x, n int, p float64) float64 {
	if x <= 0 {
		return 1
	}
	// P(X >= x) = I_p(x, n-x+1).
	return distuv.Beta{Alpha: float64(x), Beta: float64(n-x) + 1}.CDF(min(p, 1))
}

// replays looks for a log that repeats an older stretch of itself shifted by a
// constant, each measure by itself: the differences from the value so many
// readings before are then equal over a whole run. That two honest differences
// are equal has the chance 0.2 steps/SD (normal law, four independent values);
// half as much again is allowed for lumps.
func (p *person) replays() []ground {
	var out []ground
	for _, m := range sortedKeys(p.Values) {
		list := p.Values[m]
		n, res := len(list), list[0].Res
		if n < replayLeast+2 || res <= 0 {
			continue
		}
		d := make([]int, n)
		var all moments
		mixed := false
		for i, l := range list {
			mixed = mixed || l.Res != res
			d[i] = int(math.Round(l.U * l.Half / res))
			all.take(float64(d[i]))
		}
		if mixed || all.M2 <= 0 {
			continue
		}
		q := 0.3 / math.Sqrt(all.M2/float64(n-1))
		if q >= 0.5 {
			continue
		}
		best, lag := 0, 0
		for l := replayLeast; l < n-1; l++ {
			r := 1
			for n-1-r-l >= 0 && d[n-1-r]-d[n-1-r-l] == d[n-1]-d[n-1-l] {
				r++
			}
			if r > best {
				best, lag = r, l
			}
		}
		out = append(out, ground{Family: "replayed " + m, P: min(1, float64(n)*math.Pow(q, float64(best-1))), Question: "Were these builds measured, or were older entries used again?",
			Finding: func() string {
				return fmt.Sprintf("the last %d values of %s repeat those %d readings earlier, all shifted alike", best, label(m), lag)
			}})
	}
	return out
}

// replayLeast is the least lag of a replay: shorter ones are runs.
const replayLeast = 5

// asking is a person with what may be asked about.
type asking struct {
	key     string
	person  *person
	grounds []ground
	p       float64
	n       int // builds
}

// ask keeps those about whom two independent grounds agree: the families that
// stand out most are joined, the weaker of the first two beyond groundLeast by
// itself. The looks at all logs of a month share FalseQuestions.
func (w *Watch) ask(list []asking) []asking {
	var kept []asking
	for _, q := range list {
		slices.SortStableFunc(q.grounds, func(a, b ground) int { return cmp.Compare(a.P, b.P) })
		var best []ground
		families := map[string]bool{}
		for _, g := range q.grounds {
			if !families[g.Family] {
				families[g.Family] = true
				best = append(best, g)
			}
		}
		if len(best) < 2 || best[1].P > groundLeast {
			continue
		}
		q.p = joined(best)
		q.grounds = slices.DeleteFunc(best, func(g ground) bool { return g.P > groundLeast })
		kept = append(kept, q)
	}
	p := make([]float64, max(2*w.st.Logs, len(kept)))
	for i := range p {
		p[i] = 1
		if i < len(kept) {
			p[i] = kept[i].p
		}
	}
	adjusted, err := stat.BenjaminiHochberg(p)
	if err != nil {
		return nil // only a p-value out of range can bring this
	}
	var out []asking
	for i, q := range kept {
		if adjusted[i] <= w.cfg.FalseQuestions/monthLooks {
			out = append(out, q)
		}
	}
	return out
}

// joined is the p-value of the two or three families that stand out most, by
// Fisher's method, for the choice among all of them and of how many.
func joined(best []ground) float64 {
	n, x, ways, p := float64(len(best)), 0.0, 1.0, 1.0
	for i := range min(3, len(best)) {
		k := float64(i + 1)
		x -= 2 * math.Log(max(best[i].P, 1e-300))
		ways *= (n - k + 1) / k
		if i > 0 {
			p = min(p, 2*ways*distuv.ChiSquared{K: 2 * k}.Survival(x))
		}
	}
	return p
}

// signal puts the question; day is the business day on which it is put.
func (q *asking) signal(station, look string, began, seen, day time.Time) Signal {
	p := q.person
	_, who, _ := strings.Cut(q.key, "|")
	var found, asks []string
	for _, g := range q.grounds {
		found = append(found, g.Finding())
		if !slices.Contains(asks, g.Question) {
			asks = append(asks, g.Question)
		}
	}
	sig := Signal{Kind: SignalQuestion, Method: "two independent screens of the log, joined by Fisher's method, Benjamini-Hochberg over all logs, chance shared over the month", Site: p.Site, Station: station,
		Barista: who, Finding: look, Began: began, Seen: seen, N: q.n, P: q.p, Sure: "a question, not a finding", Again: !p.SaidDay.IsZero() && p.SaidDay.Before(day),
		Words: fmt.Sprintf("%s, log of %s: please ask, it is no verdict: %s (%s)", p.Site, firstOf(who, station), strings.Join(asks, " "), strings.Join(found, "; "))}
	p.SaidDay = day
	return sig
}

// askAgain is how long nobody is asked twice: an answer takes a while.
const askAgain = 7 * 24 * time.Hour

// asked says that a question about the log was put in the week before a day.
func (p *person) asked(day time.Time) bool {
	return !p.SaidDay.IsZero() && day.Sub(p.SaidDay) < askAgain
}

// lookBack asks about the last sessions of each person, once a day.
func (w *Watch) lookBack(keys []string, out *Out) {
	w.st.Logs = len(w.st.People)
	var list []asking
	for _, k := range keys {
		p := w.st.People[k]
		if p.asked(w.st.Day) {
			continue
		}
		var all []ground
		for _, n := range windows {
			if len(p.Sessions) >= n || n == windows[0] {
				all = append(all, w.grounds(p.Sessions[max(0, len(p.Sessions)-n):], len(windows))...)
			}
		}
		list = append(list, asking{key: k, person: p, grounds: append(all, p.replays()...), n: len(p.Builds)})
	}
	for _, q := range w.ask(list) {
		p := q.person
		out.signal(q.signal(p.At, "", p.since(), p.Seen, w.st.Day))
	}
}
