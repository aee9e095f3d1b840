package launch

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func (s *season) everywhere(ctx context.Context) error {
	if err := s.allOn(ctx); err != nil {
		return err
	}
	r, err := s.flo.rollouts.AdvanceRollout(ctx, &pb.AdvanceRolloutRequest{RequestId: newID(), Name: s.rollout.Name, Etag: s.rollout.Etag,
		When: &pb.When{BusinessDay: changeDay}})
	if err != nil {
		return err
	}
	s.rollout = r.Rollout
	if s.rollout.State != pb.RolloutState_ROLLOUT_STATE_COMPLETE {
		return fmt.Errorf("the rollout is %v after its last wave opened", s.rollout.State)
	}
	edition := s.rollout.Edition
	if err := eventually(ctx, "each station holds what comes next", func() (bool, error) {
		for _, k := range s.counters {
			st := k.agent.Status()
			if k.site != oyster && st.Edition != edition && st.NextRelease == 0 {
				return false, fmt.Errorf("%s holds nothing that comes next", k.site)
			}
		}
		return true, nil
	}); err != nil {
		return err
	}
	s.busAway()
	s.say("   Flo opens the last wave: each site begins when it opens on Sunday 25 October. Every station holds edition %d by now, and\n"+
		"   then the bus goes away for the night. Each switches by itself:", edition)
	// Ordered by time: Sydney, lantern-hill, the rest of London, New York.
	for _, m := range []struct {
		at   time.Time
		zone string
		only string
		told string
	}{
		{zones[2].opens, sydney, "", "05:00 in Sydney, on summer time (18:00 UTC the day before)"},
		{lanternOpens, london, lantern, "01:30 at " + lantern + ", the first of the two that London's clocks show that night (00:30 UTC)"},
		{zones[0].opens, london, "", "05:00 in London, on winter time since four hours ago (05:00 UTC)"},
		{zones[1].opens, newYork, "", "05:00 in New York, still on summer time (09:00 UTC)"},
	} {
		if err := s.switchesAt(ctx, m.at, m.zone, m.only, edition); err != nil {
			return err
		}
		s.say("   - %s", m.told)
	}
	if err := s.busBack(); err != nil {
		return err
	}
	if err := s.agree(ctx); err != nil {
		return err
	}
	s.say("   %s alone stays behind: its overlay touches what changed, and nobody guesses which of the two should win.", oyster)
	return s.wantBehind(ctx, edition)
}

// switchesAt looks at the stations of a zone, or one of them, just before a
// moment and at it. They are restarted a second before, so that a station that
// comes up in between knows as well.
func (s *season) switchesAt(ctx context.Context, at time.Time, zone, only string, edition uint64) error {
	s.clock.to(at.Add(-time.Second))
	for _, after := range []bool{false, true} {
		if after {
			s.clock.to(at)
		}
		for _, z := range zones {
			if z.name != zone {
				continue
			}
			for i, site := range z.sites {
				k := s.counter(site)
				if site == oyster || site == tannery || site == cooper || (only != "" && site != only) || (only == "" && site == lantern) {
					continue
				}
				if !after && i%3 == 0 {
					if err := errors.Join(s.off(k), s.on(ctx, k)); err != nil {
						return err
					}
				}
				if has := k.agent.Status().Edition == edition; has != after {
					return fmt.Errorf("%s at %s: on edition %d is %t, want %t", site, s.clock.now().Format(time.RFC3339), edition, has, after)
				}
			}
		}
	}
	return nil
}

// wantBehind wants the overlay to need rebasing, and its site to stay.
func (s *season) wantBehind(ctx context.Context, edition uint64) error {
	got, err := s.ada.overlays.GetOverlay(ctx, &pb.GetOverlayRequest{Name: s.overlay.Name})
	if err != nil {
		return err
	}
	s.overlay = got.Overlay
	if s.overlay.State != pb.OverlayState_OVERLAY_STATE_NEEDS_REBASE || len(s.overlay.Conflicts) == 0 {
		return fmt.Errorf("the overlay is %v with the conflicts %q", s.overlay.State, s.overlay.Conflicts)
	}
	if s.counter(oyster).agent.Status().Edition == edition {
		return fmt.Errorf("%s follows an edition that its overlay conflicts with", oyster)
	}
	return nil
}

func (s *season) rebase(ctx context.Context) error {
	o := s.overlay
	rebased, err := s.ada.overlays.RebaseOverlay(ctx, &pb.RebaseOverlayRequest{RequestId: newID(), Name: o.Name, Etag: o.Etag})
	if err != nil {
		return err
	}
	if s.overlay, err = s.approveOverlay(ctx, rebased.Overlay); err != nil {
		return err
	}
	s.step()
	if err := s.allOn(ctx); err != nil {
		return err
	}
	if err := s.agree(ctx); err != nil {
		return err
	}
	if err := s.wantEdition(ctx, s.rollout.Edition, oyster); err != nil {
		return err
	}
	at, err := s.ben.overlays.ResolveSite(ctx, &pb.ResolveSiteRequest{Site: "sites/" + oyster, Drink: "latte"})
	if err != nil {
		return err
	}
	if len(at.Origins) == 0 || at.Origins[0].Value != "58 °C" || !strings.HasPrefix(at.Origins[0].Source, "overlays/") {
		return fmt.Errorf("the first field of its latte comes from %v", at.Origins)
	}
	f := at.Origins[0]
	s.say("   Ada looks at both values and keeps 58 °C on top of edition %d; Ben approves. \"samecup resolve %s\" now says of that field:\n"+
		"   %s, from %s, in place of %s, because %s.", s.rollout.Edition, oyster, f.Value, f.Source, f.Replaced, f.Reason)
	return nil
}
