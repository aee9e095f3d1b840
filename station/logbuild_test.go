package station

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestLogBuildJudges(t *testing.T) {
	a := offline(t)
	for i, tc := range []struct {
		name  string
		build *pb.Build
		grade pb.Grade
		kind  string
	}{
		{"in spec", build(), pb.Grade_GRADE_IN_SPEC, ""},
		{"a slow shot", slow(), pb.Grade_GRADE_OFF_SPEC, "above_tolerance"},
		{"a serving not in the release is kept", with(func(b *pb.Build) { b.Serving = "unicorn/cup" }), pb.Grade_GRADE_UNKNOWN, "serving_unknown"},
		{"a start in the future is kept", with(func(b *pb.Build) {
			b.StartedTime, b.FinishedTime = timestamppb.New(time.Now().Add(48*time.Hour)), nil
		}), pb.Grade_GRADE_OFF_SPEC, "time_impossible"},
		{"a start before any release is kept", with(func(b *pb.Build) {
			b.StartedTime, b.FinishedTime = timestamppb.New(time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC)), nil
		}), pb.Grade_GRADE_OFF_SPEC, "time_impossible"},
		{"an absurd value is kept", with(func(b *pb.Build) { b.Readings[0].ValueMilli = -5_000_000 }), pb.Grade_GRADE_OFF_SPEC, "impossible_value"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			untouched := proto.Clone(tc.build)
			res := logOne(t, a, tc.build)
			if res.GetSequence() != uint64(i+1) || res.GetRelease() != 1 || res.GetDuplicate() {
				t.Errorf("answer %v, want sequence %d, release 1, no duplicate", res, i+1)
			}
			if tc.grade != res.GetVerdict().GetGrade() && tc.kind != "serving_unknown" {
				t.Errorf("grade %s, want %s: %v", res.GetVerdict().GetGrade(), tc.grade, res.GetVerdict())
			}
			found := tc.kind == ""
			for _, f := range res.GetVerdict().GetFindings() {
				found = found || f.GetKind() == tc.kind
			}
			if !found {
				t.Errorf("findings %v, want one of kind %s", res.GetVerdict().GetFindings(), tc.kind)
			}
			if !proto.Equal(untouched, tc.build) {
				t.Error("the caller's build was changed")
			}
		})
	}
	raws, _ := stored(t, a)
	checkChain(t, raws)
	var r pb.BuildRecord
	if err := proto.Unmarshal(raws[0], &r); err != nil {
		t.Fatal(err)
	}
	if b := r.GetBuild(); b.GetSite() != testSite || b.GetStation() != testStation || b.GetRelease() != 1 {
		t.Errorf("stored %s/%s release %d: what the station fills in is missing", b.GetSite(), b.GetStation(), b.GetRelease())
	}
}

func with(f func(*pb.Build)) *pb.Build {
	b := build()
	f(b)
	return b
}

func TestLogBuildRefuses(t *testing.T) {
	a := offline(t)
	for _, tc := range []struct {
		name  string
		build *pb.Build
		field string
	}{
		{"no build", nil, "build"},
		{"no id", with(func(b *pb.Build) { b.Id = "" }), "build.id"},
		{"an id that is no UUID", with(func(b *pb.Build) { b.Id = "42" }), "build.id"},
		{"an id in capitals", with(func(b *pb.Build) { b.Id = strings.ToUpper("ab" + b.Id[2:]) }), "build.id"},
		{"another site", with(func(b *pb.Build) { b.Site = "lantern-hill" }), "build.site"},
		{"another station", with(func(b *pb.Build) { b.Station = "bar-2" }), "build.station"},
		{"no start", with(func(b *pb.Build) { b.StartedTime = nil }), "build.started_time"},
		{"an impossible start", with(func(b *pb.Build) { b.StartedTime = &timestamppb.Timestamp{Seconds: 1 << 60} }), "build.started_time"},
		{"an unknown release", with(func(b *pb.Build) { b.Release = 99 }), "build.release"},
		{"an unknown stop list", with(func(b *pb.Build) { b.StopList = 99 }), "build.stop_list"},
		{"no serving", with(func(b *pb.Build) { b.Serving = "" }), "build.serving"},
		{"a value beyond all bounds", with(func(b *pb.Build) { b.Readings[0].ValueMilli = 1 << 62 }), "build.readings[0].value_milli"},
		{"text that is not UTF-8", with(func(b *pb.Build) { b.By = "b\xff" }), "build.by"},
		{"a step with a wild time", with(func(b *pb.Build) { b.Steps[0].At = &durationpb.Duration{Seconds: 1 << 60} }), "build.steps[0].at"},
		{"10 MB of text", with(func(b *pb.Build) { b.How = strings.Repeat("x", 10<<20) }), "build.how"},
		{"100,000 readings", with(func(b *pb.Build) { b.Readings = make([]*pb.Reading, 100_000) }), "build.readings"},
		{"a nil reading", with(func(b *pb.Build) { b.Readings = []*pb.Reading{nil} }), "build.readings[0].check"},
		{"10 MB of unknown fields", with(func(b *pb.Build) {
			b.ProtoReflect().SetUnknown(append([]byte{0xfa, 0x3f, 0x80, 0x80, 0x80, 0x05}, make([]byte, 10<<20)...))
		}), "build"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := a.LogBuild(t.Context(), &pb.LogBuildRequest{Build: tc.build})
			if code := status.Code(err); code != codes.InvalidArgument {
				t.Fatalf("code %s (%v), want InvalidArgument", code, err)
			}
			if got := fields(err); len(got) == 0 || got[0] != tc.field {
				t.Errorf("violations of %q, want %q", got, tc.field)
			}
			if len(err.Error()) > 2000 {
				t.Errorf("the error has %d bytes", len(err.Error()))
			}
		})
	}
	if s, _ := a.store.State(); s.Last != 0 {
		t.Errorf("%d builds were logged", s.Last)
	}
}

func fields(err error) (out []string) {
	for _, d := range status.Convert(err).Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.GetFieldViolations() {
				out = append(out, v.GetField())
			}
		}
	}
	return out
}

func reason(err error) string {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason()
		}
	}
	return ""
}

func TestLogBuildTwice(t *testing.T) {
	a := offline(t)
	first := slow()
	want := logOne(t, a, first)
	give(t, a, sign(t, 2, "chain", opening.Add(time.Hour), 28_000))

	got := logOne(t, a, first)
	if !got.GetDuplicate() || got.GetSequence() != want.GetSequence() || got.GetRelease() != 1 || !proto.Equal(got.GetVerdict(), want.GetVerdict()) {
		t.Errorf("second answer %v, want the first %v", got, want)
	}
	other := proto.Clone(first).(*pb.Build)
	other.By = "b-99"
	_, err := a.LogBuild(t.Context(), &pb.LogBuildRequest{Build: other})
	if status.Code(err) != codes.AlreadyExists || reason(err) != "BUILD_ID_REUSED" {
		t.Errorf("other content under the same id: %v, want AlreadyExists", err)
	}
	if next := logOne(t, a, build()); next.GetSequence() != 2 {
		t.Errorf("the next build has sequence %d: a duplicate used a number up", next.GetSequence())
	}
	raws, _ := stored(t, a)
	checkChain(t, raws)
}

func TestLogBuildTwiceAtOnce(t *testing.T) {
	a := offline(t)
	b := build()
	var wg sync.WaitGroup
	var mu sync.Mutex
	firsts := 0
	for range 32 {
		wg.Go(func() {
			res, err := a.LogBuild(context.Background(), &pb.LogBuildRequest{Build: b})
			if err != nil {
				t.Error(err)
				return
			}
			mu.Lock()
			defer mu.Unlock()
			if !res.GetDuplicate() {
				firsts++
			}
			if res.GetSequence() != 1 {
				t.Errorf("sequence %d, want 1", res.GetSequence())
			}
		})
	}
	wg.Wait()
	if firsts != 1 {
		t.Errorf("%d answers were the first, want 1", firsts)
	}
}

func TestNoRelease(t *testing.T) {
	dir := t.TempDir()
	enrolled(t, dir, "")
	a := open(t, Config{Dir: dir})
	svc := &service{agent: a}
	_, logErr := a.LogBuild(t.Context(), &pb.LogBuildRequest{Build: build()})
	_, listErr := svc.ListServings(t.Context(), &pb.ListServingsRequest{})
	_, cardErr := svc.GetCard(t.Context(), &pb.GetCardRequest{Serving: "espresso/cup"})
	for what, err := range map[string]error{"LogBuild": logErr, "ListServings": listErr, "GetCard": cardErr} {
		if status.Code(err) != codes.FailedPrecondition || reason(err) != "NO_RELEASE" {
			t.Errorf("%s: %v, want NO_RELEASE", what, err)
		}
	}
	if res, err := svc.GetStatus(t.Context(), &pb.GetStatusRequest{}); err != nil || res.GetRelease() != 0 || res.GetOnline() {
		t.Errorf("status %v, %v", res, err)
	}
}

func TestLogBuildAfterClose(t *testing.T) {
	a := offline(t)
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	_, err := a.LogBuild(t.Context(), &pb.LogBuildRequest{Build: build()})
	if status.Code(err) != codes.Unavailable {
		t.Errorf("%v, want Unavailable", err)
	}
}

func TestServings(t *testing.T) {
	a := offline(t)
	svc := &service{agent: a}
	list, err := svc.ListServings(t.Context(), &pb.ListServingsRequest{})
	if err != nil || list.GetRelease() != 1 || len(list.GetServings()) != 1 {
		t.Fatalf("servings %v, %v", list, err)
	}
	card, err := svc.GetCard(t.Context(), &pb.GetCardRequest{Serving: "espresso/cup"})
	if err != nil || !strings.Contains(card.GetText(), "Espresso") {
		t.Errorf("card %v, %v", card, err)
	}
	if _, err := svc.GetCard(t.Context(), &pb.GetCardRequest{Serving: uuid.NewString()}); status.Code(err) != codes.NotFound {
		t.Errorf("card of nothing: %v, want NotFound", err)
	}
}
