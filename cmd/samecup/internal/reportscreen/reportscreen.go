// Package reportscreen answers: is there something to ask about this log? It
// reads the columns, runs the screens that they allow by station, and tells
// the questions in words. It gives no verdict.
package reportscreen

import (
	"fmt"
	"math"
	"sort"
	"time"

	"samecup.example/samecup/cmd/samecup/internal/table"
	"samecup.example/samecup/internal/stat"
)

// Options are the flags of the command; a screen whose flags are not given is
// not run.
type Options struct {
	Value, By         string
	Resolution        float64
	Measured, Entered string // columns of RFC 3339 times of the device's clock
	Shot              string // column of shot seconds, with Measured as start
	Low, High         float64
	HasLow, HasHigh   bool
	AuditedSD         float64
	AuditedDF         int
	AuditedRate       float64 // share of builds that fail in audits
	Hours             string  // column of hours since the last adjustment
	AuditedDrift      float64 // least drift that audits saw, units an hour
	Open, Close       string  // times of day of the site
	ProbeResponse     time.Duration
	Also              []string
	AlsoResolution    float64
	FalseShare        float64
}

// Report is what the command prints.
type Report struct {
	N          int                   `json:"n"`
	FalseShare float64               `json:"falseShare"`
	Stations   []stat.StationScreens `json:"stations"`
	Questions  []stat.Question       `json:"questions"`
	Skipped    []table.Skipped       `json:"skipped,omitempty"`
}

// Columns lists the columns that the options need.
func (o Options) Columns() []string {
	cols := []string{o.Value, o.By}
	for _, c := range append([]string{o.Measured, o.Entered, o.Shot, o.Hours}, o.Also...) {
		if c != "" {
			cols = append(cols, c)
		}
	}
	return cols
}

// log is what one station wrote.
type log struct {
	values, shots     []float64
	hours             []float64
	builds            [][]float64
	measured, entered []time.Time
}

// Make screens a table read with Columns. Rows without a number are left out
// and listed; a bad time is an error, for a guess would accuse or excuse.
func Make(t *table.Table, o Options) (Report, error) {
	if err := o.check(); err != nil {
		return Report{}, err
	}
	numbers := append([]string{o.Value}, o.Also...)
	for _, c := range []string{o.Shot, o.Hours} {
		if c != "" {
			numbers = append(numbers, c)
		}
	}
	r := Report{FalseShare: o.FalseShare}
	for _, c := range numbers {
		_, skipped, err := t.Floats(c)
		if err != nil {
			return Report{}, err
		}
		r.Skipped = append(r.Skipped, skipped...)
	}
	t = t.Without(r.Skipped)
	logs, err := split(t, o)
	if err != nil {
		return Report{}, err
	}
	r.N = len(t.Rows)
	names := make([]string, 0, len(logs))
	for name := range logs {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		screens, err := logs[name].screens(o)
		if err != nil {
			return Report{}, fmt.Errorf("%s: %w", name, err)
		}
		r.Stations = append(r.Stations, stat.StationScreens{Station: name, Screens: screens})
	}
	r.Questions, err = stat.Questions(r.Stations, o.FalseShare)
	return r, err
}

func split(t *table.Table, o Options) (map[string]*log, error) {
	by, err := t.Strings(o.By)
	if err != nil {
		return nil, err
	}
	columns := make([][]float64, 0, len(o.Also)+2)
	for _, c := range append([]string{o.Value}, o.Also...) {
		v, _, err := t.Floats(c)
		if err != nil {
			return nil, err
		}
		columns = append(columns, v)
	}
	var shots []float64
	if o.Shot != "" {
		if shots, _, err = t.Floats(o.Shot); err != nil {
			return nil, err
		}
	}
	var hours []float64
	if o.Hours != "" {
		if hours, _, err = t.Floats(o.Hours); err != nil {
			return nil, err
		}
	}
	measured, err := times(t, o.Measured)
	if err != nil {
		return nil, err
	}
	entered, err := times(t, o.Entered)
	if err != nil {
		return nil, err
	}
	logs := map[string]*log{}
	for i, name := range by {
		l := logs[name]
		if l == nil {
			l = &log{}
			logs[name] = l
		}
		l.values = append(l.values, columns[0][i])
		build := make([]float64, len(columns))
		for j, c := range columns {
			build[j] = c[i]
		}
		l.builds = append(l.builds, build)
		if shots != nil {
			l.shots = append(l.shots, shots[i])
		}
		if hours != nil {
			l.hours = append(l.hours, hours[i])
		}
		if measured != nil {
			l.measured = append(l.measured, measured[i])
		}
		if entered != nil {
			l.entered = append(l.entered, entered[i])
		}
	}
	return logs, nil
}

func times(t *table.Table, col string) ([]time.Time, error) {
	if col == "" {
		return nil, nil
	}
	text, err := t.Strings(col)
	if err != nil {
		return nil, err
	}
	out := make([]time.Time, len(text))
	for i, s := range text {
		if out[i], err = time.Parse(time.RFC3339, s); err != nil {
			return nil, fmt.Errorf("line %d, column %q: %q is not a time such as 2026-03-02T07:15:00Z", t.Line(i), col, s)
		}
	}
	return out, nil
}

func (l *log) screens(o Options) ([]stat.Screen, error) {
	var out []stat.Screen
	var failed error
	add := func(s stat.Screen, err error) {
		if err != nil && failed == nil {
			failed = err
		}
		out = append(out, s)
	}
	if o.Resolution > 0 {
		add(stat.LastDigitScreen(l.values, o.Resolution))
		add(stat.HeapingScreen(l.values, o.Resolution))
		add(stat.RunsScreen(l.values, o.Resolution, o.AuditedSD))
		for _, e := range []struct {
			has   bool
			limit float64
			upper bool
		}{{o.HasLow, o.Low, false}, {o.HasHigh, o.High, true}} {
			if e.has {
				add(stat.EdgeScreen(l.values, e.limit, l.width(o.Resolution), o.Resolution, e.upper))
			}
		}
		if len(o.Also) > 0 {
			steps := []float64{o.Resolution}
			for range o.Also {
				steps = append(steps, o.AlsoResolution)
			}
			add(stat.DuplicatesScreen(l.builds, steps))
		}
	}
	if o.AuditedSD > 0 {
		add(stat.VarianceScreen(l.values, o.AuditedSD, o.AuditedDF))
	}
	if o.AuditedRate > 0 && (o.HasLow || o.HasHigh) {
		fails := 0
		for _, v := range l.values {
			if o.HasLow && v < o.Low || o.HasHigh && v > o.High {
				fails++
			}
		}
		add(stat.NoFailuresScreen(len(l.values), fails, o.AuditedRate))
	}
	if l.hours != nil {
		add(stat.NoDriftScreen(l.values, l.hours, o.AuditedDrift))
	}
	if l.entered != nil {
		m, e := l.inOrder(l.entered)
		add(stat.BatchScreen(m, e))
		if o.Open != "" {
			opens, _ := timeOfDay("--open", o.Open) // checked with the options
			closes, _ := timeOfDay("--close", o.Close)
			add(stat.ClosedScreen(e, opens, closes, openGrace))
		}
	}
	if o.ProbeResponse > 0 {
		m, _ := l.inOrder(l.measured)
		add(stat.ProbeScreen(m, o.ProbeResponse))
	}
	if l.shots != nil {
		shots := make([]stat.Shot, len(l.shots))
		for i, s := range l.shots {
			shots[i] = stat.Shot{Start: l.measured[i], Duration: time.Duration(s * float64(time.Second))}
		}
		sort.SliceStable(shots, func(i, j int) bool { return shots[i].Start.Before(shots[j].Start) })
		add(stat.TimingScreen(shots, time.Second))
	}
	return out, failed
}

// width of the windows beside a limit: one SD, and four steps at least.
func (l *log) width(resolution float64) float64 {
	var r stat.Rollup
	for _, v := range l.values {
		_ = r.Add(v, 0) // only finite values are read
	}
	sd, _ := r.SD()
	return resolution * math.Round(math.Max(4, sd/resolution))
}

// inOrder returns the times measured and those given in the order of the latter.
func (l *log) inOrder(entered []time.Time) (m, e []time.Time) {
	order := make([]int, len(entered))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(i, j int) bool { return entered[order[i]].Before(entered[order[j]]) })
	for _, i := range order {
		m, e = append(m, l.measured[i]), append(e, entered[i])
	}
	return m, e
}
