package authority

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/testing/protocmp"
	"pgregory.net/rapid"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

func TestACourseIsThinnedEvenly(t *testing.T) {
	var course []store.WavePoint
	for i := range 4000 {
		p := store.WavePoint{At: time.UnixMicro(int64(i)), Builds: uint64(10 * i), OpenWaves: 1, Advice: "CANNOT_TELL_YET"}
		if i >= 1234 {
			p.Advice = "GO_ON"
		}
		if i >= 3000 {
			p.OpenWaves = 2
		}
		course, _ = thinCourse(append(course, p), 100)
	}
	if len(course) != 100 || course[0].Builds != 0 || course[99].Builds != 39990 {
		t.Fatalf("%d looks, from %d to %d builds", len(course), course[0].Builds, course[len(course)-1].Builds)
	}
	for _, turn := range []uint64{12340, 30000} {
		if !slices.ContainsFunc(course, func(p store.WavePoint) bool { return p.Builds == turn }) {
			t.Errorf("the turn at %d builds is gone", turn)
		}
	}
	widest := uint64(0)
	for i := range course[1:] {
		widest = max(widest, course[i+1].Builds-course[i].Builds)
	}
	// Even would be 404; to take out the narrowest at each step keeps to twice that.
	if widest > 2*39990/99 {
		t.Errorf("the widest gap is %d builds", widest)
	}
}

func TestThinningKeepsWhatTurns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		most := rapid.IntRange(2, 30).Draw(t, "most")
		var course []store.WavePoint
		builds := uint64(0)
		for i := range rapid.IntRange(0, 80).Draw(t, "looks") {
			builds += rapid.Uint64Range(0, 50).Draw(t, "more")
			course = append(course, store.WavePoint{At: time.UnixMicro(int64(i)), Builds: builds,
				Advice: fmt.Sprint(rapid.IntRange(0, 12).Draw(t, "advice") / 12), OpenWaves: 1 + i/50})
		}
		kept, dropped := thinCourse(course, most)
		if len(kept) > most || len(kept)+len(dropped) != len(course) || len(kept) < min(len(course), most) {
			t.Fatalf("%d of %d kept, %d dropped, at most %d", len(kept), len(course), len(dropped), most)
		}
		if len(course) > 0 && (kept[0] != course[0] || kept[len(kept)-1] != course[len(course)-1]) {
			t.Fatal("the first or the last is gone")
		}
		need := 0
		for i := range course {
			stays := i == 0 || i == len(course)-1 || turns(course[i-1], course[i])
			if stays {
				need++
			}
		}
		if need > most {
			return
		}
		for i, p := range course {
			if i > 0 && turns(course[i-1], p) && !slices.Contains(kept, p) {
				t.Fatalf("look %d turned and is gone", i)
			}
		}
	})
}

func TestTheCourseOfATestOutlivesARestart(t *testing.T) {
	s := openSeason(t)
	d := s.approve(t, s.draft(t, "autumn", edit(latteFile, tempPath, "61 °C")))
	r := s.launch(t, d, &pb.Wave{Sites: []string{"lantern-hill", "tannery-row"}}, &pb.Wave{All: true})
	look := func() {
		s.clock.forward(time.Hour)
		s.watchWaves(t.Context(), s.now())
	}
	for range 3 { // the counts stay as they are, and so does the course
		look()
	}
	s.rates.set(func(r *rates) { r.worse = true })
	look()
	got := s.get(t, r)
	if n := len(got.Course); n != 2 {
		t.Fatalf("%d looks: %v", n, got.Course)
	}
	first, last := got.Course[0], got.Course[1]
	if first.OwnPast.WaveBuilds != 4000 || last.OwnPast.WaveBuilds != 2000 || last.OtherSites.WaveDeviations != 120 || last.OwnPast.ReferenceBuilds != 20_000 ||
		last.OpenWaves != 1 || first.Advice == last.Advice || !last.LookTime.AsTime().After(first.LookTime.AsTime()) || last.OwnPast.UpperBound <= last.OwnPast.LowerBound {
		t.Errorf("looks %v and %v", first, last)
	}
	if d := cmp.Diff(got.Report.OwnPast, last.OwnPast, protocmp.Transform()); d != "" {
		t.Errorf("the last look is not the report (-report +look):\n%s", d)
	}
	list := must(s.flo.rollouts.ListRollouts(t.Context(), &pb.ListRolloutsRequest{}))(t)
	if n := len(list.Rollouts[0].Course); n != 0 {
		t.Errorf("a list tells %d looks", n)
	}
	s.office.waves.course = nil // as after a restart
	look()
	again := s.get(t, r)
	if d := cmp.Diff(got.Course, again.Course, protocmp.Transform()); d != "" {
		t.Errorf("after a restart (-before +after):\n%s", d)
	}
}
