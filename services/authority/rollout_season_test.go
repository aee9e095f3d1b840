package authority

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/bus"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// rates is a RateSource that says the same of each day.
type rates struct {
	mu          sync.Mutex
	inside      []string
	worse, away bool
	safety      uint64
}

func (r *rates) Rates(_ context.Context, sites []string, since, until time.Time) (builds, deviations uint64, safety uint64, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.away {
		return 0, 0, 0, errors.New("quality is away")
	}
	if until.Sub(since) == wavePast {
		return 20_000, 400, 0, nil
	}
	if slices.Contains(r.inside, sites[0]) {
		if r.worse {
			return 2_000, 120, r.safety, nil
		}
		return 4_000, 80, r.safety, nil
	}
	return 20_000, 400, 0, nil
}

func (r *rates) set(f func(*rates)) { r.mu.Lock(); f(r); r.mu.Unlock() }

var fourSites = []string{"lantern-hill", "oyster-steps", "quillmaker-street", "tannery-row"}

// season is an office with four sites on edition 1 and its people.
type season struct {
	*headOffice
	admin, ada, ben, fay, flo *desk
	rates                     *rates
}

func openSeason(t *testing.T) *season {
	t.Helper()
	s := &season{headOffice: openOffice(t), rates: &rates{inside: []string{"lantern-hill", "tannery-row"}}}
	s.WatchRates(s.rates)
	for _, site := range fourSites {
		s.addSite(t, site, "harbour")
	}
	s.publish(t, request(bookFiles(t)))
	local := s.desk(t, "")
	s.admin = s.hire(t, local, "admin", "administrator")
	s.ada = s.hire(t, s.admin, "ada", "author", "approver")
	s.ben = s.hire(t, s.admin, "ben", "approver")
	s.fay = s.hire(t, s.admin, "fay", "food-safety")
	s.flo = s.hire(t, s.admin, "flo", "fleet-manager", "author")
	s.clock.forward(time.Hour)
	return s
}

func edit(file, path, value string) *pb.FieldEdit {
	return &pb.FieldEdit{File: file, Path: path, Value: value}
}

// draft makes a draft with edits and proposes it.
func (s *season) draft(t *testing.T, id string, edits ...*pb.FieldEdit) *pb.Draft {
	t.Helper()
	d := must(s.ada.drafts.CreateDraft(t.Context(), &pb.CreateDraftRequest{RequestId: uuid.NewString(), DraftId: id, Title: "Draft " + id}))(t).Draft
	d = must(s.ada.drafts.UpdateDraft(t.Context(), &pb.UpdateDraftRequest{RequestId: uuid.NewString(), Name: d.Name, Etag: d.Etag, Edits: edits}))(t).Draft
	return must(s.ada.drafts.ProposeDraft(t.Context(), &pb.ProposeDraftRequest{RequestId: uuid.NewString(), Name: d.Name, Etag: d.Etag}))(t).Draft
}

func cautionIDs(cs []*pb.ReviewCaution) (ids []string) {
	for _, c := range cs {
		ids = append(ids, c.Id)
	}
	return ids
}

// approve has it approved by all who must.
func (s *season) approve(t *testing.T, d *pb.Draft) *pb.Draft {
	t.Helper()
	r := must(s.ben.drafts.ReviewDraft(t.Context(), &pb.ReviewDraftRequest{Name: d.Name}))(t)
	for _, role := range r.ApprovalsNeeded {
		who := map[string]*desk{"approver": s.ben, "food-safety": s.fay}[role]
		d = must(who.drafts.ApproveDraft(t.Context(), &pb.ApproveDraftRequest{RequestId: uuid.NewString(), Name: d.Name, Etag: d.Etag, Role: role,
			Cautions: cautionIDs(r.Cautions)}))(t).Draft
	}
	return d
}

func (s *season) launch(t *testing.T, d *pb.Draft, waves ...*pb.Wave) *pb.Rollout {
	t.Helper()
	return must(s.flo.rollouts.CreateRollout(t.Context(), &pb.CreateRolloutRequest{RequestId: uuid.NewString(), Draft: d.Name, Waves: waves}))(t).Rollout
}

func (s *season) overlay(t *testing.T, scope string, edits ...*pb.FieldEdit) *pb.Overlay {
	t.Helper()
	return must(s.ada.overlays.CreateOverlay(t.Context(), &pb.CreateOverlayRequest{RequestId: uuid.NewString(), Scope: scope,
		Reason: "the machine here runs hot", Edits: edits}))(t).Overlay
}

func (s *season) approveOverlay(t *testing.T, o *pb.Overlay) *pb.ApproveOverlayResponse {
	t.Helper()
	r := must(s.ben.overlays.ReviewOverlay(t.Context(), &pb.ReviewOverlayRequest{Name: o.Name}))(t)
	return must(s.ben.overlays.ApproveOverlay(t.Context(), &pb.ApproveOverlayRequest{RequestId: uuid.NewString(), Name: o.Name, Etag: o.Etag,
		Role: "approver", Cautions: cautionIDs(r.Cautions)}))(t)
}

func (s *season) resolve(t *testing.T, site, drink string) *pb.ResolveSiteResponse {
	t.Helper()
	return must(s.ben.overlays.ResolveSite(t.Context(), &pb.ResolveSiteRequest{Site: "sites/" + site, Drink: drink}))(t)
}

const (
	latteFile = "drinks/latte.yaml"
	tempPath  = "checks.milk_temp.target"
)

// TestASeasonIsLaunched is the whole way of a menu from an edit to the counters.
func TestASeasonIsLaunched(t *testing.T) {
	s := openSeason(t)
	o := s.overlay(t, "site.oyster-steps", edit(latteFile, tempPath, "58 °C"))
	if got := s.approveOverlay(t, o); got.Release == 0 || got.Overlay.State != pb.OverlayState_OVERLAY_STATE_ACTIVE {
		t.Fatalf("overlay: %v", got)
	}

	d := s.draft(t, "autumn", edit(latteFile, tempPath, "61 °C"), edit("ingredients.yaml", "ingredients[id=chocolate-powder].may_contain", "[milk, soya]"))
	review := must(s.ben.drafts.ReviewDraft(t.Context(), &pb.ReviewDraftRequest{Name: d.Name}))(t)
	switch {
	case len(review.Changes) == 0 || len(review.Cautions) == 0 || len(review.SafetyReasons) == 0:
		t.Fatalf("review: %d changes, %d cautions, reasons %q", len(review.Changes), len(review.Cautions), review.SafetyReasons)
	case !slices.Equal(review.ApprovalsNeeded, []string{"approver", "food-safety"}):
		t.Fatalf("needed: %q", review.ApprovalsNeeded)
	case !slices.Equal(review.NeedsRebase, []string{"site.oyster-steps"}):
		t.Fatalf("needs rebase: %q", review.NeedsRebase)
	}
	approval := func(role string, cautions []string) *pb.ApproveDraftRequest {
		return &pb.ApproveDraftRequest{RequestId: uuid.NewString(), Name: d.Name, Etag: d.Etag, Role: role, Cautions: cautions}
	}
	all := cautionIDs(review.Cautions)
	_, err := s.ada.drafts.ApproveDraft(t.Context(), approval("approver", all))
	refused(t, err, codes.PermissionDenied, "OWN_CHANGE")
	_, err = s.ben.drafts.ApproveDraft(t.Context(), approval("approver", all[1:]))
	refused(t, err, codes.FailedPrecondition, "CAUTION_UNACKNOWLEDGED")
	_, err = s.ben.drafts.ApproveDraft(t.Context(), approval("food-safety", all))
	refused(t, err, codes.PermissionDenied, "ROLE_MISSING")
	if got := must(s.ben.drafts.ApproveDraft(t.Context(), approval("approver", all)))(t); got.Draft.State != pb.DraftState_DRAFT_STATE_PROPOSED {
		t.Fatalf("one approval was enough for a safety change: %v", got.Draft.State)
	}
	_, err = s.flo.rollouts.CreateRollout(t.Context(), &pb.CreateRolloutRequest{RequestId: uuid.NewString(), Draft: d.Name})
	refused(t, err, codes.FailedPrecondition, "DRAFT_NOT_APPROVED")
	if got := must(s.fay.drafts.ApproveDraft(t.Context(), approval("food-safety", all)))(t); got.Draft.State != pb.DraftState_DRAFT_STATE_APPROVED {
		t.Fatalf("state %v", got.Draft.State)
	}

	r := s.launch(t, d, &pb.Wave{Sites: []string{"lantern-hill", "tannery-row"}}, &pb.Wave{All: true})
	if r.State != pb.RolloutState_ROLLOUT_STATE_RUNNING || r.OpenWaves != 1 || !slices.Equal(r.Waves[0].ReachedSites, []string{"lantern-hill", "tannery-row"}) ||
		!slices.Equal(r.NeedsRebase, []string{"site.oyster-steps"}) {
		t.Fatalf("rollout: %v", r)
	}
	if got := must(s.ada.overlays.GetOverlay(t.Context(), &pb.GetOverlayRequest{Name: o.Name}))(t).Overlay; got.State != pb.OverlayState_OVERLAY_STATE_NEEDS_REBASE || len(got.Conflicts) != 1 {
		t.Fatalf("overlay: %v", got)
	}

	s.rates.set(func(r *rates) { r.worse = true })
	s.clock.forward(24 * time.Hour)
	s.watchWaves(t.Context(), s.now())
	r = must(s.flo.rollouts.GetRollout(t.Context(), &pb.GetRolloutRequest{Name: r.Name}))(t).Rollout
	if r.State != pb.RolloutState_ROLLOUT_STATE_HALTED || r.Report.GetAdvice() != pb.WaveAdvice_WAVE_ADVICE_ROLL_BACK {
		t.Fatalf("%v, advice %v: %s", r.State, r.Report.GetAdvice(), r.Report.GetText())
	}
	_, err = s.flo.rollouts.AdvanceRollout(t.Context(), &pb.AdvanceRolloutRequest{RequestId: uuid.NewString(), Name: r.Name, Etag: r.Etag})
	refused(t, err, codes.FailedPrecondition, "ROLLOUT_HALTED")

	// A grinder was set wrong at both sites; that was mended.
	s.rates.set(func(r *rates) { r.worse = false })
	s.watchWaves(t.Context(), s.now())
	r = must(s.flo.rollouts.GetRollout(t.Context(), &pb.GetRolloutRequest{Name: r.Name}))(t).Rollout
	r = must(s.flo.rollouts.ResumeRollout(t.Context(), &pb.ResumeRolloutRequest{RequestId: uuid.NewString(), Name: r.Name, Etag: r.Etag, Reason: "the grinders were set wrong"}))(t).Rollout
	r = must(s.flo.rollouts.AdvanceRollout(t.Context(), &pb.AdvanceRolloutRequest{RequestId: uuid.NewString(), Name: r.Name, Etag: r.Etag, Reason: "mended"}))(t).Rollout
	if r.State != pb.RolloutState_ROLLOUT_STATE_COMPLETE || r.OpenWaves != 2 {
		t.Fatalf("rollout: %v", r)
	}
	if got := s.resolve(t, "quillmaker-street", "").Release; got.Edition != r.Edition {
		t.Errorf("quillmaker-street follows edition %d", got.Edition)
	}
	if got := s.resolve(t, "oyster-steps", "").Release; got.Edition == r.Edition {
		t.Error("oyster-steps follows an edition that its overlay conflicts with")
	}

	_, err = s.ben.overlays.ApproveOverlay(t.Context(), &pb.ApproveOverlayRequest{RequestId: uuid.NewString(), Name: o.Name, Etag: o.Etag, Role: "approver"})
	refused(t, err, codes.FailedPrecondition, "OVERLAY_NOT_PROPOSED")
	o = must(s.flo.overlays.RebaseOverlay(t.Context(), &pb.RebaseOverlayRequest{RequestId: uuid.NewString(), Name: o.Name, Etag: o.Etag}))(t).Overlay
	_, err = s.ada.overlays.ApproveOverlay(t.Context(), &pb.ApproveOverlayRequest{RequestId: uuid.NewString(), Name: o.Name, Etag: o.Etag, Role: "approver"})
	refused(t, err, codes.PermissionDenied, "OWN_CHANGE") // her values, though flo rebased them
	s.clock.forward(time.Minute)
	made := s.approveOverlay(t, o)
	at := s.resolve(t, "oyster-steps", "latte")
	if at.Release.Number != made.Release || at.Release.Edition != r.Edition {
		t.Fatalf("oyster-steps follows %v, and %d was made", at.Release, made.Release)
	}
	s.wantOrigins(t, at)

	var told []string
	for e := range s.record(t, s.ada, "latte") {
		told = append(told, e.Text)
	}
	if !strings.Contains(strings.Join(told, "\n"), "approved") {
		t.Errorf("the latte's history:\n%s", strings.Join(told, "\n"))
	}
	if got := verified(t, s.ada); got.BrokenAt != 0 || got.Checked != got.Total || got.Checked == 0 {
		t.Errorf("verify: %v", got)
	}
}

// wantOrigins checks a latte with one field of oyster-steps.
func (s *season) wantOrigins(t *testing.T, at *pb.ResolveSiteResponse) {
	t.Helper()
	first, lines := at.Origins[0], 0
	if first.Source != "overlays/site.oyster-steps" || first.Value != "58 °C" || first.Replaced != "61 °C" || first.Reason == "" || first.Line == 0 {
		t.Errorf("first origin: %v", first)
	}
	for _, x := range at.Origins {
		if x.File == latteFile && x.Source == fmt.Sprintf("edition %d", at.Release.Edition) && x.Line > 0 {
			lines++
		}
	}
	if lines < 10 {
		t.Errorf("%d fields of the latte come from the edition", lines)
	}
	if sum := sha256.Sum256(at.Book); !bytes.Equal(at.BookDigest, sum[:]) {
		t.Error("the digest is not that of the book")
	}
	envelope := must(s.books.GetRelease(t.Context(), &pb.GetReleaseRequest{Number: at.Release.Number}))(t).Envelope
	if !bytes.Contains(envelope.Payload, at.Book) {
		t.Error("the book's bytes do not stand in the release")
	}
	if at.Assignment.GetSite() != "oyster-steps" || at.Assignment.Orders[len(at.Assignment.Orders)-1].Release != at.Release.Number {
		t.Errorf("assignment: %v", at.Assignment)
	}
}

func TestASafetyFindingHaltsWhateverTheCounts(t *testing.T) {
	s := openSeason(t)
	r := s.launch(t, s.approve(t, s.draft(t, "autumn", edit(latteFile, tempPath, "61 °C"))), &pb.Wave{Sites: []string{"tannery-row"}}, &pb.Wave{All: true})
	s.clock.forward(time.Hour)
	s.rates.set(func(r *rates) { r.away = true })
	s.watchWaves(t.Context(), s.now())
	if r = s.get(t, r); r.State != pb.RolloutState_ROLLOUT_STATE_RUNNING {
		t.Fatalf("quality was away, and the rollout is %v", r.State)
	}
	s.rates.set(func(r *rates) { r.away, r.safety = false, 1 })
	s.watchWaves(t.Context(), s.now())
	if r = s.get(t, r); r.State != pb.RolloutState_ROLLOUT_STATE_HALTED || !strings.Contains(r.Reason, "safety") {
		t.Fatalf("%v: %s", r.State, r.Reason)
	}
	r = must(s.flo.rollouts.ResumeRollout(t.Context(), &pb.ResumeRolloutRequest{RequestId: uuid.NewString(), Name: r.Name, Etag: r.Etag, Reason: "looked at"}))(t).Rollout
	s.watchWaves(t.Context(), s.now())
	if r = s.get(t, r); r.State != pb.RolloutState_ROLLOUT_STATE_RUNNING {
		t.Fatalf("the finding that was looked at halted again: %v", r.State)
	}
	s.rates.set(func(r *rates) { r.safety = 2 })
	s.watchWaves(t.Context(), s.now())
	if r = s.get(t, r); r.State != pb.RolloutState_ROLLOUT_STATE_HALTED {
		t.Fatalf("another finding did not halt: %v", r.State)
	}
}

func (s *season) get(t *testing.T, r *pb.Rollout) *pb.Rollout {
	t.Helper()
	return must(s.flo.rollouts.GetRollout(t.Context(), &pb.GetRolloutRequest{Name: r.Name}))(t).Rollout
}

func TestRollBackIsHeldAgainstTodaysFacts(t *testing.T) {
	s := openSeason(t)
	back := func() (*pb.RollBackResponse, error) {
		return s.flo.rollouts.RollBack(t.Context(), &pb.RollBackRequest{RequestId: uuid.NewString(), Reason: "guests complain"})
	}
	_, err := back()
	refused(t, err, codes.FailedPrecondition, "NOTHING_BEFORE")
	first := s.launch(t, s.approve(t, s.draft(t, "warmer", edit(latteFile, tempPath, "61 °C"))))
	s.clock.forward(time.Hour)
	r := must(back())(t).Rollout
	if r.State != pb.RolloutState_ROLLOUT_STATE_COMPLETE || r.Edition <= first.Edition {
		t.Fatalf("rolled back: %v", r)
	}
	if got := s.get(t, first); got.State != pb.RolloutState_ROLLOUT_STATE_COMPLETE && got.State != pb.RolloutState_ROLLOUT_STATE_ROLLED_BACK {
		t.Fatalf("the rollout that was left: %v", got.State)
	}
	if got := s.resolve(t, "tannery-row", ""); got.Release.Number != r.Edition || got.Release.RollsBackTo != 1 {
		t.Fatalf("tannery-row follows %v", got.Release)
	}
	s.launch(t, s.approve(t, s.draft(t, "declared", edit("ingredients.yaml", "ingredients[id=chai-blend].contains", "[sulphites]"))))
	_, err = back()
	if err == nil || !strings.Contains(err.Error(), "chai-blend") {
		t.Fatalf("roll-back below a declared allergen: %v", err)
	}
	refused(t, err, codes.FailedPrecondition, "ROLLBACK_BLOCKED")
}

func TestAnApprovalDoesNotOutliveTheEditionThatItWasGivenAgainst(t *testing.T) {
	s := openSeason(t)
	older := s.approve(t, s.draft(t, "older", edit(latteFile, tempPath, "61 °C")))
	s.launch(t, s.approve(t, s.draft(t, "newer", edit("drinks/flat-white.yaml", "name", "Flat white, small"))))
	_, err := s.flo.rollouts.CreateRollout(t.Context(), &pb.CreateRolloutRequest{RequestId: uuid.NewString(), Draft: older.Name})
	refused(t, err, codes.FailedPrecondition, "REVIEW_OUTDATED")
}

func TestAdoptionComesFromPresences(t *testing.T) {
	s := openSeason(t)
	stations := map[string]*pb.Presence{"uses": {}, "holds": {}, "refuses": {}, "stale": {Release: 1}, "silent": nil}
	for station := range stations {
		code := must(s.admin.fleet.CreateEnrolment(t.Context(), &pb.CreateEnrolmentRequest{Site: "tannery-row", Station: station}))(t)
		must(s.admin.fleet.EnrolStation(t.Context(), &pb.EnrolStationRequest{Code: code.Code}))(t)
	}
	r := s.launch(t, s.approve(t, s.draft(t, "autumn", edit(latteFile, tempPath, "61 °C"))), &pb.Wave{Sites: []string{"tannery-row"}}, &pb.Wave{All: true})
	s.clock.forward(time.Minute)
	stations["uses"].Release, stations["uses"].UsedReleases = r.Edition, []uint64{r.Edition}
	stations["holds"].Release, stations["holds"].NextRelease = 1, r.Edition
	stations["refuses"].Refusals = []*pb.Refusal{{Release: r.Edition, Reason: "BAD_BOOK", Detail: "too new"}}

	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	watch := must(s.flo.rollouts.WatchRollout(ctx, &pb.WatchRolloutRequest{Name: r.Name}))(t)
	if first := must(watch.Recv())(t).Rollout; first.Adoption.Silent != 5 || first.Adoption.Expected != 5 {
		t.Fatalf("first: %v", first.Adoption)
	}
	for station, p := range stations {
		if p == nil {
			continue
		}
		p.Site, p.Station = "tannery-row", station
		s.say(t, p)
	}
	for {
		got := must(watch.Recv())(t).Rollout.Adoption // the test's own deadline ends it
		if got.HasIt == 2 && got.UsesIt == 1 && got.Stale == 1 && got.Refused == 1 && got.Silent == 1 {
			break
		}
	}
	var seen []string
	token := ""
	for {
		page := must(s.flo.rollouts.ListAdoption(t.Context(), &pb.ListAdoptionRequest{Name: r.Name, PageSize: 2, PageToken: token}))(t)
		for _, a := range page.Adoptions {
			seen = append(seen, a.Station+" "+strings.TrimPrefix(a.State.String(), "ADOPTION_STATE_"))
		}
		if token = page.NextPageToken; token == "" {
			break
		}
	}
	if want := []string{"holds HAS_IT", "refuses REFUSED", "silent SILENT", "stale STALE", "uses USES_IT"}; !slices.Equal(seen, want) {
		t.Errorf("adoption %q, want %q", seen, want)
	}
	_, err := s.flo.rollouts.ListAdoption(t.Context(), &pb.ListAdoptionRequest{Name: "rollouts/99"})
	refused(t, err, codes.NotFound, "ROLLOUT_NOT_FOUND")
}

// say has the authority hear a presence.
func (s *season) say(t *testing.T, p *pb.Presence) {
	t.Helper()
	data := must(proto.Marshal(p))(t)
	must(s.takePresence(bus.PresenceSubject(p.Site, p.Station), data))(t)
}

// record streams the entries about a drink, or all.
func (s *season) record(t *testing.T, d *desk, drink string) iter.Seq[*pb.RecordEntry] {
	t.Helper()
	stream := must(d.office.StreamRecord(t.Context(), &pb.StreamRecordRequest{Drink: drink}))(t)
	return func(yield func(*pb.RecordEntry) bool) {
		for {
			got, err := stream.Recv()
			if errors.Is(err, io.EOF) {
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if !yield(got.Entry) {
				return
			}
		}
	}
}

// verified walks the record through the API.
func verified(t *testing.T, d *desk) (last *pb.VerifyRecordResponse) {
	t.Helper()
	stream := must(d.office.VerifyRecord(t.Context(), &pb.VerifyRecordRequest{}))(t)
	for {
		got, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return last
		}
		if err != nil {
			t.Fatal(err)
		}
		last = got
	}
}
