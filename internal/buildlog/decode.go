package buildlog

import (
	"fmt"
	"strconv"
	"time"
	"unicode/utf8"

	"samecup.example/samecup/internal/drink"
)

// decoder turns a line into a build.
type decoder struct {
	s scanner
	// path is the field being read, for errors.
	path []byte
	// known holds texts seen before, which repeat from line to line; nil for
	// none. It is bounded by maxKnown.
	known map[string]string
}

const maxKnown = 4096

// needed are the fields that every line must have.
const needed = 1<<fBuild | 1<<fServing | 1<<fRelease | 1<<fSite | 1<<fStation | 1<<fStarted | 1<<fFinished | 1<<fVessel | 1<<fShots

const (
	fBuild = iota
	fServing
	fRelease
	fSite
	fStation
	fStarted
	fFinished
	fVessel
	fMilk
	fShots
	fGarnish
	fSampled
	fSteps
	fReadings
	fSubstitutions
	fBy
	fHow
	fStopList
	fLots
	fCorrects
)

var (
	buildFields = []string{"build", "serving", "release", "site", "station", "started", "finished", "vessel", "milk",
		"shots", "garnish", "sampled", "steps", "readings", "substitutions", "by", "how", "stop_list", "lots", "corrects"}
	stepFields         = []string{"step", "at"}
	readingFields      = []string{"check", "n", "value", "unit", "resolution", "instrument", "measured", "entered", "received"}
	substitutionFields = []string{"from", "to"}
)

func (d *decoder) decode(line []byte, b *drink.Build) *LineError {
	*b = drink.Build{Garnish: b.Garnish[:0], Lots: b.Lots[:0], Readings: b.Readings[:0], Steps: b.Steps[:0], Substitutions: b.Substitutions[:0]}
	d.s.data, d.s.pos, d.path = line, 0, d.path[:0]
	if !utf8.Valid(line) {
		return &LineError{Field: "line", Value: "broken UTF-8", Allowed: "text in UTF-8"}
	}
	err := d.object(buildFields, needed, func(field int) *LineError { return d.buildField(field, b) })
	if err != nil {
		return err
	}
	if d.s.space(); d.s.pos < len(line) {
		return &LineError{Field: "line", Value: d.s.rest() + " behind the build", Allowed: "one build a line"}
	}
	return nil
}

func (d *decoder) buildField(field int, b *drink.Build) *LineError {
	switch field {
	case fBuild:
		return d.uuid(&b.ID)
	case fServing:
		return d.text(&b.Serving, 1)
	case fRelease:
		return d.release(&b.Release)
	case fSite:
		return d.slug(&b.Site)
	case fStation:
		return d.slug(&b.Station)
	case fStarted:
		return d.time(&b.StartedAt)
	case fFinished:
		return d.time(&b.FinishedAt)
	case fVessel:
		return d.text(&b.Vessel, 1)
	case fMilk:
		return d.text(&b.Milk, 0)
	case fShots:
		return d.count(&b.Shots, 0)
	case fGarnish:
		return d.list(MaxList, func() *LineError {
			b.Garnish = append(b.Garnish, "")
			return d.text(&b.Garnish[len(b.Garnish)-1], 1)
		})
	case fSampled:
		return d.boolean(&b.Sampled)
	case fSteps:
		return d.list(MaxSteps, func() *LineError {
			b.Steps = append(b.Steps, drink.StepLog{})
			return d.step(&b.Steps[len(b.Steps)-1])
		})
	case fReadings:
		return d.list(MaxReadings, func() *LineError {
			b.Readings = append(b.Readings, drink.Reading{Occurrence: 1})
			return d.reading(&b.Readings[len(b.Readings)-1])
		})
	case fSubstitutions:
		return d.list(MaxList, func() *LineError {
			b.Substitutions = append(b.Substitutions, drink.Substitution{})
			return d.substitution(&b.Substitutions[len(b.Substitutions)-1])
		})
	case fBy:
		return d.text(&b.By, 0)
	case fHow:
		return d.text(&b.How, 0)
	case fStopList:
		return d.release(&b.StopList)
	case fLots:
		return d.list(MaxList, func() *LineError {
			b.Lots = append(b.Lots, "")
			return d.text(&b.Lots[len(b.Lots)-1], 1)
		})
	}
	return d.uuid(&b.Corrects)
}

func (d *decoder) step(s *drink.StepLog) *LineError {
	return d.object(stepFields, 1<<0|1<<1, func(field int) *LineError {
		if field == 0 {
			return d.text(&s.Step, 1)
		}
		var at drink.Milli
		err := d.decimal(&at, 0, MaxAt*1000)
		s.At = time.Duration(at) * time.Millisecond
		return err
	})
}

func (d *decoder) reading(r *drink.Reading) *LineError {
	return d.object(readingFields, 1<<0|1<<2|1<<3, func(field int) *LineError {
		switch field {
		case 0:
			return d.text(&r.Check, 1)
		case 1:
			return d.count(&r.Occurrence, 1)
		case 2:
			return d.decimal(&r.Value, -drink.MaxMilli, drink.MaxMilli)
		case 3:
			return d.text((*string)(&r.Unit), 1)
		case 4:
			return d.decimal(&r.Resolution, 0, drink.MaxMilli)
		case 5:
			return d.text(&r.Instrument, 0)
		case 6:
			return d.time(&r.MeasuredAt)
		case 7:
			return d.time(&r.EnteredAt)
		}
		return d.time(&r.ReceivedAt)
	})
}

func (d *decoder) substitution(s *drink.Substitution) *LineError {
	return d.object(substitutionFields, 1<<0|1<<1, func(field int) *LineError {
		if field == 0 {
			return d.text(&s.From, 1)
		}
		return d.text(&s.To, 1)
	})
}

// object reads an object with the given fields, of which those marked in must
// have to be there, and none may stand twice.
func (d *decoder) object(fields []string, must uint32, value func(field int) *LineError) *LineError {
	if !d.s.take('{') {
		return d.refuse("an object in {}")
	}
	outer := len(d.path)
	var seen uint32
	for first := true; ; first = false {
		if d.s.take('}') {
			break
		}
		if !first && !d.s.take(',') {
			return d.refuse("a comma or the end of the object")
		}
		at := d.s.pos
		key, ok := d.s.str()
		if !ok {
			return d.refuse("a field's name in quotes")
		}
		field := indexOf(fields, key)
		if outer > 0 {
			d.path = append(d.path, '.')
		}
		if field < 0 {
			name := clip(key)
			if name == "" {
				name = `""`
			}
			d.path = append(d.path, name...)
			return &LineError{Field: string(d.path), Value: "an unknown field", Allowed: "only " + list(fields)}
		}
		d.path = append(d.path, fields[field]...)
		if seen&(1<<field) != 0 {
			d.s.pos = at
			return &LineError{Field: string(d.path), Value: "a second time", Allowed: "each field once"}
		}
		seen |= 1 << field
		if !d.s.take(':') {
			return d.refuse("a colon and a value")
		}
		if err := value(field); err != nil {
			return err
		}
		d.path = d.path[:outer]
	}
	for i, f := range fields {
		if must&^seen&(1<<i) != 0 {
			if outer > 0 {
				d.path = append(d.path, '.')
			}
			d.path = append(d.path, f...)
			return &LineError{Field: string(d.path), Value: "a missing field", Allowed: "it a value"}
		}
	}
	return nil
}

// list reads an array of at most most values.
func (d *decoder) list(most int, value func() *LineError) *LineError {
	if !d.s.take('[') {
		return d.refuse("a list in []")
	}
	outer := len(d.path)
	for n := 0; ; n++ {
		if d.s.take(']') {
			return nil
		}
		if n > 0 && !d.s.take(',') {
			return d.refuse("a comma or the end of the list")
		}
		if n == most {
			return &LineError{Field: string(d.path), Value: "a longer list", Allowed: fmt.Sprintf("at most %d entries", most)}
		}
		d.path = append(d.path, '[')
		d.path = strconv.AppendInt(d.path, int64(n), 10)
		d.path = append(d.path, ']')
		if err := value(); err != nil {
			return err
		}
		d.path = d.path[:outer]
	}
}

// refuse names what stands at the scanner.
func (d *decoder) refuse(allowed string) *LineError { return d.refuseValue(d.s.rest(), allowed) }

func (d *decoder) refuseValue(value, allowed string) *LineError {
	field := string(d.path)
	if field == "" {
		field = "line"
	}
	return &LineError{Field: field, Value: value, Allowed: allowed}
}

func indexOf(fields []string, key []byte) int {
	for i, f := range fields {
		if string(key) == f {
			return i
		}
	}
	return -1
}
