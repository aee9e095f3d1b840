package bar

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/stationtest"
)

// Each run of a property here syncs to disk some hundred times, so fewer are made
// than rapid's default; -rapid.checks asks for more.
func TestMain(m *testing.M) {
	flag.Parse()
	asked := false
	flag.Visit(func(f *flag.Flag) { asked = asked || f.Name == "rapid.checks" })
	if !asked {
		if err := flag.Set("rapid.checks", "25"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}

// shownBuild is what a page showed of a build just before it was finished.
type shownBuild struct {
	release  uint64
	corrects string
	readings []drink.Reading
}

func shownOf(o *Open) shownBuild {
	out := shownBuild{release: o.Release, corrects: o.Corrects}
	for _, v := range o.Readings {
		out.readings = append(out.readings, v.Reading)
	}
	return out
}

// allCups is a plan whose prompts for tastings come one after the other, with shots to
// be measured in between.
const allCups = `{"shifts":[{"start":"06:00","end":"14:00"}],
 "plan":{"id":"test-2","expire_min":120,"grace_min":5,"dial_in_min":8,"most_min":400,
  "adapt":{"quiet_to_normal":3,"quiet_to_relax":10,"missed_most":0.2},
  "windows":[{"id":"taste","anchor":"start","from_min":230,"to_min":330,"parts":40,"prompts":1,"builds":1,"want":"any","checks":["taste"],"seconds_each":60},
   {"id":"mid","anchor":"start","from_min":0,"to_min":480,"parts":8,"prompts":1,"builds":1,"want":"shot","checks":["shot_time"],"seconds_each":13}]}}`

// Whatever is tapped in whatever order, across restarts, crashes and releases: what is in
// the log is what was finished, once, with the values that were shown.
func TestOneFinishIsOneBuild(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := &rigged{Rig: stationtest.New(t), t: t}
		r.Give(1, stationtest.Book(t))
		// Every drink of the day is asked to be tasted, so that taps on cups meet some.
		r.must(KeepRoster(r.Dir, []byte(allCups)))
		r.openBar()
		defer func() {
			r.must(r.bar.Close())
			r.must(r.Agent.Close())
		}()
		ctx := t.Context()
		r.must(r.bar.SetPerson(ctx, "otter"))
		r.must(r.bar.SetPerson(ctx, "heron"))
		finished := map[string]shownBuild{}
		var order []string
		release := uint64(1)
		// id is the open build's, or one that is not open any more.
		id := func() string {
			if s := r.state(); s.Open != nil && rapid.IntRange(0, 9).Draw(rt, "which") > 0 {
				return s.Open.ID
			}
			if len(order) > 0 {
				return rapid.SampledFrom(order).Draw(rt, "old")
			}
			return "none"
		}
		taps := map[string]func(){
			"begin": func() {
				_, _ = r.bar.Begin(ctx, rapid.SampledFrom([]string{"latte/mug", "latte/glass", "americano/cup", "tea"}).Draw(rt, "serving"))
			},
			"enter": func() {
				_ = r.bar.Enter(ctx, id(), rapid.SampledFrom([]string{"dose", "yield", "shot_time", "milk_temp", "froth_depth"}).Draw(rt, "check"),
					rapid.IntRange(0, 2).Draw(rt, "n"), drink.Milli(rapid.IntRange(0, 100_000).Draw(rt, "value")), rapid.SampledFrom([]string{"keypad", "stepper", "x"}).Draw(rt, "how"))
			},
			"clear": func() {
				_ = r.bar.Clear(ctx, id(), rapid.SampledFrom([]string{"yield", "shot_time"}).Draw(rt, "check"), 1)
			},
			"start": func() { _ = r.bar.StartTimer(ctx, id()) },
			"stop":  func() { _ = r.bar.StopTimer(ctx, id()) },
			"step": func() {
				_ = r.bar.Step(ctx, id(), rapid.SampledFrom([]string{"pull", "steam", "wipe", "pour"}).Draw(rt, "step"), rapid.Bool().Draw(rt, "done"))
			},
			"use": func() {
				_ = r.bar.Use(ctx, id(), Used{Vessel: rapid.SampledFrom([]string{"", "glass", "bucket"}).Draw(rt, "vessel"), Shots: rapid.IntRange(-1, 3).Draw(rt, "shots")})
			},
			"who": func() { _ = r.bar.SetPerson(ctx, rapid.SampledFrom([]string{"", "otter", "heron"}).Draw(rt, "person")) },
			"taste": func() {
				build := id()
				if w := r.state().Tasting; w != nil {
					build = w.Build
				}
				_, _ = r.bar.Taste(ctx, Taste{Build: build, Taster: rapid.SampledFrom([]string{"", "otter", "heron"}).Draw(rt, "taster"),
					Score: rapid.IntRange(0, 6).Draw(rt, "score"), Words: rapid.SliceOfN(rapid.SampledFrom(sampling.TasteWords), 0, 4).Draw(rt, "words")})
			},
			"all on target": func() {
				o := r.state().Open
				if o == nil {
					return
				}
				for i := range o.Serving.Checks {
					k := &o.Serving.Checks[i]
					for n := 1; n <= max(k.Occurrences, 1); n++ {
						_ = r.bar.Enter(ctx, o.ID, k.ID, n, k.Target, "keypad")
					}
				}
			},
			"wait long":     func() { r.Clock.Add(time.Duration(rapid.IntRange(1, 8).Draw(rt, "minutes")) * time.Minute); r.tick() },
			"leave the cup": func() { _ = r.bar.SkipTasting(ctx, id(), "queue") },
			"look first":    func() { _ = r.bar.ShowVerdict(ctx, id()) },
			"skip":          func() { _ = r.bar.SkipMeasuring(ctx, id(), "queue") },
			"abandon":       func() { _ = r.bar.Abandon(ctx, id(), "") },
			"undo":          func() { _, _ = r.bar.Undo(ctx, id()) },
			"wait":          func() { r.Clock.Add(time.Duration(rapid.IntRange(-5, 60).Draw(rt, "seconds")) * time.Second); r.tick() },
			"restart":       func() { r.restart() },
			"crash":         func() { r.crash() },
			"crash between the log and the bar's database": func() {
				o := r.state().Open
				if o == nil || !o.Timer.IsZero() {
					return
				}
				rec, err := r.bar.toLog(ctx)
				r.must(err)
				_, err = r.Agent.LogBuild(ctx, &pb.LogBuildRequest{Build: rec})
				r.must(err)
				finished[o.ID] = shownOf(o)
				order = append(order, o.ID)
				r.crash()
			},
			"release": func() {
				if release < 6 {
					release++
					r.Clock.Add(time.Second)
					book := stationtest.Book(t)
					book.House.Cautions = append(book.House.Cautions, fmt.Sprintf("release %d", release))
					r.Give(release, book)
				}
			},
			"finish": func() {
				build := id()
				s := r.state()
				l, err := r.bar.Finish(ctx, build)
				_, before := finished[build]
				switch {
				case before && (err != nil || l.ID != build):
					rt.Fatalf("finishing build %s again: %v", build, err)
				case !before && s.Open != nil && s.Open.ID == build && err == nil:
					finished[build] = shownOf(s.Open)
					order = append(order, build)
				case !before && err == nil:
					rt.Fatalf("build %s was finished and not open", build)
				}
			},
		}
		names := make([]string, 0, len(taps))
		for n := range taps {
			names = append(names, n)
		}
		slices.Sort(names)
		// What makes a build comes more often.
		names = append(names, "begin", "begin", "enter", "enter", "enter", "all on target", "finish", "finish", "finish", "taste", "taste")
		for range rapid.IntRange(5, 40).Draw(rt, "taps") {
			taps[rapid.SampledFrom(names).Draw(rt, "tap")]()
		}
		// What grew with each build is what the database holds.
		grown, err := r.bar.Day(ctx, "")
		if err == nil {
			r.bar.today = nil
			read, err := r.bar.Day(ctx, "")
			if diff := cmp.Diff(grown, read, cmpopts.IgnoreUnexported(Tasted{})); diff != "" || err != nil {
				rt.Fatalf("the day as it grew and as read: %v %s", err, diff)
			}
			cups := map[string]bool{}
			for _, s := range read.Tastings {
				if _, made := finished[s.Build]; !made || cups[s.Build] {
					rt.Fatalf("%+v is of no build, or counts twice", s)
				}
				cups[s.Build] = true
			}
		}
		r.restart()
		checkLog(rt, r.log(), finished, order)
	})
}

func checkLog(rt *rapid.T, log []*pb.BuildRecord, finished map[string]shownBuild, order []string) {
	if len(log) != len(order) {
		rt.Fatalf("%d builds in the log, %d finished", len(log), len(order))
	}
	for i, rec := range log {
		var d drink.Build
		if err := wire.BuildFromProto(rec.GetBuild(), &d); err != nil {
			rt.Fatal(err)
		}
		want := finished[d.ID]
		if d.ID != order[i] || d.Release != want.release || d.Corrects != want.corrects {
			rt.Fatalf("build %d of the log is %s of release %d, want %s of %d", i, d.ID, d.Release, order[i], want.release)
		}
		same := cmp.Comparer(func(a, b time.Time) bool { return a.Equal(b) })
		if diff := cmp.Diff(want.readings, d.Readings, same, cmpopts.EquateEmpty()); diff != "" {
			rt.Fatalf("build %s: shown and logged differ: %s", d.ID, diff)
		}
	}
}
