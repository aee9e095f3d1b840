package bar

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"samecup.example/samecup/internal/dialin"
	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/stationtest"
)

func jsonOf(v any) (string, error) {
	raw, err := json.Marshal(v)
	return string(raw), err
}

func bookWithCaution(t *testing.T) *drink.Book {
	book := stationtest.Book(t)
	book.House.Cautions = append(book.House.Cautions, "another")
	return book
}

func TestDialInIsNoProduction(t *testing.T) {
	r := setUp(t)
	ctx := t.Context()
	r.refused(r.bar.PurgeDialIn(ctx, 18_000), "no_dial_in_runs")
	r.must(r.bar.BeginDialIn(ctx, dialin.Opening))
	r.refused(r.bar.BeginDialIn(ctx, dialin.Opening), "dial_in_runs")
	d := r.state().DialIn
	if d.Phase != dialin.Purging || d.Target.Time != 29_000 || d.Target.Dose != 20_000 || d.Words != "purge a dose: 1 of 2" {
		t.Fatalf("%+v", d)
	}
	r.refused(r.bar.DialInShot(ctx, DialInShot{Setting: 5_000, Dose: 20_000, Yield: 40_000, Time: 25_000}), "bad_shot")
	r.must(r.bar.PurgeDialIn(ctx, 20_000))
	r.must(r.bar.PurgeDialIn(ctx, 20_000))
	r.refused(r.bar.DialInShot(ctx, DialInShot{Setting: 5_000, Dose: 20_000, Yield: 40_000, Time: 0}), "bad_shot")
	shot := func(setting, took drink.Milli) {
		r.Clock.Add(time.Minute)
		r.must(r.bar.DialInShot(ctx, DialInShot{Setting: setting, Dose: 20_000, Yield: 40_000, Time: took}))
	}
	shot(5_000, 22_000)
	d = r.state().DialIn
	// One shot carries no number: only to find out.
	if d.Advice == nil || d.Advice.Action != dialin.Probe || !d.Advice.Finer || !strings.Contains(d.Words, "not enough of this grinder's own record") {
		t.Fatalf("%+v %s", d.Advice, d.Words)
	}
	shot(4_000, 24_000)
	r.restart()
	if d = r.state().DialIn; !strings.Contains(d.Words, "partly of the old setting") || len(d.Pulled) != 2 || d.Pulled[1].Taken.Weight != 0 {
		t.Fatalf("%s %+v", d.Words, d.Pulled)
	}
	shot(4_000, 28_500)
	shot(4_000, 29_000)
	if d = r.state().DialIn; d.Phase != dialin.Tasting {
		t.Fatalf("%+v", d)
	}
	r.must(r.bar.DialInTasted(ctx, true, "sweet"))
	d = r.state().DialIn
	if d.Phase != dialin.Done || d.Coffee <= 40_000 || !strings.Contains(d.Words, "none of it production") {
		t.Fatalf("%+v", d)
	}
	if len(r.log()) != 0 {
		t.Fatal("a shot of a dial-in was logged as a build")
	}
	day, err := r.bar.Day(ctx, "")
	r.must(err)
	if day.Builds != 0 || len(day.Series) != 0 || len(day.Marks) != 3 {
		t.Errorf("%+v", day)
	}
	// The build after it takes along that the dial was turned.
	o := r.begin("latte/mug")
	if r.state().DialIn != nil {
		t.Error("a routine that is over is still shown")
	}
	r.finish(o.ID)
	events := r.log()[0].GetBuild().GetEvents()
	if !slices.ContainsFunc(events, func(e *pb.BarEvent) bool { return e.GetKind() == "adjusted" && e.GetDetail() == "4" }) {
		t.Errorf("%v", events)
	}
}

func TestShotsOfTheDayAreLearntFrom(t *testing.T) {
	r := setUp(t)
	ctx := t.Context()
	r.measured("latte/mug", 29_000)
	if g := r.state().Grinder; g.Known || g.Shots != 0 {
		t.Errorf("learnt at a setting that nobody stated: %+v", g)
	}
	r.must(r.bar.TurnGrinder(ctx, 5_000))
	r.measured("latte/mug", 27_000)
	r.measured("latte/mug", 27_500)
	g := r.state().Grinder
	if g.Setting != 5_000 || g.Shots != 2 || !g.Known {
		t.Errorf("%+v", g)
	}
	r.restart()
	if g = r.state().Grinder; g.Shots != 2 {
		t.Errorf("%+v", g)
	}
	r.refused(r.bar.TurnGrinder(ctx, 2_000_000), "bad_setting")
	r.must(r.bar.BeginDialIn(ctx, dialin.AfterLunch))
	r.must(r.bar.EndDialIn(ctx, "too busy"))
	r.refused(r.bar.EndDialIn(ctx, ""), "no_dial_in_runs")
}
