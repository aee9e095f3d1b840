package console

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/sampling"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
)

// happening is one thing that happened at a bar: what the station told of, or the
// first sight of a lot or a release.
type happening struct {
	at   time.Time
	kind string
	// detail is the setting, the lot, the check that was not done.
	detail, by string
	// inUse was there when the day began, so nothing changed.
	inUse bool
}

// barKinds are what can happen, in the order of their rows. line says which
// measures it moves, so that a dotted line is drawn through them: all, those of the
// shot, or none.
var barKinds = []struct{ kind, word, line string }{
	{"release", "release", "all"}, {"new_lot", "coffee lot", "all"}, {"new_milk_lot", "milk lot", "all"}, {"other_lot", "lot", "all"},
	{"adjusted", "grinder set", "shot"}, {"new_burrs", "new burrs", "shot"}, {"serviced", "serviced", "all"}, {"new_cups", "cups delivered", "all"},
	{"missed", "check not done", ""}, {"tasted", "tasting", ""}, {"offline", "cut off", ""},
}

var ofTheShot = map[string]bool{"dose": true, "yield": true, "shot_time": true, "tds": true}

// barKind is a row's number and word; what is not known comes last by its code.
func barKind(kind string) (int, string) {
	for i, k := range barKinds {
		if k.kind == kind {
			return i, k.word
		}
	}
	return len(barKinds), plain(kind)
}

// words is what happened, as people say it.
func (h *happening) words() string {
	_, word := barKind(h.kind)
	return strings.TrimSpace(word + " " + h.detail)
}

// happenings of a day's builds, in order of time. A lot that the station told of is
// not told again when it is first seen in a build.
func happenings(builds []*pb.JudgedBuild) []happening {
	var out []happening
	known := map[string]bool{}
	tasted := map[string]int{} // by build, where it stands in out
	for _, b := range builds {
		for _, e := range b.Build.Events {
			if e.Time == nil || e.Kind == checkDone {
				continue
			}
			h := happening{at: e.Time.AsTime(), kind: e.Kind, detail: e.Detail, by: e.By}
			if t, err := sampling.ParseTasting(e.Detail); e.Kind == "tasted" && err == nil {
				h.detail = tastingWords(t)
				if i, again := tasted[t.Build]; again && t.Build != "" {
					out[i] = h // what was said last of a cup counts
					continue
				}
				tasted[t.Build] = len(out)
			}
			out = append(out, h)
			known[e.Kind+" "+e.Detail] = true
		}
	}
	release := uint64(0)
	for i, b := range builds {
		at := b.Build.StartedTime.AsTime()
		if b.Build.Release != release {
			release = b.Build.Release
			out = append(out, happening{at: at, kind: "release", detail: fmt.Sprint(release), inUse: i == 0})
		}
		for _, l := range b.Build.Lots {
			h := happening{at: at, kind: "other_lot", detail: l, inUse: i == 0}
			switch of, name, _ := strings.Cut(l, ":"); of {
			case "coffee":
				h.kind, h.detail = "new_lot", name
			case "milk":
				h.kind, h.detail = "new_milk_lot", name
			}
			if !known[h.kind+" "+h.detail] {
				known[h.kind+" "+h.detail] = true
				out = append(out, h)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b happening) int { return a.at.Compare(b.at) })
	return out
}

// checkDone is the kind of a check that was asked for and done; the others are
// "missed".
const checkDone = "measured"

// tastingWords is a score, which has an order and no mean, with its words.
func tastingWords(t sampling.Tasting) string {
	text := fmt.Sprintf("%d of %d", t.Score, sampling.ScoreMost)
	if len(t.Words) > 0 {
		text += ": " + strings.Join(t.Words, ", ")
	}
	if !t.Blind {
		text += ", not blind"
	}
	return text
}

// checksDone is the share of the checks asked for on a day that were done; nil
// where the station told of none.
func checksDone(builds []*pb.JudgedBuild) *shareFigure {
	var done, asked int64
	for _, b := range builds {
		for _, e := range b.Build.Events {
			switch e.Kind {
			case checkDone:
				if _, err := sampling.ParseDone(e.Detail); err != nil {
					continue // not what a station of ours says
				}
				done++
				asked++
			case "missed":
				asked++
			}
		}
	}
	f := newShare(done, asked, "")
	if f != nil {
		f.Of = "checks asked for were done"
	}
	return f
}

// eventTable lists what happened at the bar.
func eventTable(list []happening, zone *time.Location) *Table {
	t := &Table{ID: "events", Caption: "What happened at the bar", Cols: cols("time", "~what", "by"), Most: stationRows, Empty: "The station told of no adjustment, delivery or missed check on this day."}
	for i := range list {
		t.add(head(list[i].at.In(zone).Format("15:04 MST"), ""), text(list[i].words()), text(list[i].by))
	}
	return t
}

// dayLanes are the rows of the day's chart, one for each kind of thing.
func dayLanes(list []happening, from time.Time, zone *time.Location) []chart.Lane {
	by := map[string][]happening{}
	for _, h := range list {
		by[h.kind] = append(by[h.kind], h)
	}
	kinds := make([]string, 0, len(by))
	for k := range by {
		kinds = append(kinds, k)
	}
	slices.SortFunc(kinds, func(a, b string) int {
		x, _ := barKind(a)
		y, _ := barKind(b)
		return cmp.Or(cmp.Compare(x, y), cmp.Compare(a, b))
	})
	out := make([]chart.Lane, len(kinds))
	for i, k := range kinds {
		_, out[i].Name = barKind(k)
		for _, h := range by[k] {
			out[i].Marks = append(out[i].Marks, chart.LaneMark{X: h.at.Sub(from).Seconds(), Label: h.detail, Text: h.at.In(zone).Format("15:04") + ": " + h.words()})
		}
	}
	return out
}

// mostLines through a panel leave its points to be seen; of more, none is drawn, and
// the rows tell.
const mostLines = 12

// dayMarks are the dotted lines through a measure's panel.
func dayMarks(list []happening, measure string, from time.Time) []chart.Mark {
	var out []chart.Mark
	for i := range list {
		k, _ := barKind(list[i].kind)
		if !list[i].inUse && k < len(barKinds) && (barKinds[k].line == "all" || barKinds[k].line == "shot" && ofTheShot[measure]) {
			out = append(out, chart.Mark{X: list[i].at.Sub(from).Seconds()})
		}
	}
	if len(out) > mostLines {
		return nil
	}
	return out
}
