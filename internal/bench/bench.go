// Package bench answers one question: how do the parts that must be fast
// compare with what one would otherwise use?
//
// Each bench runs ours and its peer in interleaved rounds of one process and
// reports medians, since machines are noisy and a ratio of two figures taken
// side by side outlives a figure.
package bench

import (
	"context"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"
)

// Row is one comparison.
type Row struct {
	Name string `json:"name"`
	// Unit of Ours and Peer, medians both.
	Unit     string  `json:"unit"`
	Ours     float64 `json:"ours"`
	Peer     float64 `json:"peer"`
	PeerName string  `json:"peer_name"`
	// Ratio is how many times better ours is: peer/ours where less is better,
	// ours/peer where more is. Goal is the least ratio asked for, 0 where none is.
	Ratio float64 `json:"ratio"`
	Goal  float64 `json:"goal"`
	// HigherIsBetter is about Ours and Peer.
	HigherIsBetter bool `json:"higher_is_better"`
}

// Met reports whether the goal is reached.
func (r Row) Met() bool { return r.Ratio >= r.Goal }

// Options say how long to measure. The zero value means the defaults.
type Options struct {
	// Rounds is how many rounds the medians are taken over; 9 if zero.
	Rounds int
	// RoundTime is how long each side runs in a round; 50 ms if zero.
	RoundTime time.Duration
	// Dir is where a bench may put its data; a temporary folder if empty.
	Dir string
	// Progress gets a line now and then; nil for none.
	Progress io.Writer
}

func (o Options) withDefaults() Options {
	if o.Rounds <= 0 {
		o.Rounds = 9
	}
	if o.RoundTime <= 0 {
		o.RoundTime = 50 * time.Millisecond
	}
	if o.Progress == nil {
		o.Progress = io.Discard
	}
	return o
}

// Bench is a named measurement.
type Bench struct {
	Name string
	Run  func(ctx context.Context, o Options) ([]Row, error)
}

// Run runs the bench of that name, or every one in order for "all".
func Run(ctx context.Context, benches []Bench, name string, o Options) ([]Row, error) {
	o = o.withDefaults()
	var rows []Row
	var names []string
	for _, b := range benches {
		names = append(names, b.Name)
		if name != "all" && name != b.Name {
			continue
		}
		fmt.Fprintf(o.Progress, "bench %s …\n", b.Name)
		got, err := b.Run(ctx, o)
		if err != nil {
			return nil, fmt.Errorf("bench %s: %w", b.Name, err)
		}
		rows = append(rows, got...)
	}
	if rows == nil {
		return nil, fmt.Errorf("bench %q is not known; allowed are all, %v", name, names)
	}
	return rows, nil
}

// WriteTable writes rows for people.
func WriteTable(w io.Writer, rows []Row) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "bench\tours\tpeer\t\tpeer is\tratio\tgoal\tmet")
	for _, r := range rows {
		goal, met := fmt.Sprintf("%.3g", r.Goal), "no"
		switch {
		case r.Goal == 0:
			goal, met = "-", "-"
		case r.Met():
			met = "yes"
		}
		fmt.Fprintf(t, "%s\t%.4g\t%.4g\t%s\t%s\t%.3g\t%s\t%s\n", r.Name, r.Ours, r.Peer, r.Unit, r.PeerName, r.Ratio, goal, met)
	}
	if err := t.Flush(); err != nil {
		return fmt.Errorf("writing the table of benches: %w", err)
	}
	return nil
}

// interleave runs each side in turn for o.RoundTime, round after round, and
// returns the median time of one operation of each, ns. A side does its
// operation n times.
func interleave(ctx context.Context, o Options, sides ...func(n int)) ([]float64, error) {
	o = o.withDefaults()
	times := make([][]float64, len(sides))
	counts := make([]int, len(sides))
	for i, side := range sides {
		counts[i] = calibrate(side, o.RoundTime)
	}
	for round := range o.Rounds {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		for i, side := range sides {
			start := time.Now()
			side(counts[i])
			times[i] = append(times[i], float64(time.Since(start).Nanoseconds())/float64(counts[i]))
		}
		fmt.Fprintf(o.Progress, "  round %d of %d\n", round+1, o.Rounds)
	}
	medians := make([]float64, len(sides))
	for i := range times {
		medians[i] = Median(times[i])
	}
	return medians, nil
}

// calibrate finds how often a side can run in about the given time.
func calibrate(side func(n int), d time.Duration) int {
	for n := 1; ; n *= 2 {
		start := time.Now()
		side(n)
		if took := time.Since(start); took >= d/8 {
			return max(1, int(float64(n)*float64(d)/float64(took)))
		}
	}
}

// Median of a sample that is not empty; it is sorted in place.
func Median(sample []float64) float64 {
	slices.Sort(sample)
	n := len(sample)
	return (sample[(n-1)/2] + sample[n/2]) / 2
}
