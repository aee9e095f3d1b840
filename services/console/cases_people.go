package console

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/stat"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/method"
)

const (
	// personDays before and since are the least that tell how somebody's drinks moved.
	personDays = 4
	// peopleBuilds are read at most.
	peopleBuilds = 3000
	// peopleAfter bounds the days since it began, so that an old case is not judged
	// by other seasons.
	peopleAfter = 28
)

// byHand is whether what moved at a place moved in everybody's drinks or in those of
// one person: a question of method and training, which is asked before a machine is
// taken apart and never decides about anybody.
type byHand struct {
	Words, Check, Why string
	// Person is the pseudonym whose drinks alone moved; empty where none is.
	Person string
	Figure *Figure
}

// made is one person's drinks at a place.
type made struct {
	who           string
	before, since stat.SampleSummary
	diff          stat.MeanDifference
	told          bool // enough days on both sides
	moved         bool
}

// byHand looks at a case of the hands: milk work, or one person's way of it.
func (v *visit) byHand(res *pb.GetCaseResponse, s span) (*byHand, error) {
	k := res.Case
	hands := slices.ContainsFunc(k.Suspects, func(s *pb.CaseSuspect) bool { return s.Cause == "air" || s.Cause == "technique" })
	about := chartedBy(res.Evidence)
	if !hands || len(k.Sites) != 1 || len(about) == 0 {
		return nil, nil
	}
	p := about[0]
	dir := wayOf(res.Evidence, p)
	if dir == 0 {
		return nil, nil // one hot jug is no move, and nobody is to be named for it
	}
	began := dateOf(k.BeganTime.AsTime())
	if last := began.AddDate(0, 0, peopleAfter-1); last.Before(s.To) {
		s.To = last
	}
	builds, err := v.measuredBuilds(p.measure, s, p.spot, peopleBuilds)
	if err != nil {
		return nil, err
	}
	m := drink.MeasureByCode(p.measure)
	days := map[string]map[time.Time]*dayMean{}
	for _, b := range builds {
		who := b.Build.By
		if who == "" {
			continue
		}
		if days[who] == nil {
			days[who] = map[time.Time]*dayMean{}
		}
		v.readingsOf(b, p.measure, func(value float64, c *drink.Check) {
			day := dateOf(b.Build.StartedTime.AsTime())
			if days[who][day] == nil {
				days[who][day] = &dayMean{}
			}
			days[who][day].n++
			days[who][day].sum += value - c.Target.Float()
		})
	}
	people := peopleOf(days, began)
	told := judge(people, dir)
	if told < 2 {
		return nil, nil // one person cannot be told from the station
	}
	out := &byHand{}
	if k := v.teller(); out.words(people, told, m, k) {
		out.Figure = handsFigure(people, m, k, p.spot)
	}
	return out, nil
}

// peopleOf sums up the days of each person before it began and since, by pseudonym.
func peopleOf(days map[string]map[time.Time]*dayMean, began time.Time) []made {
	var out []made
	for who, by := range days {
		var before, since []float64
		for day, d := range by {
			x := d.sum / float64(d.n)
			if day.Before(began) {
				before = append(before, x)
			} else {
				since = append(since, x)
			}
		}
		// In a fixed order, so that sums do not hang on a map's.
		slices.Sort(before)
		slices.Sort(since)
		out = append(out, made{who: who, before: summary(before), since: summary(since)})
	}
	slices.SortFunc(out, func(a, b made) int { return strings.Compare(a.who, b.who) })
	return out
}

func summary(x []float64) stat.SampleSummary {
	s := stat.SampleSummary{N: len(x)}
	for _, v := range x {
		s.Mean += v / float64(len(x))
	}
	for _, v := range x {
		s.SD += (v - s.Mean) * (v - s.Mean)
	}
	if s.N > 1 {
		s.SD = math.Sqrt(s.SD / float64(s.N-1))
	}
	return s
}

// wayOf is the way in which a measure moved at a place, by the watch's charts: +1 up,
// -1 down, 0 where none of them says that it moved.
func wayOf(evidence []*pb.Signal, p charted) int32 {
	for _, e := range evidence {
		if e.Kind != "safety" && e.Kind != "rate" && e.Kind != "spread" && e.Direction != 0 && measureOf(e) == p.measure && e.Site == p.site {
			return e.Direction
		}
	}
	return 0
}

// sureOfPeople is how sure the intervals of all people are together: a name is not
// said lightly.
const sureOfPeople = 0.99

// judge compares each person's days since with those before, and counts those that
// can be told. Moved has who moved the way that the place did.
func judge(people []made, dir int32) int {
	told := 0
	for i := range people {
		p := &people[i]
		if p.told = p.before.N >= personDays && p.since.N >= personDays; p.told {
			told++
		}
	}
	for i := range people {
		p := &people[i]
		if !p.told {
			continue
		}
		d, err := stat.Welch(p.since, p.before, 1-(1-sureOfPeople)/float64(told))
		if err != nil {
			p.told = false // values all alike have no spread to be held against
			told--
			continue
		}
		p.diff, p.moved = d, dir > 0 && d.CI.Lower > 0 || dir < 0 && d.CI.Upper < 0
	}
	return told
}

// words say whose drinks moved, and whether any did, so that there is something to
// be drawn.
func (h *byHand) words(people []made, told int, m *drink.Measure, k teller) bool {
	var moved []*made
	for i := range people {
		if people[i].told && people[i].moved {
			moved = append(moved, &people[i])
		}
	}
	others := plural(told-1, "other person", "other people")
	switch {
	case len(moved) == 1 && told > 1:
		p := moved[0]
		h.Person = p.who
		size := k.amount(math.Abs(p.diff.Value), m.Unit)
		dir := "up"
		if p.diff.Value < 0 {
			dir = "down"
		}
		h.Words = fmt.Sprintf("Since it began, %s went %s by about %s in drinks logged by %s; in those of %s here no move can be told from chance.", m.Label, dir, size, p.who, others)
		h.Check = "Watch three builds by " + p.who + " beside the card; look at the jug, its marks and the light"
		h.Why = "It is a question of method and training, not of blame: ask what " + p.who + " was shown and what the counter allows. Another could log under the same name. A reminder is no cause."
	case len(moved) == told:
		h.Words = fmt.Sprintf("Since it began, %s moved in the drinks of all %d people who can be compared here, so it is more likely the place than a person.", m.Label, told)
	case len(moved) > 1:
		h.Words = fmt.Sprintf("Since it began, %s moved in the drinks of %d of %d people who can be compared here: look at what they share, such as a shift or a jug, before a person.", m.Label, len(moved), told)
	default:
		h.Words = fmt.Sprintf("Whether %s moved in one person's drinks or in everybody's cannot be told: none of %d people's moved by more than chance gives by itself.", m.Label, told)
	}
	return len(moved) > 0
}

// handsFigure draws each person's move with its interval, by pseudonym and never by
// size.
func handsFigure(people []made, m *drink.Measure, k teller, at spot) *Figure {
	unit := k.read.Symbol(m.Unit)
	away := func(v float64) float64 { return k.read.Difference(v, m.Unit) }
	var rows []chart.Interval
	few := 0
	for _, p := range people {
		if !p.told {
			few++
			continue
		}
		rows = append(rows, chart.Interval{Name: p.who, Low: away(p.diff.CI.Lower), Mid: away(p.diff.Value), High: away(p.diff.CI.Upper), N: p.before.N + p.since.N, Outside: p.moved})
	}
	zero := 0.0
	c := chart.Intervals("hands", sentenceCase(m.Label)+" at "+k.name(at)+", by who logged the drink: since it began, against before", m.Label+", change, "+unit, rows, &zero, "no change")
	c.Centre, c.Whisker, c.Diamond = "no change", "interval, 99 % for all together", "more than chance gives"
	c.N = "n = " + plural(len(rows), "person", "people") + " with at least " + fmt.Sprint(personDays) + " measured days on both sides"
	if few > 0 {
		c.N += fmt.Sprintf("; %d more have too few", few)
	}
	c.Desc = "By pseudonym, in no order of merit; a diamond moved as the place did, beyond what chance gives"
	c.Method = "Each person's mean of days since it began, less that of the days before, with Welch's interval, at 99 % for all of them together (Bonferroni). Who logged a drink did not always make it"
	return figureOf(c, method.Hands)
}
