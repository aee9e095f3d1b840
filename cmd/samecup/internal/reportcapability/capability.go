// Package reportcapability reads the file of samecup capability and words the
// answer.
package reportcapability

import (
	"io"

	"samecup.example/samecup/cmd/samecup/internal/reportskip"
	"samecup.example/samecup/cmd/samecup/internal/table"
	"samecup.example/samecup/internal/stat"
)

// Question holds the flags of samecup capability.
type Question struct {
	stat.CapabilityOptions
	Value, Group string
}

// Report is the answer, with the values left out.
type Report struct {
	Skipped []table.Skipped       `json:"skipped,omitempty"`
	Result  stat.CapabilityResult `json:"capability"`
}

// Build reads the file at path ("-" for stdin) and answers.
func Build(path string, stdin io.Reader, q Question) (*Report, error) {
	columns := []string{q.Value}
	if q.Group != "" {
		columns = append(columns, q.Group)
	}
	t, err := table.Open(path, stdin, columns...)
	if err != nil {
		return nil, err
	}
	r := &Report{}
	x, skipped, err := t.Floats(q.Value)
	if err != nil {
		return nil, err
	}
	if r.Skipped = skipped; len(skipped) > 0 {
		t = t.Without(skipped)
		if x, _, err = t.Floats(q.Value); err != nil {
			return nil, err
		}
	}
	var groups []string
	if q.Group != "" {
		if groups, err = reportskip.Labels(t, q.Group); err != nil {
			return nil, err
		}
	}
	r.Result, err = stat.Capability(x, groups, q.CapabilityOptions)
	return r, err
}

// String writes the answer in words.
func (r *Report) String() string { return r.Result.String() + reportskip.Words(r.Skipped) }
