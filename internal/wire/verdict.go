package wire

import (
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	pb "samecup.example/samecup/proto/samecup/v1"
)

var grades = map[verdict.Grade]pb.Grade{
	verdict.InSpec:  pb.Grade_GRADE_IN_SPEC,
	verdict.OffSpec: pb.Grade_GRADE_OFF_SPEC,
	verdict.Unknown: pb.Grade_GRADE_UNKNOWN,
	verdict.Unsafe:  pb.Grade_GRADE_UNSAFE,
}

// VerdictToProto writes a verdict, each finding with its sentence.
func VerdictToProto(v *verdict.Verdict) *pb.Verdict {
	return &pb.Verdict{
		Grade:    grades[v.Grade],
		Findings: mapSlice(v.Findings, findingToProto),
	}
}

func findingToProto(f *verdict.Finding) *pb.Finding {
	out := &pb.Finding{
		Kind:        f.Kind.String(),
		Criticality: pb.Criticality(f.Criticality),
		Measure:     f.Measure,
		Check:       f.Check,
		Occurrence:  int32(f.Occurrence),
		Step:        f.Step,
		Expected:    f.Expected,
		Got:         f.Got,
		Text:        f.String(),
	}
	out.LowMilli = limit(f.Low, drink.NoLow)
	out.HighMilli = limit(f.High, drink.NoHigh)
	target, actual, by := int64(f.Target), int64(f.Actual), int64(f.By)
	out.TargetMilli, out.ActualMilli, out.ByMilli = &target, &actual, &by
	return out
}

// VerdictEqual reports whether two verdicts agree in grade and in what each
// finding is about, whatever their wording.
func VerdictEqual(a, b *pb.Verdict) bool {
	if a.GetGrade() != b.GetGrade() || len(a.GetFindings()) != len(b.GetFindings()) {
		return false
	}
	for i, x := range a.GetFindings() {
		y := b.Findings[i]
		if x.Kind != y.Kind || x.Criticality != y.Criticality || x.Measure != y.Measure ||
			x.Check != y.Check || x.Occurrence != y.Occurrence || x.Step != y.Step ||
			x.Expected != y.Expected || x.Got != y.Got ||
			x.GetLowMilli() != y.GetLowMilli() || x.GetHighMilli() != y.GetHighMilli() ||
			x.GetTargetMilli() != y.GetTargetMilli() || x.GetActualMilli() != y.GetActualMilli() || x.GetByMilli() != y.GetByMilli() {
			return false
		}
	}
	return true
}
