package rollup

import (
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// Kinds of finding, as in docs/build-log.md, that bear on a reading.
const (
	kindBelow      = "below_tolerance"
	kindAbove      = "above_tolerance"
	kindImpossible = "impossible_value"
	kindUnit       = "wrong_unit"
	kindDuplicate  = "duplicate_reading"
	kindUnknown    = "unknown_reading"
	kindServing    = "serving_unknown"
)

// Unreadable is counted among the findings where a stored record, its verdict
// or a reading cannot be read. The intake lets none in; but were there one, it
// must not keep all others out of the roll-ups.
const Unreadable = "unreadable_record"

// AddBuild counts one build as the centre judged it. record holds a marshalled
// pb.BuildRecord, verdict a marshalled pb.Verdict or nothing where there is
// nothing to say beyond the grade, a pb.Grade; 0 awaits its release.
//
// A reading enters its check's figures where the verdict takes it for one of
// that check: not where it is physically impossible, in another unit, given
// twice, or of a check that the serving does not have. A reading out of
// tolerance does enter; leaving it out would hide the spread.
func (g *Group) AddBuild(grade int32, disputed bool, verdict, record []byte) {
	g.Builds++
	if disputed {
		g.Disputed++
	}
	switch pb.Grade(grade) {
	case pb.Grade_GRADE_UNSPECIFIED:
		g.Awaiting++
		return
	case pb.Grade_GRADE_IN_SPEC:
		g.InSpec++
	case pb.Grade_GRADE_OFF_SPEC:
		g.OffSpec++
	case pb.Grade_GRADE_UNKNOWN:
		g.Unknown++
	case pb.Grade_GRADE_UNSAFE:
		g.Unsafe++
	default:
		g.Found(Unreadable, 1)
		g.Unknown++
	}
	var v pb.Verdict
	readings, err := readings(record)
	if err != nil || proto.Unmarshal(verdict, &v) != nil {
		g.Found(Unreadable, 1)
		return
	}
	for _, f := range v.Findings {
		g.Found(f.Kind, 1)
		switch f.Kind {
		case kindBelow:
			g.Check(f.Check).Low++
		case kindAbove:
			g.Check(f.Check).High++
		}
	}
	for i := range readings {
		r := &readings[i]
		if spoiled(v.Findings, r) {
			continue
		}
		if err := g.Check(r.check).Add(r.value, r.step()); err != nil {
			g.Found(Unreadable, 1)
		}
	}
}

// spoiled tells whether a reading says nothing about its check.
func spoiled(findings []*pb.Finding, r *reading) bool {
	for _, f := range findings {
		switch f.Kind {
		case kindImpossible, kindUnit, kindDuplicate, kindUnknown:
			if f.Check == r.check && max(f.Occurrence, 1) == max(r.occurrence, 1) {
				return true
			}
		case kindServing:
			return true
		}
	}
	return false
}

// step is the instrument's, or the coarsest that can judge the measure where
// none is stated and the check bears the measure's name.
func (r *reading) step() int64 {
	if r.resolution > 0 {
		return r.resolution
	}
	if m := drink.MeasureByCode(r.check); m != nil {
		return int64(m.Resolution)
	}
	return 0
}
