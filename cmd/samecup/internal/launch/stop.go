package launch

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// stopped is on every cappuccino.
const stopped, stoppedDrink = "chocolate-powder", "cappuccino"

func (s *season) stop(ctx context.Context) error {
	before, err := s.pour(ctx, tannery, stoppedDrink)
	if err != nil {
		return err
	}
	if before != pb.Grade_GRADE_IN_SPEC {
		return fmt.Errorf("a cappuccino to the letter is %v before the stop", before)
	}
	late := s.counter("north-head")
	if err := s.off(late); err != nil {
		return err
	}
	made, err := s.ben.stops.CreateStop(ctx, &pb.CreateStopRequest{RequestId: newID(), Kind: pb.StopKind_STOP_KIND_INGREDIENT, Target: stopped,
		Reason: "the supplier packed it beside hazelnuts", Instruction: "set it aside, unopened"})
	if err != nil {
		return err
	}
	name, id := made.Stop.Name, made.Stop.Stop.Id
	if int(made.Stop.OpenSites) != len(s.counters) {
		return fmt.Errorf("the stop is open at %d sites of %d", made.Stop.OpenSites, len(s.counters))
	}
	ordered := time.Now()
	if err := s.heldStop(ctx, true); err != nil {
		return err
	}
	took := time.Since(ordered)
	s.clock.forward(5 * time.Minute) // so that the next build begins after it
	during, err := s.pour(ctx, tannery, stoppedDrink)
	if err != nil {
		return err
	}
	if during != pb.Grade_GRADE_UNSAFE {
		return fmt.Errorf("a cappuccino is %v during the stop", during)
	}
	if err := s.on(ctx, late); err != nil {
		return err
	}
	if err := s.allOn(ctx); err != nil {
		return err
	}
	if err := s.heldStop(ctx, true); err != nil {
		return err
	}
	for _, k := range s.counters {
		if _, err := k.agent.AcknowledgeStop(ctx, &pb.StationServiceAcknowledgeStopRequest{Stop: id, Person: "shift lead at " + k.site, Note: "set aside"}); err != nil {
			return fmt.Errorf("acknowledge at %s: %w", k.site, err)
		}
	}
	if err := eventually(ctx, "somebody at each site saw the stop", func() (bool, error) {
		got, err := s.ben.stops.GetStop(ctx, &pb.GetStopRequest{Name: name})
		if err != nil {
			return false, err
		}
		return got.Stop.OpenSites == 0, fmt.Errorf("open at %d", got.Stop.OpenSites)
	}); err != nil {
		return err
	}
	s.say("   The new %s turns out to have been packed beside hazelnuts. Ben stops it; every station that is on has the stop within %s, and\n"+
		"   a cappuccino that was in spec a moment ago is unsafe. The station at %s was off and learns of it as it comes back.\n"+
		"   A named person at each of the %d sites says that they saw it.", stopped, took.Round(10*time.Millisecond), late.site, len(s.counters))
	return s.lift(ctx, name)
}

func (s *season) lift(ctx context.Context, name string) error {
	s.step()
	ask := func(who *desk, reason string) (*pb.LiftStopResponse, error) {
		return who.stops.LiftStop(ctx, &pb.LiftStopRequest{RequestId: newID(), Name: name, Reason: reason})
	}
	if _, err := ask(s.fay, "the lot is destroyed and another is declared"); err != nil {
		return err
	}
	_, err := ask(s.fay, "")
	if err := s.refused(err, "LIFT_NEEDS_SECOND"); err != nil {
		return fmt.Errorf("lift by Fay: she lifts it alone: %w", err)
	}
	got, err := ask(s.ben, "")
	if err != nil {
		return err
	}
	if got.Stop.State != pb.StopState_STOP_STATE_LIFTED {
		return fmt.Errorf("the stop is %v", got.Stop.State)
	}
	if err := s.heldStop(ctx, false); err != nil {
		return err
	}
	s.clock.forward(5 * time.Minute)
	if after, err := s.pour(ctx, tannery, stoppedDrink); err != nil || after != pb.Grade_GRADE_IN_SPEC {
		return errors.Join(fmt.Errorf("a cappuccino is %v after the stop", after), err)
	}
	s.say("   Fay asks for it to be lifted and may not do it alone; with Ben's word it is.")
	return nil
}

// heldStop waits until each station that is on holds the newest stop list, and
// the authority's list is as long as it should be.
func (s *season) heldStop(ctx context.Context, stands bool) error {
	at, err := s.ben.overlays.ResolveSite(ctx, &pb.ResolveSiteRequest{Site: "sites/" + tannery})
	if err != nil {
		return err
	}
	if (len(at.Stops) > 0) != stands {
		return fmt.Errorf("%d stops hold at %s", len(at.Stops), tannery)
	}
	want := uint64(1)
	if !stands {
		want = 2
	}
	return eventually(ctx, fmt.Sprintf("stop list %d is held", want), func() (bool, error) {
		for _, k := range s.counters {
			if k.agent != nil && k.agent.Status().StopList < want {
				return false, fmt.Errorf("%s holds stop list %d", k.site, k.agent.Status().StopList)
			}
		}
		return true, nil
	})
}

// pour logs a build to the letter of a drink's first serving at a site.
func (s *season) pour(ctx context.Context, site, drinkID string) (pb.Grade, error) {
	res, err := s.pourAs(ctx, site, drinkID, nil)
	return res.GetVerdict().GetGrade(), err
}

// pourAs logs one that was changed before.
func (s *season) pourAs(ctx context.Context, site, drinkID string, change func(*drink.Build)) (*pb.LogBuildResponse, error) {
	k := s.counter(site)
	if err := s.on(ctx, k); err != nil {
		return nil, err
	}
	_, payload, err := k.agent.InForce()
	if err != nil {
		return nil, err
	}
	var rel pb.Release
	if err := proto.Unmarshal(payload, &rel); err != nil {
		return nil, fmt.Errorf("read the book of %s: %w", site, err)
	}
	book, err := wire.BookFromProto(rel.Book)
	if err != nil {
		return nil, fmt.Errorf("read the book of %s: %w", site, err)
	}
	var serving *drink.Serving
	for _, v := range book.Servings() {
		if v.Drink == drinkID {
			serving = &v
			break
		}
	}
	if serving == nil {
		return nil, fmt.Errorf("the book of %s has no %s", site, drinkID)
	}
	b := verdict.Exemplar(serving)
	shift := s.clock.now().Add(-time.Minute).Sub(b.FinishedAt)
	b.ID, b.Release, b.Site, b.Station = uuid.NewString(), 0, "", ""
	b.StartedAt, b.FinishedAt = b.StartedAt.Add(shift), b.FinishedAt.Add(shift)
	for i := range b.Readings {
		b.Readings[i].MeasuredAt, b.Readings[i].EnteredAt, b.Readings[i].ReceivedAt = time.Time{}, time.Time{}, time.Time{}
	}
	if change != nil {
		change(&b)
	}
	res, err := k.agent.LogBuild(ctx, &pb.LogBuildRequest{Build: wire.BuildToProto(&b)})
	if err != nil {
		return nil, fmt.Errorf("log a %s at %s: %w", drinkID, site, err)
	}
	return res, nil
}
