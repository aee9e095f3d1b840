package score

import (
	"cmp"
	"slices"

	"samecup.example/samecup/internal/watch"
)

// quietShifts is how many shifts without a signal of the same end an episode:
// three days. A chart whose baseline is off repeats itself for weeks, and whoever
// reads it is disturbed once, not each shift; so a false alarm is an episode.
const quietShifts = 6

// subject is what has to agree for signals to be repeats of one another. The
// kind is part of it: a level and a spread are two statements. So are person and
// lot, for signals that name no station.
type subject struct {
	kind                        watch.SignalKind
	site, station, barista, lot string
	measure, finding            string
	direction                   int
}

func (a *alarm) subject() subject {
	return subject{kind: a.kind, site: a.site, station: a.station, barista: a.barista, lot: a.lot,
		measure: a.measure, finding: a.finding, direction: a.direction}
}

// repeats says whether a signal told in shift next goes on with the episode of
// one told in shift last.
func repeats(last, next int) bool { return next-last <= quietShifts }

// begins gives those alarms, of the kept ones, that begin an episode, in order
// of shifts. The order of the list is no matter but for alarms of one shift.
func begins(list []alarm, keep func(*alarm) bool) []*alarm {
	var kept, out []*alarm
	for i := range list {
		if keep(&list[i]) {
			kept = append(kept, &list[i])
		}
	}
	slices.SortStableFunc(kept, func(a, b *alarm) int { return cmp.Compare(a.told, b.told) })
	last := map[subject]int{}
	for _, a := range kept {
		s := a.subject()
		if before, ok := last[s]; !ok || !repeats(before, a.told) {
			out = append(out, a)
		}
		last[s] = a.told
	}
	return out
}

// tally counts alarms of chance, as episodes and as they were told.
type tally struct {
	Episodes int `json:"episodes"`
	Signals  int `json:"signals"`
}

func tallyOf(list []alarm, keep func(*alarm) bool) tally {
	t := tally{Episodes: len(begins(list, keep))}
	for i := range list {
		t.Signals += one(keep(&list[i]))
	}
	return t
}

func (t *tally) add(o tally) {
	t.Episodes += o.Episodes
	t.Signals += o.Signals
}

// track is the shifts in which one subject was told, in order.
type track []int

// insert adds a shift and gives by how many the episodes change: up one by
// itself, nothing as a repeat, down one where it joins two.
func (t *track) insert(told int) int {
	i, _ := slices.BinarySearch(*t, told)
	before, after := i > 0, i < len(*t)
	change := 1
	if before {
		change -= one(repeats((*t)[i-1], told))
	}
	if after {
		change -= one(repeats(told, (*t)[i]))
	}
	if before && after {
		change += one(repeats((*t)[i-1], (*t)[i]))
	}
	*t = slices.Insert(*t, i, told)
	return change
}
