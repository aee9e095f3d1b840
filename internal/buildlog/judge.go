package buildlog

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

// Tally counts what judging a log came to.
type Tally struct {
	// Builds were judged, Faulty of them have findings, BadLines are no builds.
	Builds, Faulty, BadLines int
}

// judgement is the outcome of one line as JSON.
type judgement struct {
	Line     int       `json:"line"`
	Build    string    `json:"build"`
	Serving  string    `json:"serving"`
	Grade    string    `json:"grade"`
	Findings []finding `json:"findings"`
}

type finding struct {
	Kind        string `json:"kind"`
	Criticality string `json:"criticality"`
	Measure     string `json:"measure,omitempty"`
	Check       string `json:"check,omitempty"`
	Occurrence  int    `json:"occurrence,omitempty"`
	Step        string `json:"step,omitempty"`
	Expected    string `json:"expected,omitempty"`
	Actual      string `json:"actual,omitempty"`
	By          string `json:"by,omitempty"`
	Text        string `json:"text"`
}

type badLine struct {
	Line    int    `json:"line"`
	Error   string `json:"error"`
	Field   string `json:"field"`
	Value   string `json:"value"`
	Allowed string `json:"allowed"`
}

// Judge reads builds from in, judges each by its serving in the set, and
// writes one JSON object a line to out: a verdict, or what is wrong with the
// line. now is the time at which the builds count as logged. The error is only
// ever about reading or writing.
func Judge(in io.Reader, set *verdict.Set, now time.Time, out io.Writer) (Tally, error) {
	var (
		tally Tally
		b     drink.Build
		v     verdict.Verdict
	)
	r := NewReader(in)
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	for {
		err := r.Next(&b)
		if err == io.EOF {
			return tally, nil
		}
		var line any
		if bad, ok := errors.AsType[*LineError](err); ok {
			tally.BadLines++
			line = badLine{Line: bad.Line, Error: bad.Error(), Field: bad.Field, Value: bad.Value, Allowed: bad.Allowed}
		} else if err != nil {
			return tally, err
		} else {
			set.Judge(&b, now, &v)
			tally.Builds++
			if len(v.Findings) > 0 {
				tally.Faulty++
			}
			line = judged(r.Line(), &b, &v)
		}
		if err := enc.Encode(line); err != nil {
			return tally, fmt.Errorf("writing the verdict on line %d: %w", r.Line(), err)
		}
	}
}

func judged(line int, b *drink.Build, v *verdict.Verdict) judgement {
	j := judgement{Line: line, Build: b.ID, Serving: b.Serving, Grade: v.Grade.String(), Findings: make([]finding, len(v.Findings))}
	for i, f := range v.Findings {
		j.Findings[i] = finding{
			Kind: f.Kind.String(), Criticality: f.Criticality.String(), Measure: f.Measure, Check: f.Check,
			Occurrence: f.Occurrence, Step: f.Step, Expected: f.ExpectedText(), Actual: f.ActualText(), By: f.ByText(), Text: f.String(),
		}
	}
	return j
}
