package launch

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station"
	"samecup.example/samecup/testdata"
)

const (
	latteFile  = "drinks/latte.yaml"
	tempPath   = "checks.milk_temp.target"
	pourPath   = "checks.pour_height.target"
	powderPath = "ingredients[id=chocolate-powder].may_contain"
	// newPowder leaves the nuts out: another supplier.
	newPowder = "[milk, soya]"
)

// season plays the script.
type season struct {
	*chain
	out io.Writer
	res Result

	admin, ada, ben, fay, flo *desk
	autumn                    *pb.Draft
	overlay                   *pb.Overlay
	rollout                   *pb.Rollout
}

func (s *season) say(format string, args ...any) { fmt.Fprintf(s.out, format+"\n", args...) }

// brief is what a report says before it comes to likelihoods.
func brief(report string) string {
	said, _, _ := strings.Cut(report, ";")
	return said
}

// step lets a minute pass between the acts of people.
func (s *season) step() { s.clock.forward(time.Minute) }

func (s *season) open(ctx context.Context) error {
	book, err := fs.Sub(testdata.FS, "harbour-finch-counter")
	if err != nil {
		return fmt.Errorf("the embedded book: %w", err)
	}
	files, problems := drink.ReadFiles(book)
	if err := problems.Err(); err != nil {
		return fmt.Errorf("the embedded book: %w", err)
	}
	local, err := s.desk("")
	if err != nil {
		return err
	}
	for _, z := range zones {
		for _, id := range z.sites {
			if _, err := local.fleet.CreateSite(ctx, &pb.CreateSiteRequest{Site: siteOf(id, z.region, z.name)}); err != nil {
				return fmt.Errorf("add %s: %w", id, err)
			}
			s.counters = append(s.counters, &counter{site: id, dir: filepath.Join(s.dir, "stations", id)})
		}
	}
	req := &pb.CreateReleaseRequest{RequestId: newID(), Scope: "chain", Note: "The summer book", Author: "ada"}
	for path, content := range files {
		req.Files = append(req.Files, &pb.SourceFile{Path: path, Content: content})
	}
	if _, err := local.books.CreateRelease(ctx, req); err != nil {
		return fmt.Errorf("publish the summer book: %w", err)
	}
	for _, p := range []struct {
		desk     **desk
		id, name string
		roles    []string
	}{
		{&s.admin, "admin", "Admin", []string{"administrator"}},
		{&s.ada, "ada", "Ada", []string{"author", "approver"}},
		{&s.ben, "ben", "Ben", []string{"approver"}},
		{&s.fay, "fay", "Fay", []string{"food-safety"}},
		{&s.flo, "flo", "Flo", []string{"fleet-manager"}},
	} {
		by := s.admin
		if by == nil {
			by = local
		}
		if *p.desk, err = s.hire(ctx, by, p.id, p.name, p.roles...); err != nil {
			return err
		}
	}
	for _, k := range s.counters {
		code, err := s.admin.fleet.CreateEnrolment(ctx, &pb.CreateEnrolmentRequest{Site: k.site, Station: "bar-1"})
		if err != nil {
			return fmt.Errorf("a code for %s: %w", k.site, err)
		}
		if err := station.Enrol(ctx, k.dir, s.admin.fleet, code.Code); err != nil {
			return fmt.Errorf("enrol the station at %s: %w", k.site, err)
		}
	}
	if err := s.allOn(ctx); err != nil {
		return err
	}
	s.step()
	s.say("   Harbour & Finch has %d sites in London, New York and Sydney, with a station each. All follow the summer book, edition 1.\n"+
		"   Ada writes recipes, Ben and she approve them, Fay answers for food safety, Flo for the fleet.", len(s.counters))
	if s.pages != "" {
		s.say("   Look on at http://%s/, signed in as Flo with the token %s. The centre answers at %s.", s.pages, s.tokens["flo"], s.address)
	}
	return s.agree(ctx)
}

func (s *season) depart(ctx context.Context) error {
	made, err := s.ada.overlays.CreateOverlay(ctx, &pb.CreateOverlayRequest{RequestId: newID(), Scope: "site." + oyster,
		Reason: "the machine here runs hot", Edits: []*pb.FieldEdit{edit(latteFile, tempPath, "58 °C")}})
	if err != nil {
		return err
	}
	if s.overlay, err = s.approveOverlay(ctx, made.Overlay); err != nil {
		return err
	}
	s.step()
	s.say("   The machine at %s runs hot, so its latte milk goes to 58 °C there and to 60 °C everywhere else: an overlay, pinned to edition 1.", oyster)
	return s.agree(ctx)
}

func (s *season) approveOverlay(ctx context.Context, o *pb.Overlay) (*pb.Overlay, error) {
	r, err := s.ben.overlays.ReviewOverlay(ctx, &pb.ReviewOverlayRequest{Name: o.Name})
	if err != nil {
		return nil, err
	}
	got, err := s.ben.overlays.ApproveOverlay(ctx, &pb.ApproveOverlayRequest{RequestId: newID(), Name: o.Name, Etag: o.Etag, Role: "approver", Cautions: ids(r.Cautions)})
	if err != nil {
		return nil, err
	}
	if got.Overlay.State != pb.OverlayState_OVERLAY_STATE_ACTIVE || got.Release == 0 {
		return nil, fmt.Errorf("the overlay is %v, release %d", got.Overlay.State, got.Release)
	}
	return got.Overlay, nil
}

func (s *season) draftAutumn(ctx context.Context) error {
	d, err := s.draft(ctx, "autumn", "Autumn menu", edit(latteFile, tempPath, "61 °C"), edit(latteFile, pourPath, "90 mm"), edit("ingredients.yaml", powderPath, newPowder))
	if err != nil {
		return err
	}
	var cautions []string
	for _, p := range d.Problems {
		switch p.Level {
		case "error":
			return fmt.Errorf("the draft has an error: %s %s: %s", p.File, p.Field, p.Text)
		case "caution":
			cautions = append(cautions, p.Field+" "+p.Text)
		}
	}
	if len(cautions) == 0 {
		return errors.New("the check has nothing to say of the draft; a caution is wanted")
	}
	if s.autumn, err = s.propose(ctx, d); err != nil {
		return err
	}
	s.step()
	s.say("   Ada drafts the autumn menu: latte milk to 61 °C, a chocolate powder without nuts from another supplier, and, by a slip,\n"+
		"   a pour from 90 mm. The check runs on each save and finds no error in it and gives %d cautions, such as:\n   %q.", len(cautions), cautions[0])
	return nil
}

func (s *season) approveAutumn(ctx context.Context) error {
	d := s.autumn
	r, err := s.ben.drafts.ReviewDraft(ctx, &pb.ReviewDraftRequest{Name: d.Name})
	switch {
	case err != nil:
		return err
	case !slices.Equal(r.ApprovalsNeeded, []string{"approver", "food-safety"}) || len(r.SafetyReasons) == 0:
		return fmt.Errorf("approvals needed are %q for %q", r.ApprovalsNeeded, r.SafetyReasons)
	case !slices.Equal(r.NeedsRebase, []string{"site." + oyster}):
		return fmt.Errorf("to be rebased: %q", r.NeedsRebase)
	case len(r.Cautions) == 0:
		return errors.New("there is no caution to acknowledge")
	}
	approval := &pb.ApproveDraftRequest{RequestId: newID(), Name: d.Name, Etag: d.Etag, Role: "approver", Cautions: ids(r.Cautions)}
	_, err = s.ada.drafts.ApproveDraft(ctx, approval)
	if err := s.refused(err, "OWN_CHANGE"); err != nil {
		return fmt.Errorf("approval by its author, Ada: her own draft: %w", err)
	}
	approval.RequestId, approval.Cautions = newID(), nil
	_, err = s.ben.drafts.ApproveDraft(ctx, approval)
	if err := s.refused(err, "CAUTION_UNACKNOWLEDGED"); err != nil {
		return fmt.Errorf("approval by Ben: he passes a caution over: %w", err)
	}
	if s.autumn, _, err = s.approve(ctx, d); err != nil {
		return err
	}
	s.step()
	s.say("   Ada may not approve what she wrote, and Ben not without naming each caution that he accepts. As allergens change,\n"+
		"   Fay's word is needed as well: %s.\n   Both are told that the overlay of %s will have to be rebased. Nobody sees the slip.", strings.TrimSuffix(r.SafetyReasons[0], "."), oyster)
	return nil
}

func (s *season) firstWave(ctx context.Context) error {
	s.busAway()
	made, err := s.flo.rollouts.CreateRollout(ctx, &pb.CreateRolloutRequest{RequestId: newID(), Draft: s.autumn.Name, When: &pb.When{BusinessDay: "2026-10-20"},
		Waves: []*pb.Wave{{Sites: []string{tannery, cooper}}, {All: true}}})
	if err != nil {
		return fmt.Errorf("roll out while the bus is away: %w", err)
	}
	if err := s.busBack(); err != nil {
		return err
	}
	r := made.Rollout
	if !slices.Equal(r.NeedsRebase, []string{"site." + oyster}) {
		return fmt.Errorf("the rollout says that %q need rebasing", r.NeedsRebase)
	}
	s.say("   Flo sends edition %d to %s in London and %s in New York, to begin when each opens on 20 October. The bus\n"+
		"   is away at that moment; the order stands in the database and goes out when it is back.", r.Edition, tannery, cooper)
	if err := s.allOn(ctx); err != nil {
		return err
	}
	// London's opening is 04:00 UTC in summer time, New York's 09:00.
	began := time.Date(2026, 10, 20, 4, 0, 0, 0, time.UTC)
	s.tally.spoil(began, tannery, cooper)
	s.clock.to(time.Date(2026, 10, 20, 9, 5, 0, 0, time.UTC))
	if err := s.agree(ctx); err != nil {
		return err
	}
	if err := s.wantEdition(ctx, r.Edition, tannery, cooper); err != nil {
		return err
	}
	early, err := s.wantState(ctx, r.Name, pb.RolloutState_ROLLOUT_STATE_RUNNING, pb.WaveAdvice_WAVE_ADVICE_CANNOT_TELL_YET)
	if err != nil {
		return err
	}
	s.say("   Baristas pour from 50 mm as ever, and three times as many builds deviate. In the first hours the sequential test says:\n   %q.", brief(early.Report.Text))
	s.clock.forward(24 * time.Hour)
	r, err = s.wantState(ctx, r.Name, pb.RolloutState_ROLLOUT_STATE_HALTED, pb.WaveAdvice_WAVE_ADVICE_ROLL_BACK)
	if err != nil {
		return err
	}
	_, err = s.flo.rollouts.AdvanceRollout(ctx, &pb.AdvanceRolloutRequest{RequestId: newID(), Name: r.Name, Etag: r.Etag, Reason: "it will be all right"})
	if err := s.refused(err, "ROLLOUT_HALTED"); err != nil {
		return fmt.Errorf("advance by Flo: she goes on regardless: %w", err)
	}
	s.rollout = r
	s.say("   A day later it halts the rollout by itself: %q. The other %d sites never saw edition %d.", r.Reason, len(s.counters)-2, r.Edition)
	return nil
}

func (s *season) mend(ctx context.Context) error {
	back, err := s.flo.rollouts.RollBack(ctx, &pb.RollBackRequest{RequestId: newID(), ToEdition: 1, Reason: "the pour height was a slip"})
	if err != nil {
		return fmt.Errorf("roll back: %w", err)
	}
	s.tally.mend(s.clock.now())
	s.step()
	if err := s.agree(ctx); err != nil {
		return err
	}
	s.say("   Flo rolls back. That is a new number, edition %d, with the content of edition 1, since numbers only rise.", back.Rollout.Edition)
	d, err := s.draft(ctx, "autumn-mended", "Autumn menu, mended", edit(latteFile, tempPath, "61 °C"), edit(latteFile, pourPath, "55 mm"), edit("ingredients.yaml", powderPath, newPowder))
	if err != nil {
		return err
	}
	if d, err = s.propose(ctx, d); err != nil {
		return err
	}
	if d, _, err = s.approve(ctx, d); err != nil {
		return err
	}
	made, err := s.flo.rollouts.CreateRollout(ctx, &pb.CreateRolloutRequest{RequestId: newID(), Draft: d.Name, When: &pb.When{BusinessDay: "2026-10-22"},
		Waves: []*pb.Wave{{Sites: []string{tannery, cooper}}, {All: true}}})
	if err != nil {
		return err
	}
	s.clock.to(time.Date(2026, 10, 22, 9, 5, 0, 0, time.UTC)) // both sites have opened
	looks, err := s.lookOn(ctx, made.Rollout.Name, time.Date(2026, 10, 24, 12, 0, 0, 0, time.UTC), 6*time.Hour)
	if err != nil {
		return err
	}
	if err := s.agree(ctx); err != nil {
		return err
	}
	if s.rollout, err = s.wantState(ctx, made.Rollout.Name, pb.RolloutState_ROLLOUT_STATE_RUNNING, pb.WaveAdvice_WAVE_ADVICE_GO_ON); err != nil {
		return err
	}
	s.say("   Ada drafts it again with a pour from 55 mm, Ben and Fay approve it, and edition %d goes to the same two sites.\n   Two days and %d looks on the test says: %q.", s.rollout.Edition, looks, brief(s.rollout.Report.Text))
	return nil
}
