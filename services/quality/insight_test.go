package quality

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	bySite    = pb.RollupDimension_ROLLUP_DIMENSION_SITE
	byStation = pb.RollupDimension_ROLLUP_DIMENSION_STATION
	byCheck   = pb.RollupDimension_ROLLUP_DIMENSION_CHECK
	byDay     = pb.RollupDimension_ROLLUP_DIMENSION_DAY
	byHour    = pb.RollupDimension_ROLLUP_DIMENSION_HOUR
)

// startInsight runs a service and waits for what it rolled up.
func startInsight(t *testing.T) *rig {
	t.Helper()
	r := newRig(t)
	r.start()
	return r
}

func (r *rig) insight() *insightServer { return &insightServer{service: r.svc} }

// exemplarDay filters to the day of the exemplars and the one after.
func exemplarDay() *pb.RollupFilter {
	return &pb.RollupFilter{FirstDay: verdict.ExemplarStart.UTC().Format(time.DateOnly),
		LastDay: verdict.ExemplarStart.UTC().AddDate(0, 0, 1).Format(time.DateOnly)}
}

// rolled waits until nothing is pending and returns the answer.
func (r *rig) rolled(req *pb.QueryRollupsRequest) *pb.QueryRollupsResponse {
	r.t.Helper()
	r.drained()
	var res *pb.QueryRollupsResponse
	eventually(r.t, func() string {
		var err error
		if res, err = r.insight().QueryRollups(r.t.Context(), req); err != nil {
			return err.Error()
		}
		if res.PendingBuilds+res.PendingHours > 0 {
			return "builds are not rolled up"
		}
		return ""
	})
	return res
}

func counts(n, in, off int64) *pb.BuildCounts {
	return &pb.BuildCounts{Builds: n, InSpec: in, OffSpec: off}
}

func TestFiguresFollowBuildsThroughLateReleaseAndCorrection(t *testing.T) {
	r := startInsight(t)
	b, other := newBar(t, "tannery-row", "bar-1"), newBar(t, "lantern-hill", "bar-1")
	first, slip := b.log(nil), b.log(fast)
	r.builds(b, first, slip, first)
	r.builds(other, other.log(nil))
	req := &pb.QueryRollupsRequest{Filter: exemplarDay(), GroupBy: []pb.RollupDimension{bySite}}
	want := []*pb.Rollup{
		{Site: "lantern-hill", Builds: &pb.BuildCounts{Builds: 1, AwaitingRelease: 1}},
		{Site: "tannery-row", Builds: &pb.BuildCounts{Builds: 2, AwaitingRelease: 2}},
	}
	if diff := cmp.Diff(want, r.rolled(req).Rollups, protocmp.Transform()); diff != "" {
		t.Errorf("before the release (-want +got)\n%s", diff)
	}
	r.publishRelease(1)
	want[0].Builds, want[1].Builds = counts(1, 1, 0), counts(2, 1, 1)
	eventually(t, func() string { return cmp.Diff(want, r.rolled(req).Rollups, protocmp.Transform()) })

	// The slip of the hand is corrected: the corrected build stands for it.
	r.builds(b, b.log(func(d *drink.Build) { d.Corrects = "tannery-row/bar-1/00000002" }))
	want[1].Builds = counts(2, 2, 0)
	eventually(t, func() string { return cmp.Diff(want, r.rolled(req).Rollups, protocmp.Transform()) })
	list, err := r.insight().ListBuilds(t.Context(), &pb.ListBuildsRequest{Filter: &pb.RollupFilter{Sites: []string{"tannery-row"},
		FirstDay: req.Filter.FirstDay, LastDay: req.Filter.LastDay}})
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"tannery-row/bar-1/00000001", "tannery-row/bar-1/00000003"}, ids(list)); diff != "" {
		t.Errorf("builds beneath (-want +got)\n%s", diff)
	}
	r.stop()
	if err := VerifyRollups(t.Context(), r.dir, nil); err != nil {
		t.Error(err)
	}
}

func ids(res *pb.ListBuildsResponse) (out []string) {
	for _, b := range res.Builds {
		out = append(out, b.Build.Id)
	}
	return out
}

func TestFiguresOfAChecksReadings(t *testing.T) {
	r := startInsight(t)
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	for _, temp := range []drink.Milli{58_000, 60_000, 62_500, 70_000, 500_000} {
		r.builds(b, b.log(func(d *drink.Build) {
			for i := range d.Readings {
				if d.Readings[i].Check == "milk_temp" {
					d.Readings[i].Value, d.Readings[i].Resolution = temp, 500
				}
			}
		}))
	}
	res := r.rolled(&pb.QueryRollupsRequest{Filter: exemplarDay(), GroupBy: []pb.RollupDimension{byStation, byCheck},
		Checks: []string{"milk_temp"}, Quantiles: []float64{0, 0.5, 1}})
	if len(res.Rollups) != 1 {
		t.Fatalf("%d rows", len(res.Rollups))
	}
	// 500 °C is impossible: counted as a build, left out of the readings. Steps
	// of 0.5 °C: 116, 120, 125 and 140.
	low, high, mean, sd := int64(58_000), int64(70_000), 62_625.0, 5_250.0 // by hand, see below
	want := &pb.CheckRollup{Check: "milk_temp", Readings: 4, MeanMilli: &mean, SdMilli: &sd, MinMilli: &low, MaxMilli: &high,
		OffHigh: 1, QuantilesExact: true, LastDigits: []int64{2, 0, 0, 0, 0, 1, 1, 0, 0, 0},
		Quantiles: []*pb.Quantile{{Q: 0, ValueMilli: 58_000}, {Q: 0.5, ValueMilli: 60_000}, {Q: 1, ValueMilli: 70_000}}}
	got := res.Rollups[0]
	if diff := cmp.Diff(want, got.Check, protocmp.Transform(), protocmp.IgnoreFields(want, "sd_milli")); diff != "" {
		t.Errorf("check (-want +got)\n%s", diff)
	}
	// By hand: deviations -4.625, -2.625, -0.125, 7.375; squares sum 82.6875.
	if d := got.Check.GetSdMilli() - 5_250; d > 1e-9 || d < -1e-9 {
		t.Errorf("sd %v, want sqrt(82.6875/3) = 5.25", got.Check.GetSdMilli())
	}
	if got.Site != "tannery-row" || got.Station != "bar-1" || got.Builds.Builds != 5 {
		t.Errorf("row %v", got)
	}
	for _, tc := range []struct {
		name string
		req  *pb.ListBuildsRequest
		want int
	}{
		{"all", &pb.ListBuildsRequest{}, 5},
		{"too hot", &pb.ListBuildsRequest{Check: "milk_temp", OffSide: pb.OffSide_OFF_SIDE_HIGH}, 1},
		{"too cool", &pb.ListBuildsRequest{Check: "milk_temp", OffSide: pb.OffSide_OFF_SIDE_LOW}, 0},
		{"with a dose", &pb.ListBuildsRequest{Check: "dose"}, 5},
		{"in spec", &pb.ListBuildsRequest{Grades: []pb.Grade{pb.Grade_GRADE_IN_SPEC}}, 3},
		{"in its hour", &pb.ListBuildsRequest{Hour: timestamppb.New(verdict.ExemplarStart)}, 5},
		{"in another hour", &pb.ListBuildsRequest{Hour: timestamppb.New(verdict.ExemplarStart.Add(time.Hour))}, 0},
	} {
		tc.req.Filter, tc.req.PageSize = exemplarDay(), 2
		var got []string
		for {
			res, err := r.insight().ListBuilds(t.Context(), tc.req)
			if err != nil {
				t.Fatal(err)
			}
			if got = append(got, ids(res)...); res.NextPageToken == "" {
				break
			}
			tc.req.PageToken = res.NextPageToken
		}
		if len(got) != tc.want || len(slices.Compact(slices.Sorted(slices.Values(got)))) != tc.want {
			t.Errorf("%s: %v, want %d", tc.name, got, tc.want)
		}
	}
}

func TestFiguresInPages(t *testing.T) {
	r := startInsight(t)
	r.publishRelease(1)
	for _, site := range []string{"tannery-row", "lantern-hill", "oyster-steps"} {
		b := newBar(t, site, "bar-1")
		r.builds(b, b.log(nil), b.log(nil))
	}
	req := &pb.QueryRollupsRequest{Filter: exemplarDay(), GroupBy: []pb.RollupDimension{bySite, byHour, byCheck}}
	all := r.rolled(req).Rollups
	var paged []*pb.Rollup
	req.PageSize = 4
	for {
		res := r.rolled(req)
		if len(res.Rollups) > 4 {
			t.Fatalf("%d rows", len(res.Rollups))
		}
		if paged = append(paged, res.Rollups...); res.NextPageToken == "" {
			break
		}
		req.PageToken = res.NextPageToken
	}
	if len(all) != 27 { // 3 sites, 9 checks
		t.Errorf("%d rows, want 27", len(all))
	}
	if diff := cmp.Diff(all, paged, protocmp.Transform()); diff != "" {
		t.Errorf("pages (-at once +paged)\n%s", diff)
	}
}

func TestBusinessDaysAreTheSites(t *testing.T) {
	r := startInsight(t)
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	// Two in the morning in summer: the evening before, where days begin at four.
	night := time.Date(2026, 7, 2, 1, 30, 0, 0, time.UTC)
	r.builds(b, b.log(func(d *drink.Build) {
		d.FinishedAt = night.Add(d.FinishedAt.Sub(d.StartedAt))
		d.StartedAt = night
		for i := range d.Readings {
			d.Readings[i].MeasuredAt, d.Readings[i].EnteredAt = time.Time{}, time.Time{}
		}
	}))
	day := func(zone string, start int32) string {
		res := r.rolled(&pb.QueryRollupsRequest{GroupBy: []pb.RollupDimension{byDay},
			Filter: &pb.RollupFilter{FirstDay: "2026-06-01", LastDay: "2026-07-31", TimeZone: zone, DayStartHour: start}})
		if len(res.Rollups) != 1 {
			t.Fatalf("%d rows", len(res.Rollups))
		}
		return res.Rollups[0].Period
	}
	for _, tc := range []struct {
		zone  string
		start int32
		want  string
	}{{"", 0, "2026-07-02"}, {"Europe/London", 4, "2026-07-01"}, {"Europe/London", 0, "2026-07-02"}, {"America/Chicago", 0, "2026-07-01"}} {
		if got := day(tc.zone, tc.start); got != tc.want {
			t.Errorf("%q from %d: %s, want %s", tc.zone, tc.start, got, tc.want)
		}
	}
	req := &pb.SetSiteCalendarRequest{Site: "tannery-row", TimeZone: "Europe/London", DayStartHour: 4}
	if _, err := r.insight().SetSiteCalendar(t.Context(), req); err != nil {
		t.Fatal(err)
	}
	if got := day("", 0); got != "2026-07-01" {
		t.Errorf("by the site's calendar: %s", got)
	}
}

func TestInsightNamesWhatIsWrong(t *testing.T) {
	r := newRig(t)
	r.open()
	ok := exemplarDay()
	filter := func(change func(*pb.RollupFilter)) *pb.QueryRollupsRequest {
		f := exemplarDay()
		change(f)
		return &pb.QueryRollupsRequest{Filter: f}
	}
	for _, tc := range []struct {
		field string
		req   *pb.QueryRollupsRequest
	}{
		{"filter", &pb.QueryRollupsRequest{}},
		{"filter.first_day", filter(func(f *pb.RollupFilter) { f.FirstDay = "2/11/2026" })},
		{"filter.last_day", filter(func(f *pb.RollupFilter) { f.LastDay = "1999-01-01" })},
		{"filter.time_zone", filter(func(f *pb.RollupFilter) { f.TimeZone = "Mars/Base" })},
		{"filter.time_zone", filter(func(f *pb.RollupFilter) { f.TimeZone, f.DayStartHour = "UTC", 13 })},
		{"filter.day_start_hour", filter(func(f *pb.RollupFilter) { f.DayStartHour = 4 })},
		{"filter.stations[0]", filter(func(f *pb.RollupFilter) { f.Stations = []string{"bar-1"} })},
		{"group_by[0]", &pb.QueryRollupsRequest{Filter: ok, GroupBy: []pb.RollupDimension{0}}},
		{"group_by[1]", &pb.QueryRollupsRequest{Filter: ok, GroupBy: []pb.RollupDimension{byDay, byHour}}},
		{"checks", &pb.QueryRollupsRequest{Filter: ok, Checks: []string{"dose"}}},
		{"quantiles", &pb.QueryRollupsRequest{Filter: ok, Quantiles: []float64{0.5}}},
		{"quantiles[0]", &pb.QueryRollupsRequest{Filter: ok, Quantiles: []float64{1.5}, GroupBy: []pb.RollupDimension{byCheck}}},
		{"findings", &pb.QueryRollupsRequest{Filter: ok, Findings: true, GroupBy: []pb.RollupDimension{byCheck}}},
		{"page_size", &pb.QueryRollupsRequest{Filter: ok, PageSize: -1}},
		{"page_token", &pb.QueryRollupsRequest{Filter: ok, PageToken: "e30"}},
	} {
		_, err := r.insight().QueryRollups(t.Context(), tc.req)
		if status.Code(err) != codes.InvalidArgument || !slices.Contains(fieldsOf(err), tc.field) {
			t.Errorf("%s: %v, fields %v", tc.field, err, fieldsOf(err))
		}
	}
	for field, req := range map[string]*pb.ListBuildsRequest{
		"filter": {}, "grades[0]": {Filter: ok, Grades: []pb.Grade{99}}, "off_side": {Filter: ok, OffSide: 99},
		"hour": {Filter: ok, Hour: &timestamppb.Timestamp{Nanos: -1}}, "page_token": {Filter: ok, PageToken: "?"},
	} {
		if _, err := r.insight().ListBuilds(t.Context(), req); !slices.Contains(fieldsOf(err), field) {
			t.Errorf("%s: %v", field, err)
		}
	}
	if _, err := r.insight().SetSiteCalendar(t.Context(), &pb.SetSiteCalendarRequest{TimeZone: "Mars/Base"}); !slices.Equal(fieldsOf(err), []string{"site", "time_zone"}) {
		t.Errorf("calendar: %v", err)
	}
}

func fieldsOf(err error) (out []string) {
	for _, d := range status.Convert(err).Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range b.FieldViolations {
				out = append(out, v.Field)
			}
		}
	}
	return out
}

func TestRebuildAndVerifyAFile(t *testing.T) {
	if err := VerifyRollups(t.Context(), t.TempDir(), nil); !errors.Is(err, ErrNoDatabase) || !errors.Is(err, os.ErrNotExist) {
		t.Errorf("an empty directory: %v", err)
	}
	r := startInsight(t)
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	r.builds(b, b.log(nil), b.log(fast), b.log(nil))
	r.drained()
	r.stop()
	var done, all int64
	if err := RebuildRollups(t.Context(), r.dir, func(n, of int64) { done, all = n, of }); err != nil {
		t.Fatal(err)
	}
	if done != 3 || all != 3 {
		t.Errorf("progress told %d of %d", done, all)
	}
	if err := VerifyRollups(t.Context(), r.dir, nil); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(filepath.Join(r.dir, "quality.db")); err != nil {
		t.Error(err)
	}
}
