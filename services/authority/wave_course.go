package authority

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/stat"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

// The course of a rollout's test stands in a table of its own and not in the
// record. The record holds acts, each decided once, chained by hash and kept for
// good; a look at the counts is a measurement, taken every few seconds, that
// decides nothing unless its advice changes, and that change is an act. The
// counts can be had again from the builds, and the course may be thinned out,
// which a record must never be.

// mostWavePoints bounds a course; see Rollout.course.
const mostWavePoints = 500

func wavePoint(r stat.WaveReport, openWaves int, at time.Time) store.WavePoint {
	side := func(c stat.RateComparison) store.WaveComparison {
		return store.WaveComparison{Builds: c.ReferenceBuilds, Deviations: c.ReferenceDeviations, LogLikelihoodRatio: c.LogLikelihoodRatio, Advice: string(c.Advice)}
	}
	own := r.OwnPast
	return store.WavePoint{At: at.UTC().Truncate(time.Microsecond), OpenWaves: openWaves, Advice: string(r.Advice), Builds: own.WaveBuilds, Deviations: own.WaveDeviations,
		LowerBound: own.LowerBound, UpperBound: own.UpperBound, OwnPast: side(own), OtherSites: side(r.OtherSites)}
}

// sayTheSame tells looks apart that nothing but time lies between.
func sayTheSame(a, b store.WavePoint) bool {
	a.At = b.At
	return a == b
}

// turns tells whether a look must stay: a wave opened or an advice changed since
// the one before.
func turns(before, p store.WavePoint) bool {
	return p.OpenWaves != before.OpenWaves || p.Advice != before.Advice ||
		p.OwnPast.Advice != before.OwnPast.Advice || p.OtherSites.Advice != before.OtherSites.Advice
}

// thinCourse takes looks out until at most most are left: each time the one
// whose neighbours lie closest together in builds, so that those left stay evenly
// spread. The first, the last and those that turn stay; should turns alone be too
// many, they go in the same way.
func thinCourse(course []store.WavePoint, most int) (kept []store.WavePoint, dropped []time.Time) {
	kept = slices.Clone(course)
	for len(kept) > max(most, 2) {
		best, bestTurns, bestGap := 0, true, 0.0
		for i := 1; i < len(kept)-1; i++ {
			stays := turns(kept[i-1], kept[i])
			gap := float64(kept[i+1].Builds) - float64(kept[i-1].Builds)
			if best == 0 || bestTurns && !stays || bestTurns == stays && gap < bestGap {
				best, bestTurns, bestGap = i, stays, gap
			}
		}
		dropped = append(dropped, kept[best].At)
		kept = slices.Delete(kept, best, best+1)
	}
	return kept, dropped
}

// recordWave adds a look to a rollout's course where it says something new.
func (s *Service) recordWave(ctx context.Context, edition uint64, p store.WavePoint) error {
	course, ok := s.office.waves.course[edition]
	if !ok {
		var err error
		if course, err = s.store.Course(ctx, edition); err != nil {
			return err
		}
	}
	if n := len(course); n > 0 && (sayTheSame(course[n-1], p) || !p.At.After(course[n-1].At)) {
		return nil
	}
	course, dropped := thinCourse(append(slices.Clip(course), p), mostWavePoints)
	if err := s.store.SaveWavePoint(ctx, edition, p, dropped); err != nil {
		return err
	}
	// One rollout is on its way at a time.
	s.office.waves.course = map[uint64][]store.WavePoint{edition: course}
	return nil
}

func courseToProto(course []store.WavePoint) []*pb.WavePoint {
	out := make([]*pb.WavePoint, len(course))
	for i, p := range course {
		side := func(c store.WaveComparison) *pb.RateComparison {
			return &pb.RateComparison{WaveBuilds: p.Builds, WaveDeviations: p.Deviations, ReferenceBuilds: c.Builds, ReferenceDeviations: c.Deviations,
				LogLikelihoodRatio: c.LogLikelihoodRatio, LowerBound: p.LowerBound, UpperBound: p.UpperBound, Advice: advices[stat.Advice(c.Advice)]}
		}
		out[i] = &pb.WavePoint{LookTime: timestamppb.New(p.At), OpenWaves: int32(p.OpenWaves), Advice: advices[stat.Advice(p.Advice)], //nolint:gosec // at most maxWaves
			OwnPast: side(p.OwnPast), OtherSites: side(p.OtherSites)}
	}
	return out
}
