// Package reportgauge answers: how much of the spread is the measuring itself?
// It reads the columns of a gauge study and tells the result in words.
package reportgauge

import (
	"io"

	"samecup.example/samecup/cmd/samecup/internal/reportskip"
	"samecup.example/samecup/cmd/samecup/internal/table"
	"samecup.example/samecup/internal/stat"
)

// Question holds the flags of samecup gauge.
type Question struct {
	Value, Part, Operator string
	Tolerance, PoolAbove  float64
	AverageRange          bool
}

// Report is the answer, with the values left out.
type Report struct {
	Skipped []table.Skipped `json:"skipped,omitempty"`
	Result  stat.Gauge      `json:"gauge"`
}

// Build reads the file at path ("-" for stdin) and answers.
func Build(path string, stdin io.Reader, q Question) (*Report, error) {
	t, err := table.Open(path, stdin, q.Value, q.Part, q.Operator)
	if err != nil {
		return nil, err
	}
	r := &Report{}
	if _, r.Skipped, err = t.Floats(q.Value); err != nil {
		return nil, err
	}
	t = t.Without(r.Skipped)
	x, _, err := t.Floats(q.Value)
	if err != nil {
		return nil, err
	}
	parts, err := reportskip.Labels(t, q.Part)
	if err != nil {
		return nil, err
	}
	operators, err := reportskip.Labels(t, q.Operator)
	if err != nil {
		return nil, err
	}
	study := stat.GaugeANOVA
	if q.AverageRange {
		study = stat.GaugeAverageRange
	}
	r.Result, err = study(parts, operators, x, stat.GaugeOptions{PoolAbove: q.PoolAbove, Tolerance: q.Tolerance})
	return r, err
}

// String writes the answer in words.
func (r *Report) String() string { return r.Result.String() + reportskip.Words(r.Skipped) }
