// Package reportvariance answers: where does the spread in this file come from?
// It reads the columns, fits variance components and tells them in words.
package reportvariance

import (
	"fmt"
	"regexp"
	"sort"
	"strings"

	"samecup.example/samecup/cmd/samecup/internal/reportskip"
	"samecup.example/samecup/cmd/samecup/internal/table"
	"samecup.example/samecup/internal/stat"
)

// Options are the flags of the command.
type Options struct {
	Value      string
	Factors    []string // "site", "station(site)"
	Fixed      []string
	ML         bool
	Quick      bool // no intervals of components
	Confidence float64
}

// Report is what the command prints.
type Report struct {
	stat.Variance
	Connections []stat.Connection `json:"connections,omitempty"`
	Skipped     []table.Skipped   `json:"skipped,omitempty"`
}

var nested = regexp.MustCompile(`^([^()]+)\(([^()]+)\)$`)

// Columns lists the columns that the options need, each once.
func (o Options) Columns() []string {
	cols := []string{o.Value}
	seen := map[string]bool{o.Value: true}
	for _, f := range append(append([]string(nil), o.Factors...), o.Fixed...) {
		for _, c := range parts(f) {
			if !seen[c] {
				seen[c] = true
				cols = append(cols, c)
			}
		}
	}
	return cols
}

func parts(factor string) []string {
	if m := nested.FindStringSubmatch(factor); m != nil {
		return []string{strings.TrimSpace(m[2]), strings.TrimSpace(m[1])}
	}
	return []string{strings.TrimSpace(factor)}
}

// Make fits the components of a table read with Columns. Rows without a value
// are left out and listed.
func Make(t *table.Table, o Options) (Report, error) {
	_, skipped, err := t.Floats(o.Value)
	if err != nil {
		return Report{}, err
	}
	t = t.Without(skipped)
	values, _, err := t.Floats(o.Value)
	if err != nil {
		return Report{}, err
	}
	read := func(specs []string) ([]stat.Factor, error) {
		var out []stat.Factor
		for _, spec := range specs {
			f, err := factor(t, spec)
			if err != nil {
				return nil, err
			}
			out = append(out, f)
		}
		return out, nil
	}
	random, err := read(o.Factors)
	if err != nil {
		return Report{}, err
	}
	fixed, err := read(o.Fixed)
	if err != nil {
		return Report{}, err
	}
	opt := stat.VarianceOptions{Fixed: fixed, Confidence: o.Confidence, PointOnly: o.Quick}
	if o.ML {
		opt.Likelihood = stat.ML
	}
	v, err := stat.VarianceComponents(values, random, opt)
	if err != nil {
		return Report{}, err
	}
	r := Report{Variance: v, Skipped: skipped}
	// Only crossed factors are compared: a nested one is told apart by its
	// outer factor's replicates.
	for i, a := range random {
		for _, b := range random[i+1:] {
			if strings.Contains(a.Name+b.Name, "(") {
				continue
			}
			c, err := stat.Connected(a, b)
			if err != nil {
				return Report{}, err
			}
			r.Connections = append(r.Connections, c)
		}
	}
	return r, nil
}

func factor(t *table.Table, spec string) (stat.Factor, error) {
	var fs []stat.Factor
	for _, c := range parts(spec) {
		levels, err := t.Strings(c)
		if err != nil {
			return stat.Factor{}, err
		}
		for i, l := range levels {
			if l == "" {
				return stat.Factor{}, fmt.Errorf("line %d, column %q is empty: fill it in, or write unknown", t.Line(i), c)
			}
		}
		fs = append(fs, stat.Factor{Name: c, Levels: levels})
	}
	if len(fs) == 1 {
		return fs[0], nil
	}
	return stat.Nest(fs[1], fs[0])
}

// shownLevels bounds the levels listed of one factor; JSON has them all.
const shownLevels = 12

// String tells the report in words.
func (r Report) String() string {
	var b strings.Builder
	b.WriteString(r.Variance.String())
	for _, c := range r.Connections {
		fmt.Fprintf(&b, "Told apart? %s.\n", c.Words)
	}
	byFactor := map[string][]stat.LevelEffect{}
	for _, e := range r.Effects {
		byFactor[e.Factor] = append(byFactor[e.Factor], e)
	}
	for _, c := range r.Components[:len(r.Components)-1] {
		list := byFactor[c.Name]
		if c.Variance == 0 || len(list) > shownLevels {
			continue
		}
		sort.SliceStable(list, func(i, j int) bool { return list[i].Effect < list[j].Effect })
		fmt.Fprintf(&b, "\n%s: effects drawn towards the mean as far as values are few; an interval of the rank, 1 the lowest, in place of a rank\n", c.Name)
		for _, e := range list {
			fmt.Fprintf(&b, "  %-28s n %6d  %+9.3g  (%+.3g to %+.3g)  rank %d to %d\n", e.Level, e.N, e.Effect, e.Low, e.High, e.RankLow, e.RankHigh)
		}
	}
	b.WriteString(reportskip.Words(r.Skipped))
	return b.String()
}
