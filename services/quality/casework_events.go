package quality

import (
	"slices"
	"strings"

	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/watch"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

const (
	// eventsMost bounds the events taken from one build; the last ones count.
	eventsMost = 64
	// detailMost bounds an event's detail, bytes.
	detailMost = 200
)

// eventKinds are those that the watch follows. A station tells of more, such as what
// was measured and tasted, from which no fault is to be read.
var eventKinds = map[string]watch.EventKind{
	string(watch.Adjusted): watch.Adjusted, string(watch.NewLot): watch.NewLot, string(watch.NewMilkLot): watch.NewMilkLot,
	string(watch.NewBurrs): watch.NewBurrs, string(watch.Serviced): watch.Serviced, string(watch.NewCups): watch.NewCups,
	string(watch.Missed): watch.Missed, string(watch.Offline): watch.Offline,
}

// events are what a build says of its bar, in order of time. A kind that is not
// known comes from a newer station and is passed over; a clock that runs ahead
// must not put an event after builds to come.
func events(row *store.Build, told []*pb.BarEvent) []watch.Event {
	told = told[max(0, len(told)-eventsMost):]
	var list []watch.Event
	for _, e := range told {
		kind, known := eventKinds[e.GetKind()]
		if !known || e.GetTime().CheckValid() != nil {
			continue
		}
		at := e.GetTime().AsTime()
		if at.After(row.Received.Add(verdict.FutureMost)) {
			at = row.Received
		}
		detail := e.GetDetail()
		detail = strings.ToValidUTF8(detail[:min(len(detail), detailMost)], "")
		event := watch.Event{Kind: kind, At: at, Site: row.Site, Station: row.Station, By: e.GetBy(), Detail: detail}
		if kind == watch.NewCups {
			event.Station = "" // a delivery is the whole site's
		}
		list = append(list, event)
	}
	slices.SortStableFunc(list, func(a, b watch.Event) int { return a.At.Compare(b.At) })
	return list
}
