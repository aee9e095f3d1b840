// Package consolebench answers one question: how long does a quality lead wait
// for a page of the console, and how much does it transfer, once a year of a
// large chain lies behind it?
//
// The authority, quality and the console run in this process, each at an address
// of its own, and pages are asked for over HTTP by somebody who is signed in.
// The fleet is enrolled as usual. At four stations four weeks of builds are
// simulated, taken in, rolled up and watched; the year and the other stations
// are simulated as roll-ups, so far as pages read them (see year.go). There is
// no peer; the goals are stated figures.
package consolebench

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"text/tabwriter"
	"time"
)

// The goals, for each page.
const (
	// GoalMillis is until the first byte of the answer, ms.
	GoalMillis = 50
	// GoalKB is what a page and all that it links to for its look transfer when
	// nothing is cached, kB of 1000 bytes.
	GoalKB = 200
)

// Options say what to measure. The zero value of a number means its default.
type Options struct {
	// Stations of the chain, two at each site; 1000.
	Stations int
	// Days of roll-ups; 365.
	Days int
	// Requests of each page; 21.
	Requests int
	// Dir is where the data go; a temporary directory if empty.
	Dir string
	// Progress gets a line now and then; nil for none.
	Progress io.Writer
}

// Row is one page.
type Row struct {
	Page string `json:"page"`
	Path string `json:"path"`
	// FirstByte and WorstFirstByte are the median and the worst time from sending
	// the request to the first byte of the answer, Whole the median until its
	// last, ms.
	FirstByte      float64 `json:"first_byte_ms"`
	WorstFirstByte float64 `json:"worst_first_byte_ms"`
	Whole          float64 `json:"whole_ms"`
	// CPU is the processors' time that a request took on average, in authority,
	// quality, the console and the client together, ms; 0 where it is not known.
	// On a busy machine it says more than the times.
	CPU float64 `json:"cpu_ms"`
	// KB is what the page and all that it links to for its look transfer, packed
	// with gzip; HTMLKB is the page's part, PlainKB all of it unpacked.
	KB      float64 `json:"kb"`
	HTMLKB  float64 `json:"html_kb"`
	PlainKB float64 `json:"plain_kb"`
}

// Quick and Light report whether the goals are met, the first one by the median.
func (r Row) Quick() bool { return r.FirstByte < GoalMillis }

// Light is about what is transferred.
func (r Row) Light() bool { return r.KB < GoalKB }

// Met reports whether both are.
func (r Row) Met() bool { return r.Quick() && r.Light() }

// WriteTable writes rows for people.
func WriteTable(w io.Writer, rows []Row) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "page\tfirst byte, ms\tworst\tgoal\tmet\twhole, ms\tCPU, ms\ttransferred, kB\tof it HTML\tunpacked\tgoal\tmet\tpath\n")
	word := map[bool]string{true: "yes", false: "no"}
	for _, r := range rows {
		fmt.Fprintf(t, "%s\t%.1f\t%.1f\tunder %d\t%s\t%.1f\t%.1f\t%.1f\t%.1f\t%.1f\tunder %d\t%s\t%s\n",
			r.Page, r.FirstByte, r.WorstFirstByte, GoalMillis, word[r.Quick()], r.Whole, r.CPU, r.KB, r.HTMLKB, r.PlainKB, GoalKB, word[r.Light()], r.Path)
	}
	if err := t.Flush(); err != nil {
		return fmt.Errorf("writing the table: %w", err)
	}
	return nil
}

// Limits of the options.
const (
	minStations, maxStations = 12, 4000
	minDays, maxDays         = 60, 800
)

// Measure makes a chain with its year and asks for each page.
func Measure(ctx context.Context, o Options) (_ []Row, err error) {
	o.Stations, o.Days, o.Requests = cmp.Or(o.Stations, 1000), cmp.Or(o.Days, 365), cmp.Or(o.Requests, 21)
	if o.Progress == nil {
		o.Progress = io.Discard
	}
	if o.Stations < minStations || o.Stations > maxStations || o.Stations%2 > 0 || o.Days < minDays || o.Days > maxDays || o.Requests < 1 {
		return nil, fmt.Errorf("stations are %d, days %d, requests %d; allowed are an even number of %d to %d stations, %d to %d days, and 1 or more requests",
			o.Stations, o.Days, o.Requests, minStations, maxStations, minDays, maxDays)
	}
	if o.Dir == "" {
		if o.Dir, err = os.MkdirTemp("", "samecup-consolebench-"); err != nil {
			return nil, fmt.Errorf("make a temporary directory: %w", err)
		}
		defer func() { err = errors.Join(err, os.RemoveAll(o.Dir)) }()
	}
	c := &centre{o: o, now: time.Now().UTC().Truncate(time.Second)}
	defer func() { err = errors.Join(err, c.close()) }()
	for _, part := range []struct {
		name string
		do   func(context.Context) error
	}{
		{"the authority and its fleet", c.openAuthority}, {"four stations' builds", c.logBuilds}, {"taking them in", c.watchBuilds},
		{"a year of roll-ups", c.fillYear}, {"the console", c.openConsole},
	} {
		begun := time.Now()
		if err := part.do(ctx); err != nil {
			return nil, fmt.Errorf("%s: %w", part.name, err)
		}
		fmt.Fprintf(o.Progress, "  %s: %.1f s\n", part.name, time.Since(begun).Seconds())
	}
	return c.measure(ctx)
}
