package authority

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/stat"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

const (
	adoptionToken = "a"
	// fleetAge is how old the presences may be that watchers share; they are
	// looked at as often.
	fleetAge = time.Second
	// fleetPage is how many stations are read from the database at a time.
	fleetPage = 1000
)

// seenStation is a station with what it last said; nil before the first time.
type seenStation struct {
	store.StationKey
	at       time.Time
	presence *pb.Presence
}

// adoptionCache lets any number of watchers share one look at the fleet.
type adoptionCache struct {
	mu    sync.Mutex
	taken time.Time // by the process's clock
	fleet []seenStation
}

// fleet lists every station with its last presence, by site and station, no
// older than age.
func (s *Service) fleet(ctx context.Context, age time.Duration) ([]seenStation, error) {
	c := &s.office.adoption
	c.mu.Lock()
	defer c.mu.Unlock()
	if age > 0 && !c.taken.IsZero() && time.Since(c.taken) < age {
		return c.fleet, nil
	}
	began := time.Now()
	var out []seenStation
	var after store.StationKey
	for {
		rows, err := s.store.ListStations(ctx, after, fleetPage)
		if err != nil {
			return nil, err
		}
		for _, row := range rows {
			v := seenStation{StationKey: row.StationKey, at: row.SeenAt}
			body := row.Presence
			if newer, ok := s.seen.get(row.StationKey); ok {
				v.at, body = newer.SeenAt, newer.Body
			}
			if len(body) > 0 {
				v.presence = &pb.Presence{}
				if err := proto.Unmarshal(body, v.presence); err != nil {
					return nil, fmt.Errorf("read the presence of %s/%s: %w", row.Site, row.Station, err)
				}
			}
			out = append(out, v)
		}
		if len(rows) < fleetPage {
			break
		}
		after = rows[len(rows)-1].StationKey
	}
	c.taken, c.fleet = began, out
	return out, nil
}

// due is the order by which a site gets an edition, and since when the centre
// has said so.
type due struct {
	govern.Order
	sent time.Time
}

// dueSites are the sites that have, or are to have, an edition. The ledger is
// viewed by the caller.
func dueSites(st *govern.State, edition uint64) map[string]due {
	out := map[string]due{}
	opened := map[string]time.Time{}
	if r, ok := st.Rollout(edition); ok {
		for _, w := range r.Waves {
			for _, site := range w.Reached {
				opened[site] = w.Opened
			}
		}
	}
	for _, site := range st.Sites() {
		orders, _ := st.Orders(site.ID)
		for _, o := range slices.Backward(orders) {
			if o.Edition != edition {
				continue
			}
			d := due{Order: o, sent: opened[site.ID]}
			if r, ok := st.Release(o.Release); ok && r.Made.After(d.sent) {
				d.sent = r.Made
			}
			out[site.ID] = d
			break
		}
	}
	return out
}

// adoption tells how far an edition has come at each station that should have
// it, by site and station.
func adoption(sites map[string]due, fleet []seenStation) (out []*pb.Adoption, counts *pb.AdoptionCounts) {
	counts = &pb.AdoptionCounts{}
	for _, v := range fleet {
		d, ok := sites[v.Site]
		if !ok {
			continue
		}
		a := &pb.Adoption{Site: v.Site, Station: v.Station, Release: d.Release, StartTime: timestamppb.New(d.Start)}
		if !v.at.IsZero() {
			a.PresenceTime = timestamppb.New(v.at)
		}
		a.State, a.Detail = adopted(d, v)
		counts.Expected++
		switch a.State {
		case pb.AdoptionState_ADOPTION_STATE_SILENT:
			counts.Silent++
		case pb.AdoptionState_ADOPTION_STATE_STALE:
			counts.Stale++
		case pb.AdoptionState_ADOPTION_STATE_REFUSED:
			counts.Refused++
		case pb.AdoptionState_ADOPTION_STATE_USES_IT:
			counts.UsesIt++
			counts.HasIt++
		default:
			counts.HasIt++
		}
		out = append(out, a)
	}
	return out, counts
}

func adopted(d due, v seenStation) (pb.AdoptionState, string) {
	p := v.presence
	switch {
	case p == nil || v.at.Before(d.sent):
		return pb.AdoptionState_ADOPTION_STATE_SILENT, ""
	case p.Release == d.Release && slices.Contains(p.UsedReleases, d.Release):
		return pb.AdoptionState_ADOPTION_STATE_USES_IT, ""
	case p.Release == d.Release:
		return pb.AdoptionState_ADOPTION_STATE_IN_FORCE, ""
	case p.NextRelease == d.Release:
		return pb.AdoptionState_ADOPTION_STATE_HAS_IT, ""
	}
	for _, r := range slices.Backward(p.Refusals) {
		if r.Release == d.Release {
			return pb.AdoptionState_ADOPTION_STATE_REFUSED, r.Reason + ": " + r.Detail
		}
	}
	return pb.AdoptionState_ADOPTION_STATE_STALE, ""
}

// ListAdoption implements pb.RolloutServiceServer.
func (s rolloutService) ListAdoption(ctx context.Context, req *pb.ListAdoptionRequest) (*pb.ListAdoptionResponse, error) {
	var c check
	edition := c.number("name", req.Name, "rollouts")
	if err := c.err(); err != nil {
		return nil, err
	}
	size, err := pageSize(req.PageSize, 100, 1000)
	if err != nil {
		return nil, err
	}
	fleet, err := s.fleet(ctx, 0)
	if err != nil {
		return nil, err
	}
	var sites map[string]due
	s.view(func(st *govern.State) {
		if _, ok := st.Rollout(edition); !ok {
			err = noRollout(edition)
			return
		}
		sites = dueSites(st, edition)
	})
	if err != nil {
		return nil, err
	}
	all, _ := adoption(sites, fleet)
	if len(req.States) > 0 {
		all = slices.DeleteFunc(all, func(a *pb.Adoption) bool { return !slices.Contains(req.States, a.State) })
	}
	slices.SortFunc(all, func(a, b *pb.Adoption) int { return cmp.Compare(adoptionKey(a), adoptionKey(b)) })
	part, next, err := page(all, adoptionToken, req.PageToken, size, adoptionKey)
	return &pb.ListAdoptionResponse{Adoptions: part, NextPageToken: next}, err
}

func adoptionKey(a *pb.Adoption) string { return a.Site + "/" + a.Station }

// WatchRollout implements pb.RolloutServiceServer. Changes that come close
// together are sent as one.
func (s rolloutService) WatchRollout(req *pb.WatchRolloutRequest, stream grpc.ServerStreamingServer[pb.WatchRolloutResponse]) error {
	var c check
	edition := c.number("name", req.Name, "rollouts")
	if err := c.err(); err != nil {
		return err
	}
	ctx := stream.Context()
	tick := time.NewTicker(fleetAge)
	defer tick.Stop()
	var last *pb.Rollout
	for {
		changed := s.changed() // before the look, so that nothing falls between
		r, err := s.rollout(ctx, edition, fleetAge)
		if err != nil {
			return err
		}
		if last == nil || !proto.Equal(last, r) {
			if err := stream.Send(&pb.WatchRolloutResponse{Rollout: r}); err != nil {
				return err
			}
			last = r
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-changed:
		case <-tick.C:
		}
	}
}

// rollout is one as it stands, with presences no older than age.
func (s *Service) rollout(ctx context.Context, edition uint64, age time.Duration) (*pb.Rollout, error) {
	fleet, err := s.fleet(ctx, age)
	if err != nil {
		return nil, err
	}
	var out *pb.Rollout
	var members []uint64
	var sites map[string]due
	s.view(func(st *govern.State) {
		r, ok := st.Rollout(edition)
		if !ok {
			err = noRollout(edition)
			return
		}
		e, _ := st.Edition(edition)
		out = s.rolloutToProto(r, e)
		for _, n := range e.Members {
			members = append(members, n)
		}
		sites = dueSites(st, edition)
	})
	if err != nil {
		return nil, err
	}
	_, out.Adoption = adoption(sites, fleet)
	slices.Sort(members)
	for _, n := range members {
		r, err := s.store.Release(ctx, n)
		if err != nil {
			return nil, gone(err)
		}
		out.Releases = append(out.Releases, releaseInfo(r))
	}
	return out, nil
}

var rolloutStates = map[govern.RolloutState]pb.RolloutState{
	govern.RolloutRuns: pb.RolloutState_ROLLOUT_STATE_RUNNING, govern.RolloutIsHalted: pb.RolloutState_ROLLOUT_STATE_HALTED,
	govern.RolloutIsDone: pb.RolloutState_ROLLOUT_STATE_COMPLETE, govern.RolloutIsUndone: pb.RolloutState_ROLLOUT_STATE_ROLLED_BACK,
	govern.RolloutIsReplaced: pb.RolloutState_ROLLOUT_STATE_REPLACED,
}

var advices = map[stat.Advice]pb.WaveAdvice{
	stat.AdviceCannotTell: pb.WaveAdvice_WAVE_ADVICE_CANNOT_TELL_YET, stat.AdviceGoOn: pb.WaveAdvice_WAVE_ADVICE_GO_ON,
	stat.AdviceHold: pb.WaveAdvice_WAVE_ADVICE_HOLD, stat.AdviceRollBack: pb.WaveAdvice_WAVE_ADVICE_ROLL_BACK,
}

func (s *Service) rolloutToProto(r govern.Rollout, e govern.Edition) *pb.Rollout {
	out := &pb.Rollout{Name: fmt.Sprintf("rollouts/%d", r.Edition), State: rolloutStates[r.State], Etag: r.Etag(), Edition: r.Edition,
		OpenWaves: int32(r.Open), When: whenToProto(r.When), TrainingPercent: int32(r.TrainingPercent), Author: r.Author, //nolint:gosec // small
		CreateTime: timestamppb.New(r.Created), Reason: r.Reason, NeedsRebase: e.Waits,
		Test: &pb.WaveTest{FalseAlarm: r.Test.FalseAlarm, MissedHarm: r.Test.MissedHarm, HarmfulRatio: r.Test.HarmfulRatio}}
	if r.Draft != "" {
		out.Draft = "drafts/" + r.Draft
	}
	if r.Replaces != 0 {
		out.Replaces = fmt.Sprintf("rollouts/%d", r.Replaces)
	}
	if r.ReplacedBy != 0 {
		out.ReplacedBy = fmt.Sprintf("rollouts/%d", r.ReplacedBy)
	}
	for _, w := range r.Waves {
		p := &pb.Wave{Sites: w.Sites, SharePercent: int32(w.SharePercent), All: w.All, ReachedSites: w.Reached} //nolint:gosec // a share
		if !w.Opened.IsZero() {
			p.OpenTime = timestamppb.New(w.Opened)
		}
		for _, so := range w.Waiting {
			p.WaitingSites = append(p.WaitingSites, so.Site)
		}
		out.Waves = append(out.Waves, p)
	}
	if report, at, ok := s.office.waves.latest(r.Edition); ok {
		out.Report = reportToProto(report, at)
	} else if r.Report != nil {
		out.Report = reportToProto(*r.Report, r.Reported)
	}
	return out
}

func whenToProto(w govern.When) *pb.When {
	out := &pb.When{BusinessDay: w.BusinessDay}
	if w.Minute != nil {
		m := int32(*w.Minute) //nolint:gosec // a minute of the day
		out.MinuteOfDay = &m
	}
	return out
}

func reportToProto(r stat.WaveReport, at time.Time) *pb.WaveReport {
	rate := func(c stat.RateComparison) *pb.RateComparison {
		return &pb.RateComparison{WaveBuilds: c.WaveBuilds, WaveDeviations: c.WaveDeviations, ReferenceBuilds: c.ReferenceBuilds,
			ReferenceDeviations: c.ReferenceDeviations, LogLikelihoodRatio: c.LogLikelihoodRatio, LowerBound: c.LowerBound,
			UpperBound: c.UpperBound, Advice: advices[c.Advice]}
	}
	return &pb.WaveReport{Advice: advices[r.Advice], Text: r.Text, OwnPast: rate(r.OwnPast), OtherSites: rate(r.OtherSites), UpdateTime: timestamppb.New(at)}
}
