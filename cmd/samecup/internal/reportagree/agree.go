// Package reportagree reads the file of samecup agree and words the answer.
package reportagree

import (
	"io"
	"math"

	"samecup.example/samecup/cmd/samecup/internal/reportround"
	"samecup.example/samecup/cmd/samecup/internal/reportskip"
	"samecup.example/samecup/cmd/samecup/internal/table"
	"samecup.example/samecup/internal/stat"
)

// Question holds the flags of samecup agree.
type Question struct {
	Auditor, Self, Pair string
	Limit               float64
}

// Report is the answer, with the values left out.
type Report struct {
	Skipped []table.Skipped `json:"skipped,omitempty"`
	Result  stat.Agreement  `json:"agreement"`
}

// Build reads the file at path ("-" for stdin) and answers.
func Build(path string, stdin io.Reader, q Question) (*Report, error) {
	columns := []string{q.Auditor, q.Self}
	if q.Pair != "" {
		columns = append(columns, q.Pair)
	}
	t, err := table.Open(path, stdin, columns...)
	if err != nil {
		return nil, err
	}
	_, skipA, err := t.Floats(q.Auditor)
	if err != nil {
		return nil, err
	}
	_, skipS, err := t.Floats(q.Self)
	if err != nil {
		return nil, err
	}
	r := &Report{Skipped: append(skipA, skipS...)}
	t = t.Without(skipA, skipS)
	a, _, err := t.Floats(q.Auditor)
	if err != nil {
		return nil, err
	}
	s, _, err := t.Floats(q.Self)
	if err != nil {
		return nil, err
	}
	var pair []string
	if q.Pair != "" {
		if pair, err = reportskip.Labels(t, q.Pair); err != nil {
			return nil, err
		}
	}
	r.Result, err = stat.Agree(a, s, pair, q.Limit)
	return r, err
}

// String writes the answer in words, to as many decimals as the spread of the
// differences carries; the JSON form keeps every digit.
func (r *Report) String() string {
	a := r.Result
	d := reportround.Decimals(a.SD)
	a.Bias, a.SD, a.BiasSE, a.LimitSE = reportround.To(a.Bias, d), reportround.To(a.SD, d), reportround.To(a.BiasSE, d+1), reportround.To(a.LimitSE, d+1)
	for _, b := range []*stat.Bounds{&a.BiasCI, &a.Limits, &a.LowerCI, &a.UpperCI} {
		b.Lower, b.Upper = reportround.To(b.Lower, d), reportround.To(b.Upper, d)
	}
	for _, v := range []*float64{&a.Between, &a.Within} { // variances, told as deviations
		sd := reportround.To(math.Sqrt(*v), d)
		*v = sd * sd
	}
	if s := a.Slope; s != nil {
		d := reportround.Decimals(s.Upper - s.Lower)
		a.Slope = &stat.Index{Value: reportround.To(s.Value, d), Bounds: stat.Bounds{Lower: reportround.To(s.Lower, d), Upper: reportround.To(s.Upper, d)}}
	}
	return a.String() + reportskip.Words(r.Skipped)
}
