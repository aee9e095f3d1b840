package wire

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// Bounds on a logged build; anything beyond is not a log of one drink.
const (
	MaxReadings = 256
	MaxSteps    = 256
	MaxList     = 64
	MaxText     = 200
)

// BuildToProto writes a build.
func BuildToProto(b *drink.Build) *pb.Build {
	return &pb.Build{
		Id:           b.ID,
		Serving:      b.Serving,
		Release:      b.Release,
		Site:         b.Site,
		Station:      b.Station,
		StartedTime:  stamp(b.StartedAt),
		FinishedTime: stamp(b.FinishedAt),
		Vessel:       b.Vessel,
		Milk:         b.Milk,
		Shots:        int32(b.Shots),
		Garnish:      b.Garnish,
		Sampled:      b.Sampled,
		Readings: mapSlice(b.Readings, func(r *drink.Reading) *pb.Reading {
			return &pb.Reading{
				Check: r.Check, Occurrence: int32(r.Occurrence),
				ValueMilli: int64(r.Value), Unit: string(r.Unit),
				ResolutionMilli: int64(r.Resolution), Instrument: r.Instrument,
				MeasuredTime: stamp(r.MeasuredAt), EnteredTime: stamp(r.EnteredAt), ReceivedTime: stamp(r.ReceivedAt),
			}
		}),
		Steps: mapSlice(b.Steps, func(s *drink.StepLog) *pb.StepLog {
			return &pb.StepLog{Step: s.Step, At: durationpb.New(s.At)}
		}),
		Substitutions: mapSlice(b.Substitutions, substitutionToProto),
		By:            b.By,
		How:           b.How,
		StopList:      b.StopList,
		Lots:          b.Lots,
		Corrects:      b.Corrects,
	}
}

// BuildFromProto reads a build into b, reusing its slices. The error is a
// *FieldError; b must not be used then.
func BuildFromProto(m *pb.Build, b *drink.Build) error {
	if m == nil {
		return bad("build", "", "write a build")
	}
	for _, f := range [...]struct{ name, value string }{
		{"id", m.Id}, {"serving", m.Serving}, {"site", m.Site}, {"station", m.Station},
		{"vessel", m.Vessel}, {"milk", m.Milk}, {"by", m.By}, {"how", m.How}, {"corrects", m.Corrects},
	} {
		if err := text(f.name, f.value, MaxText); err != nil {
			return err
		}
	}
	started, err := moment("started_time", m.StartedTime)
	if err != nil {
		return err
	}
	finished, err := moment("finished_time", m.FinishedTime)
	if err != nil {
		return err
	}
	if m.Shots < 0 || m.Shots > MaxList {
		return bad("shots", m.Shots, fmt.Sprintf("write a count from 0 to %d", MaxList))
	}
	if n := len(m.Garnish); n > MaxList {
		return bad("garnish", n, fmt.Sprintf("list at most %d", MaxList))
	}
	for i, g := range m.Garnish {
		if err := text(fmt.Sprintf("garnish[%d]", i), g, MaxText); err != nil {
			return err
		}
	}
	if n := len(m.Lots); n > MaxList {
		return bad("lots", n, fmt.Sprintf("list at most %d", MaxList))
	}
	for i, l := range m.Lots {
		if err := text(fmt.Sprintf("lots[%d]", i), l, MaxText); err != nil {
			return err
		}
	}
	*b = drink.Build{
		ID: m.Id, Serving: m.Serving, Release: m.Release, Site: m.Site, Station: m.Station,
		StartedAt: started, FinishedAt: finished, Vessel: m.Vessel, Milk: m.Milk, Shots: int(m.Shots),
		Garnish: m.Garnish, Sampled: m.Sampled, By: m.By, How: m.How,
		StopList: m.StopList, Lots: m.Lots, Corrects: m.Corrects,
		Readings: b.Readings[:0], Steps: b.Steps[:0], Substitutions: b.Substitutions[:0],
	}
	if err := readingsFrom(m.Readings, b); err != nil {
		return err
	}
	return stepsFrom(m, b)
}

func readingsFrom(in []*pb.Reading, b *drink.Build) error {
	if len(in) > MaxReadings {
		return bad("readings", len(in), fmt.Sprintf("list at most %d", MaxReadings))
	}
	for i, r := range in {
		if err := readingFrom(r, b); err != nil {
			if fe, ok := err.(*FieldError); ok {
				fe.Field = fmt.Sprintf("readings[%d].%s", i, fe.Field)
			}
			return err
		}
	}
	return nil
}

func readingFrom(r *pb.Reading, b *drink.Build) error {
	if r == nil {
		return bad("check", "", "write a reading")
	}
	if err := text("check", r.Check, MaxText); err != nil {
		return err
	}
	if err := text("unit", r.Unit, MaxText); err != nil {
		return err
	}
	if err := text("instrument", r.Instrument, MaxText); err != nil {
		return err
	}
	value, err := bounded("value_milli", r.ValueMilli)
	if err != nil {
		return err
	}
	resolution, err := bounded("resolution_milli", r.ResolutionMilli)
	if err != nil {
		return err
	}
	if resolution < 0 {
		return bad("resolution_milli", r.ResolutionMilli, "write the instrument's smallest step, or 0 if not known")
	}
	occurrence := r.Occurrence
	if occurrence == 0 {
		occurrence = 1
	}
	if occurrence < 0 || occurrence > MaxReadings {
		return bad("occurrence", r.Occurrence, fmt.Sprintf("count from 1 to %d", MaxReadings))
	}
	measured, err := moment("measured_time", r.MeasuredTime)
	if err != nil {
		return err
	}
	entered, err := moment("entered_time", r.EnteredTime)
	if err != nil {
		return err
	}
	received, err := moment("received_time", r.ReceivedTime)
	if err != nil {
		return err
	}
	b.Readings = append(b.Readings, drink.Reading{
		Check: r.Check, Occurrence: int(occurrence), Value: value, Unit: drink.Unit(r.Unit),
		Resolution: resolution, Instrument: r.Instrument,
		MeasuredAt: measured, EnteredAt: entered, ReceivedAt: received,
	})
	return nil
}

// A step may be logged by a clock that was set meanwhile, so the bound is wide;
// the verdict says what is impossible.
const maxStepAt = 400 * 24 * time.Hour

func stepsFrom(m *pb.Build, b *drink.Build) error {
	if len(m.Steps) > MaxSteps {
		return bad("steps", len(m.Steps), fmt.Sprintf("list at most %d", MaxSteps))
	}
	for i, s := range m.Steps {
		field := func(name string) string { return fmt.Sprintf("steps[%d].%s", i, name) }
		if s == nil || s.At == nil {
			return bad(field("at"), "", "write the time since the build began")
		}
		if err := text(field("step"), s.Step, MaxText); err != nil {
			return err
		}
		at := s.At.AsDuration()
		if s.At.CheckValid() != nil || at < -maxStepAt || at > maxStepAt {
			return bad(field("at"), s.At.String(), "write the time since the build began, within 400 days")
		}
		b.Steps = append(b.Steps, drink.StepLog{Step: s.Step, At: at})
	}
	if len(m.Substitutions) > MaxList {
		return bad("substitutions", len(m.Substitutions), fmt.Sprintf("list at most %d", MaxList))
	}
	for i, s := range m.Substitutions {
		if err := text(fmt.Sprintf("substitutions[%d].from", i), s.GetFrom(), MaxText); err != nil {
			return err
		}
		if err := text(fmt.Sprintf("substitutions[%d].to", i), s.GetTo(), MaxText); err != nil {
			return err
		}
		b.Substitutions = append(b.Substitutions, drink.Substitution{From: s.GetFrom(), To: s.GetTo()})
	}
	return nil
}
