package report_test

import (
	"bytes"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/report"
)

func ts(day, hour int) *timestamppb.Timestamp {
	return timestamppb.New(time.Date(2026, 11, day, hour, 0, 0, 0, time.UTC))
}

func counts(in, off, unsafe, unknown int64) *pb.BuildCounts {
	return &pb.BuildCounts{Builds: in + off + unsafe + unknown, InSpec: in, OffSpec: off, Unsafe: unsafe, Unknown: unknown}
}

// crowded is a week in which everything happened, at forty sites.
func crowded() *report.Data {
	d := &report.Data{Week: report.Week{Year: 2026, Number: 47}, Made: made, Chain: "Harbour & Finch", PendingBuilds: 3}
	for i := range 40 {
		id := fmt.Sprintf("site-%02d", i)
		d.Sites = append(d.Sites, &pb.Site{Id: id, Name: fmt.Sprintf("Site %02d", i), Region: "harbour", TimeZone: "Europe/London"})
		d.Stations = append(d.Stations, &pb.Station{Site: id, Station: "bar-1", EnrolledTime: ts(1, 1)})
		off := int64(20 + i%7)
		if i == 7 {
			off = 110
		}
		c := counts(400, off, int64(i%11/10), int64(i%3))
		d.SiteWeek = append(d.SiteWeek, &pb.Rollup{Site: id, Builds: c})
		d.MixWeek = append(d.MixWeek, &pb.Rollup{Site: id, Drink: "latte", Builds: c})
		d.StationWeek = append(d.StationWeek, &pb.Rollup{Site: id, Station: "bar-1", Builds: c, Findings: []*pb.FindingCount{{Kind: "missing_reading", Count: int64(i)}}})
		for day := 9; day <= 22; day++ {
			d.PlaceDays = append(d.PlaceDays, &pb.Rollup{Site: id, Period: fmt.Sprintf("2026-11-%02d", day), Builds: counts(57, off/7, 0, 0)})
		}
	}
	p := 1e-6
	for i := range 18 {
		k := &pb.Case{Id: fmt.Sprintf("C-%05d", i+1), Title: "site: milk, likely technique", Risk: pb.CaseRisk(1 + i*7/18), Stage: pb.CaseStage_CASE_STAGE_OPEN,
			OpenedTime: ts(16+i%5, 9), BeganTime: ts(15, 9), LastTime: ts(20, 9), Sites: []string{fmt.Sprintf("site-%02d", i)}, SignalCount: int32(i + 1),
			Advice: "use another probe", Suspects: []*pb.CaseSuspect{{Cause: "probe", Check: "probe in ice slurry, 0 ± 1 °C"}, {Cause: "grinder", Check: "pull three shots at one setting"}}}
		res := &pb.GetCaseResponse{Case: k, Evidence: []*pb.Signal{{Kind: "level", Measure: "milk_temp", Moved: -3.2, P: &p, Sure: "very sure", Text: "level moved down", Site: k.Sites[0]}}}
		switch i {
		case 2:
			k.Stage, k.Owner, k.Containment = pb.CaseStage_CASE_STAGE_CONTAINED, "shift lead", "another probe is in use"
		case 3:
			k.Stage, res.Effect = pb.CaseStage_CASE_STAGE_WATCHING, &pb.CaseEffect{Outcome: pb.FixOutcome_FIX_OUTCOME_CANNOT_TELL_YET, Text: "about 4 more shifts are needed", More: 4}
		case 4:
			k.Stage, res.Effect = pb.CaseStage_CASE_STAGE_WATCHING, &pb.CaseEffect{Outcome: pb.FixOutcome_FIX_OUTCOME_NOT_MENDED}
		case 5:
			k.Stage, k.ReopenedCount, res.Effect = pb.CaseStage_CASE_STAGE_WATCHING, 2, &pb.CaseEffect{Outcome: pb.FixOutcome_FIX_OUTCOME_MENDED}
		case 6:
			k.Stage, k.ClosedTime = pb.CaseStage_CASE_STAGE_CLOSED, ts(23, 4)
		}
		d.Cases = append(d.Cases, res)
	}
	for i, kind := range []string{"level", "spread", "trend", "setting", "rate", "safety", "site", "chain", "lot", "barista", "release", "stale"} {
		s := &pb.Signal{Kind: kind, Measure: "shot_time", Finding: "above_tolerance shot_time", Site: "site-03", Station: "bar-1", Moved: 1.25, Direction: 1, BeganTime: ts(16, 8), SeenTime: ts(17, 8), Sure: "fairly sure", P: &p}
		if i > 6 {
			s.P = nil
		}
		d.Signals = append(d.Signals, s, s)
	}
	d.Questions = []*pb.Question{{CaseId: "C-00018", Site: "site-17", Station: "bar-1", Text: "Were the values read, or taken from the card?", Sure: "a question, not a finding", SeenTime: ts(18, 8)}}
	d.Releases = []*pb.ReleaseInfo{{Number: 12, Scope: "chain", Note: "winter menu", EffectiveTime: ts(17, 5), Safety: true}, {Number: 13, Scope: "site.site-04", EffectiveTime: ts(18, 5), RollsBackTo: 9}}
	d.Rollouts = []*pb.Rollout{{Edition: 12, State: pb.RolloutState_ROLLOUT_STATE_HALTED, Reason: "milk too hot at two sites", OpenWaves: 1, Waves: []*pb.Wave{{}, {}}, CreateTime: ts(16, 12), Adoption: &pb.AdoptionCounts{Expected: 40, UsesIt: 12}}}
	d.Stops = []*pb.StopStatus{
		{Stop: &pb.Stop{Kind: pb.StopKind_STOP_KIND_INGREDIENT, Target: "oat-drink", Reason: "nuts not declared", Instruction: "pour none; set it aside", CreateTime: ts(19, 10), Author: "fay"},
			State: pb.StopState_STOP_STATE_OPEN, Sites: []*pb.StopSite{{Site: "site-01"}, {Site: "site-02", AcknowledgeTime: ts(19, 11)}}, OpenSites: 1},
		{Stop: &pb.Stop{Kind: pb.StopKind_STOP_KIND_DRINK, Target: "affogato", Reason: "freezer down", CreateTime: ts(16, 10), Author: "fay"}, State: pb.StopState_STOP_STATE_LIFTED, LiftTime: ts(18, 9)},
	}
	return d
}

func TestACrowdedWeekInWords(t *testing.T) {
	doc := must(report.Build(crowded()))(t)
	print(t, doc, "crowded")
	got := words(doc)
	const path = "testdata/crowded.txt"
	if os.Getenv("UPDATE") != "" {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want := string(must(os.ReadFile(path))(t))
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("words differ; UPDATE=1 writes them anew, then read them (-want +got)\n%s", diff)
	}
	for _, not := range []string{"NaN", "%!", "_", "remind"} {
		if i := strings.Index(got, not); i >= 0 {
			t.Errorf("the report says %q in %q", not, got[max(0, i-60):min(len(got), i+60)])
		}
	}
}

func TestTheGravestStandsFirstAndClosedOnesWantNothing(t *testing.T) {
	doc := must(report.Build(crowded()))(t)
	var list []report.Action
	for _, b := range doc.Blocks {
		if a, ok := b.(report.Actions); ok {
			list = a.List
		}
	}
	if len(list) != 19 || !strings.Contains(list[0].What, "oat-drink") || !list[0].Safety {
		t.Fatalf("%d actions, first %+v; want the stop that a site has not acknowledged", len(list), list[0])
	}
	for _, a := range list {
		for name, s := range map[string]string{"what": a.What, "where": a.Where, "next": a.Next, "sure": a.Sure} {
			if strings.TrimSpace(s) == "" {
				t.Errorf("%q has no %s", a.What, name)
			}
		}
	}
}

// Every number follows the locale, and nothing of it depends on the clock.
func TestLocaleAndBytes(t *testing.T) {
	d := crowded()
	d.Read = reader(t, "de-DE", false)
	de := must(report.Build(d))(t)
	if got := words(de); !strings.Contains(got, "16.0") && !strings.Contains(got, "5,") {
		t.Error("a German reader finds no decimal comma")
	}
	drawn := 0
	for _, k := range de.Blocks {
		if f, ok := k.(report.Figure); ok {
			drawn++
			if said := f.Chart.Inline(); regexp.MustCompile(`(all together|limit|centre) -?\d+\.\d`).MatchString(said) {
				t.Errorf("the picture %s keeps its decimal points", f.Chart.ID)
			}
		}
	}
	if drawn == 0 {
		t.Error("nothing was drawn")
	}
	d.Read = reader(t, "en-US", true)
	us := must(report.Build(d))(t)
	if got := words(us); !strings.Contains(got, "November 16 to November 22, 2026") || !strings.Contains(got, "AM") {
		t.Error("an American reader finds dates of another order")
	}
	var a, b bytes.Buffer
	if err := us.PDF(&a); err != nil {
		t.Fatal(err)
	}
	if err := us.PDF(&b); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("one document printed twice differs")
	}
}

func TestNothingAtAllIsAReport(t *testing.T) {
	doc := must(report.Build(&report.Data{Week: report.Week{Year: 2026, Number: 47}}))(t)
	if got := words(doc); !strings.Contains(got, "No build of this week is here.") {
		t.Errorf("words:\n%s", got)
	}
	var b bytes.Buffer
	if err := doc.PDF(&b); err != nil {
		t.Fatal(err)
	}
}
