package quality

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/watch"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

func TestEventsOfABuild(t *testing.T) {
	at := time.Date(2026, 11, 2, 8, 0, 0, 0, time.UTC)
	row := &store.Build{Site: "tannery-row", Station: "bar-1", Received: at}
	told := func(kind string, after time.Duration, detail string) *pb.BarEvent {
		return &pb.BarEvent{Kind: kind, Time: timestamppb.New(at.Add(after)), Detail: detail, By: "p1"}
	}
	event := func(kind watch.EventKind, after time.Duration, detail string) watch.Event {
		return watch.Event{Kind: kind, At: at.Add(after), Site: "tannery-row", Station: "bar-1", By: "p1", Detail: detail}
	}
	cups := event(watch.NewCups, -time.Minute, "C350")
	cups.Station = ""
	flood := make([]*pb.BarEvent, 3*eventsMost)
	for i := range flood {
		flood[i] = told("missed", -time.Minute, "")
	}
	for _, test := range []struct {
		name string
		told []*pb.BarEvent
		want []watch.Event
	}{
		{"none", nil, nil},
		{"in order of time", []*pb.BarEvent{told("new_lot", -time.Minute, "A"), told("adjusted", -time.Hour, "6.5")},
			[]watch.Event{event(watch.Adjusted, -time.Hour, "6.5"), event(watch.NewLot, -time.Minute, "A")}},
		{"a kind of a newer station", []*pb.BarEvent{told("polished", 0, "")}, nil},
		{"what was done and tasted is not the watch's", []*pb.BarEvent{told("measured", -time.Hour, "prompt=2026-11-02/1/mid.2.1 window=mid late_s=252"),
			told("missed", -time.Minute, "mid"), told("tasted", 0, "score=1 of=5 prompt=2026-11-02/1/taste.1.1 build=b")},
			[]watch.Event{event(watch.Missed, -time.Minute, "mid")}},
		{"no time", []*pb.BarEvent{{Kind: "adjusted"}}, nil},
		{"a clock that runs ahead", []*pb.BarEvent{told("adjusted", 24*time.Hour, "6.5")}, []watch.Event{event(watch.Adjusted, 0, "6.5")}},
		{"cups belong to the site", []*pb.BarEvent{told("new_cups", -time.Minute, "C350")}, []watch.Event{cups}},
		{"a long detail, cut within a letter", []*pb.BarEvent{told("adjusted", 0, strings.Repeat("é", 101)[1:])},
			[]watch.Event{event(watch.Adjusted, 0, strings.Repeat("é", 99))}},
	} {
		t.Run(test.name, func(t *testing.T) {
			if d := cmp.Diff(test.want, events(row, test.told)); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
	if n := len(events(row, flood)); n != eventsMost {
		t.Errorf("%d events of a flood were taken, want %d", n, eventsMost)
	}
}

func TestTheWatchHearsWhatHappenedAtTheBar(t *testing.T) {
	r := newRig(t)
	r.start()
	b := newBar(t, "tannery-row", "bar-1")
	rec := b.record(nil)
	rec.Build.Events = []*pb.BarEvent{{Kind: "new_cups", Time: rec.Build.StartedTime, Detail: "C350"}}
	r.publishRelease(1)
	r.builds(b, b.write(rec))
	r.drained()
	db, err := r.svc.casework()
	if err != nil {
		t.Fatal(err)
	}
	w := newCaseworker(db, zap.NewNop())
	if err := w.run(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	snapshot, err := w.cases.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(snapshot), `"tannery-row":"`) {
		t.Errorf("the delivery of cups is not in %s", snapshot)
	}
}
