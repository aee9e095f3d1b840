// Package reportchart answers: which control chart do the columns of a CSV
// file make, and what does it say?
package reportchart

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"samecup.example/samecup/cmd/samecup/internal/reportskip"
	"samecup.example/samecup/cmd/samecup/internal/table"
	"samecup.example/samecup/internal/stat"
)

// Kinds lists the charts with what each needs.
const Kinds = `  i        single readings and moving ranges      --value
  xbar-r   sample means and ranges                --value --group
  xbar-s   sample means and standard deviations   --value --group
  p        share of drinks with a fault           --value (count) --n (drinks)
  u        events per unit of exposure            --value (count) --n (exposure)
  c        events in equal spans                  --value (count)
  g        rare events, drinks between them       --value
  t        rare events, time between them         --value
  ewma     slow drift, weighted average           --value [--lambda --l]
  cusum    slow drift, sums                       --value [--k --h --head-start]`

var kinds = []string{"i", "xbar-r", "xbar-s", "p", "u", "c", "g", "t", "ewma", "cusum"}

// Config says which columns to chart and how. Empty columns are not used.
type Config struct {
	Kind                      string
	Value, Group, N           string
	Restart, Label, Unit      string
	Rules, Limits             string
	SetAside                  bool
	Centre, Sigma             *float64 // phase 2
	ToleranceLow, ToleranceUp *float64
	Lambda, L, K, H, Head     float64
	ARL                       float64 // wished run length: chooses L or H when above 0
}

// Report is a made chart and the rows that could not be used.
type Report struct {
	Charts  *stat.Charts    `json:"charts"`
	Skipped []table.Skipped `json:"skipped,omitempty"`

	wished float64 // run length asked for, 0 where none was
}

// Columns returns the columns that the chart reads, for table.Open.
func (c Config) Columns() ([]string, error) {
	if !slices.Contains(kinds, c.Kind) {
		return nil, fmt.Errorf("chart kind %q is unknown, allowed: %s", c.Kind, strings.Join(kinds, ", "))
	}
	if c.Value == "" {
		return nil, fmt.Errorf("no --value: name the column to chart")
	}
	grouped, sized := strings.HasPrefix(c.Kind, "xbar"), c.Kind == "p" || c.Kind == "u"
	switch {
	case grouped && c.Group == "":
		return nil, fmt.Errorf("a %s chart needs --group: the column that says which sample a reading is of", c.Kind)
	case !grouped && c.Group != "":
		return nil, fmt.Errorf("--group is for xbar-r and xbar-s: a %s chart has no samples", c.Kind)
	case sized && c.N == "":
		return nil, fmt.Errorf("a %s chart needs --n: the column with the drinks (or exposure) behind each count", c.Kind)
	case !sized && c.N != "":
		return nil, fmt.Errorf("--n is for p and u: a %s chart has no sizes", c.Kind)
	}
	var out []string
	for _, col := range []string{c.Value, c.Group, c.N, c.Restart, c.Label} {
		if col != "" {
			out = append(out, col)
		}
	}
	return out, nil
}

// Make charts the table.
func Make(t *table.Table, c Config) (*Report, error) {
	if _, err := c.Columns(); err != nil {
		return nil, err
	}
	r := &Report{wished: c.ARL}
	kept, err := usable(t, c, r)
	if err != nil {
		return nil, err
	}
	x, _, err := kept.Floats(c.Value)
	if err != nil {
		return nil, err
	}
	o, starts, err := options(kept, c)
	if err != nil {
		return nil, err
	}
	if c.Kind == "ewma" || c.Kind == "cusum" {
		r.Charts, err = drift(x, c, o)
		return r, err
	}
	if c.ARL != 0 {
		return nil, fmt.Errorf("--false-alarm-every is for ewma and cusum: on a %s chart the rules decide it, and their run length is printed", c.Kind)
	}
	var one *stat.Chart
	switch c.Kind {
	case "i":
		r.Charts, err = stat.Individuals(x, o)
	case "xbar-r":
		r.Charts, err = stat.XbarR(split(x, starts), o)
	case "xbar-s":
		r.Charts, err = stat.XbarS(split(x, starts), o)
	case "p", "u":
		var n []float64
		if n, _, err = kept.Floats(c.N); err != nil {
			return nil, err
		}
		if c.Kind == "p" {
			one, err = stat.P(x, n, o)
		} else {
			one, err = stat.U(x, n, o)
		}
	case "c":
		one, err = stat.C(x, o)
	case "g":
		one, err = stat.Between(x, o)
	case "t":
		one, err = stat.BetweenTimes(x, o)
	}
	if one != nil {
		r.Charts = &stat.Charts{Location: one}
	}
	return r, err
}

func drift(x []float64, c Config, o stat.ChartOptions) (*stat.Charts, error) {
	d := stat.DriftSettings{Lambda: c.Lambda, L: c.L, K: c.K, H: c.H, HeadStart: c.Head}
	var err error
	if c.ARL < 0 {
		return nil, fmt.Errorf("--false-alarm-every is %g, allowed: 2 to 1e8 points", c.ARL)
	}
	if c.Kind == "cusum" {
		if c.ARL > 0 {
			if d.H, err = stat.CUSUMInterval(d.K, c.ARL); err != nil {
				return nil, err
			}
		}
		return stat.CUSUMCharts(x, d, o)
	}
	if c.ARL > 0 {
		if d.L, err = stat.EWMALimit(d.Lambda, c.ARL); err != nil {
			return nil, err
		}
	}
	one, err := stat.EWMAChart(x, d, o)
	if err != nil {
		return nil, err
	}
	return &stat.Charts{Location: one}, nil
}

// usable drops rows without a usable number and remembers them.
func usable(t *table.Table, c Config, r *Report) (*table.Table, error) {
	_, skipped, err := t.Floats(c.Value)
	if err != nil {
		return nil, err
	}
	r.Skipped = skipped
	if c.N != "" {
		_, more, err := t.Floats(c.N)
		if err != nil {
			return nil, err
		}
		r.Skipped = append(r.Skipped, more...)
	}
	return carry(t, c, r.Skipped).Without(r.Skipped), nil
}

// carry moves the restart noted on a dropped row to the next row kept, since
// the grinder was adjusted whether or not that reading was written down.
func carry(t *table.Table, c Config, skipped []table.Skipped) *table.Table {
	if c.Restart == "" || len(skipped) == 0 {
		return t
	}
	at := slices.IndexFunc(t.Names, func(n string) bool { return strings.EqualFold(n, strings.TrimSpace(c.Restart)) })
	if at < 0 {
		return t
	}
	bad := map[int]bool{}
	for _, s := range skipped {
		bad[s.Row] = true
	}
	for i := range t.Rows[:len(t.Rows)-1] {
		if bad[i] && t.Rows[i][at] != "" && t.Rows[i+1][at] == "" {
			t.Rows[i+1][at] = t.Rows[i][at]
		}
	}
	return t
}

// options reads rules, limits, restarts and labels; starts are the first rows
// of the samples, or of every row without a group.
func options(t *table.Table, c Config) (stat.ChartOptions, []int, error) {
	o := stat.ChartOptions{Name: c.Value, Unit: c.Unit, SetAside: c.SetAside}
	var err error
	if o.Rules, err = stat.ParseRules(c.Rules); err != nil {
		return o, nil, err
	}
	methods := map[string]stat.LimitMethod{"auto": stat.Auto, "normal": stat.Normal, "exact": stat.Exact, "overdispersed": stat.Overdispersed}
	method, ok := methods[c.Limits]
	if !ok {
		return o, nil, fmt.Errorf("--limits is %q, allowed: auto, normal, exact, overdispersed", c.Limits)
	}
	o.Method = method
	if c.Centre != nil {
		o.Given = &stat.Given{Centre: *c.Centre}
		if c.Sigma != nil {
			o.Given.Sigma = *c.Sigma
		}
	} else if c.Sigma != nil {
		return o, nil, fmt.Errorf("--sigma stands without --centre: phase 2 needs both")
	}
	if c.ToleranceLow != nil || c.ToleranceUp != nil {
		if c.Kind != "i" {
			return o, nil, fmt.Errorf("a tolerance is for single readings: it has no place on a %s chart, use kind i", c.Kind)
		}
		o.Tolerance = &stat.Tolerance{Lower: c.ToleranceLow, Upper: c.ToleranceUp}
	}
	var starts []int
	key, err := column(t, c.Group)
	if err != nil {
		return o, nil, err
	}
	seen := map[string]bool{}
	for i := range t.Rows {
		if key != nil && i > 0 && key[i] == key[i-1] {
			continue
		}
		if key != nil && seen[key[i]] {
			return o, nil, fmt.Errorf("line %d: sample %q comes back after another: sort the file by time and sample", t.Line(i), key[i])
		}
		if key != nil {
			seen[key[i]] = true
			o.Labels = append(o.Labels, key[i])
		}
		starts = append(starts, i)
	}
	if c.Label != "" && key == nil {
		if o.Labels, err = t.Strings(c.Label); err != nil {
			return o, nil, err
		}
	}
	notes, err := column(t, c.Restart)
	if err != nil || notes == nil {
		return o, starts, err
	}
	for p, from := range starts {
		to := len(t.Rows)
		if p+1 < len(starts) {
			to = starts[p+1]
		}
		for i := from; i < to && p > 0; i++ {
			if notes[i] != "" {
				o.Restarts = append(o.Restarts, stat.Restart{At: p, Reason: notes[i]})
				break
			}
		}
	}
	return o, starts, nil
}

func column(t *table.Table, name string) ([]string, error) {
	if name == "" {
		return nil, nil
	}
	return t.Strings(name)
}

func split(x []float64, starts []int) [][]float64 {
	var out [][]float64
	for p, from := range starts {
		to := len(x)
		if p+1 < len(starts) {
			to = starts[p+1]
		}
		out = append(out, x[from:to])
	}
	return out
}

// Text writes the charts in words, then the rows left out.
func (r *Report) Text(w io.Writer) error {
	_, err := io.WriteString(w, r.words().String()+reportskip.Words(r.Skipped))
	return err
}

// JSON writes the report.
func (r *Report) JSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(r)
}
