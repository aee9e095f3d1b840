package quality

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/watch"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

var stages = map[watch.Stage]pb.CaseStage{
	watch.StageOpen:      pb.CaseStage_CASE_STAGE_OPEN,
	watch.StageContained: pb.CaseStage_CASE_STAGE_CONTAINED,
	watch.StageFixStated: pb.CaseStage_CASE_STAGE_FIX_STATED,
	watch.StageWatching:  pb.CaseStage_CASE_STAGE_WATCHING,
	watch.StageClosed:    pb.CaseStage_CASE_STAGE_CLOSED,
}

var outcomes = map[watch.Effect]pb.FixOutcome{
	watch.EffectYes:        pb.FixOutcome_FIX_OUTCOME_MENDED,
	watch.EffectNot:        pb.FixOutcome_FIX_OUTCOME_NOT_MENDED,
	watch.EffectCannotTell: pb.FixOutcome_FIX_OUTCOME_CANNOT_TELL_YET,
}

// risk orders cases as the watch's morning list does.
func risk(k *watch.Case) pb.CaseRisk {
	switch {
	case k.Safety && k.Allergen:
		return pb.CaseRisk_CASE_RISK_ALLERGEN
	case k.Safety:
		return pb.CaseRisk_CASE_RISK_SAFETY
	case k.Domain == "log":
		return pb.CaseRisk_CASE_RISK_QUESTION
	case k.Kinds[watch.SignalStale] > 0:
		return pb.CaseRisk_CASE_RISK_STALE_SPEC
	case k.Kinds[watch.SignalChain]+k.Kinds[watch.SignalRelease] > 0:
		return pb.CaseRisk_CASE_RISK_CHAIN
	case k.Kinds[watch.SignalLot]+k.Kinds[watch.SignalSite] > 0 || len(k.Sites) > 1:
		return pb.CaseRisk_CASE_RISK_SEVERAL
	}
	return pb.CaseRisk_CASE_RISK_ONE_PLACE
}

// rank is a text that sorts cases: open ones first, then by risk, stage, how
// many sites, how often it came back, and how long it has been open.
func rank(k *watch.Case) string {
	closed := 0
	if k.Stage == watch.StageClosed {
		closed = 1
	}
	const many = 99_999
	return fmt.Sprintf("%d%d%d-%05d-%05d-%016d-%s", closed, risk(k), stages[k.Stage],
		many-min(many, len(k.Sites)), many-min(many, k.Reopened), max(0, k.Opened.UnixMilli()), k.ID)
}

// caseRow makes the row of a case's JSON.
func caseRow(body []byte) (store.CaseRow, *watch.Case, error) {
	var k watch.Case
	if err := json.Unmarshal(body, &k); err != nil {
		return store.CaseRow{}, nil, fmt.Errorf("read a case: %w", err)
	}
	return store.CaseRow{ID: k.ID, Rank: rank(&k), Open: k.Stage != watch.StageClosed,
		Sites: slices.Sorted(maps.Keys(k.Sites)), Body: body}, &k, nil
}

// etag changes with what people stated and with the stage.
func etag(k *watch.Case) string {
	said := 0
	for _, e := range k.History {
		if e.Who != watchName {
			said++
		}
	}
	text := fmt.Sprintf("%s|%s|%q|%q|%d|%s|%d|%s", k.ID, k.Stage, k.Owner, k.Contained, k.Reopened, k.Merged, said, k.ClosedAt)
	if k.Fix != nil {
		text += fmt.Sprintf("|%q", *k.Fix)
	}
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:8])
}

func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

func caseProto(k *watch.Case) *pb.Case {
	out := &pb.Case{Id: k.ID, Etag: etag(k), Title: k.Title, Stage: stages[k.Stage], Risk: risk(k), Domain: k.Domain,
		OpenedTime: stamp(k.Opened), BeganTime: stamp(k.Began), LastTime: stamp(k.Last), ClosedTime: stamp(k.ClosedAt),
		Sites: slices.Sorted(maps.Keys(k.Sites)), Stations: slices.Sorted(maps.Keys(k.Stations)), SignalCount: int32(min(k.Signals, math.MaxInt32)),
		Owner: k.Owner, Advice: k.Advice, Containment: k.Contained, ReopenedCount: int32(k.Reopened), MergedInto: k.Merged}
	if f := k.Fix; f != nil {
		out.Fix = &pb.CaseFix{Cause: string(f.Cause), Explanation: f.What, Done: f.Done, Prevention: f.Prevention, FixTime: stamp(f.At)}
	}
	for _, s := range k.Suspects {
		out.Suspects = append(out.Suspects, &pb.CaseSuspect{Cause: string(s.Cause), Weight: s.Weight, Why: s.Why, Check: s.Check})
	}
	return out
}

func signalProto(g *watch.Signal, caseID string, builds []string) *pb.Signal {
	out := &pb.Signal{Id: g.ID, Kind: string(g.Kind), Method: g.Method, Site: g.Site, Station: g.Station, Measure: g.Measure,
		Finding: g.Finding, Direction: int32(g.Direction), BeganTime: stamp(g.Began), SeenTime: stamp(g.Seen),
		Count: int32(min(g.N, math.MaxInt32)), Moved: g.Moved, Sure: g.Sure, Text: g.Words, CaseId: caseID, BuildIds: builds}
	if !g.Rule {
		out.P = &g.P
	}
	return out
}

func effectProto(o watch.Outcome) *pb.CaseEffect {
	return &pb.CaseEffect{Outcome: outcomes[o.Answer], Text: o.Words, More: int32(min(o.More, math.MaxInt32))}
}
