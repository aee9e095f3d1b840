// Package launch plays a season's launch of the invented chain Harbour & Finch
// from the first edit of a recipe to the last counter, with the real parts in
// one process: the bus, the authority over gRPC on this machine, and a station
// at each of forty sites in three time zones.
//
// The script asserts as it goes: each step that ends otherwise than the story
// says ends the run with an error. So the demo that tells the story and the test
// that proves it are the same. Time is played: authority and stations
// share a clock that the script moves from 19 to 26 October 2026, over the
// night in which London's clocks go back. The counts of builds that the
// sequential test looks at are made up (rates.go); all else is real.
package launch

import (
	"context"
	"fmt"
	"io"
	"time"

	"go.uber.org/zap"
)

// Options say where a launch runs and who hears of it.
type Options struct {
	// Dir holds all data; it must be empty.
	Dir string
	// Out gets the story, a sentence or two a line; nil for nobody.
	Out io.Writer
	// Console is an address on this machine for the web pages, which then stay
	// open when the story is told, until the context ends; port 0 takes a free
	// one. Empty for no pages and an end with the story.
	Console string
	// Log gets what the parts log; nil for nobody.
	Log *zap.Logger
}

// Result is what a launch that went well can show.
type Result struct {
	// Sites that took part, with one station each, in Zones time zones.
	Sites int `json:"sites"`
	Zones int `json:"zones"`
	// Equal counts the stations whose book is what the authority resolves for
	// their site, byte for byte; BookBytes are what was compared in all.
	Equal     int `json:"equal"`
	BookBytes int `json:"book_bytes"`
	// Books counts different books among them: the chain's, and those of sites
	// with an overlay.
	Books int `json:"books"`
	// Absences counts how often a station was switched off and on again,
	// BusAbsences how often the bus was.
	Absences    int `json:"absences"`
	BusAbsences int `json:"bus_absences"`
	// Refusals are the reasons that the script met and wanted, in their order.
	Refusals []string `json:"refusals"`
	// Acts are the entries of the record, whose chain held.
	Acts uint64 `json:"acts"`
	// Seconds is the real time, PlayedHours the time by the script's clock.
	Seconds     float64 `json:"seconds"`
	PlayedHours float64 `json:"played_hours"`
}

func (r *Result) String() string {
	return fmt.Sprintf("%d of %d stations in %d time zones hold, byte for byte, the book that the authority resolves for their site (%d bytes compared, %d different books).\n"+
		"On the way %d times a station was off and %d times the bus; %d acts stand in the record, and its chain holds. %.0f h by the clock of the story took %.1f s.",
		r.Equal, r.Sites, r.Zones, r.BookBytes, r.Books, r.Absences, r.BusAbsences, r.Acts, r.PlayedHours, r.Seconds)
}

// Run plays the launch. Its error says which step went otherwise, and how. With
// a console it returns when ctx ends, and without an error if the story was told.
func Run(ctx context.Context, o Options) (_ *Result, err error) {
	if o.Out == nil {
		o.Out = io.Discard
	}
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	began := time.Now()
	c, err := openChain(ctx, o, madeUp)
	if err != nil {
		return nil, fmt.Errorf("set the chain up: %w", err)
	}
	defer func() {
		if cerr := c.close(); err == nil && cerr != nil {
			err = fmt.Errorf("take the chain down: %w", cerr)
		}
	}()
	s := &season{chain: c, out: o.Out, res: Result{Zones: len(zones)}}
	for i, step := range []struct {
		title string
		play  func(context.Context) error
	}{
		{"The chain opens", s.open},
		{"One site departs from the book, with a reason", s.depart},
		{"A draft for the autumn", s.draftAutumn},
		{"Four eyes", s.approveAutumn},
		{"Two sites go first, and the test halts them", s.firstWave},
		{"Rolled back, mended, approved anew", s.mend},
		{"All sites, over the night in which London's clocks go back, without the bus", s.everywhere},
		{"An allergen stop", s.stop},
		{"The departure is rebased", s.rebase},
		{"Every counter against what the authority resolves", s.compare},
	} {
		s.say("\n%d. %s", i+1, step.title)
		if err := step.play(ctx); err != nil {
			return nil, fmt.Errorf("step %d, %q: %w", i+1, step.title, err)
		}
		if err := c.alternate(ctx, i); err != nil {
			return nil, fmt.Errorf("after step %d: %w", i+1, err)
		}
	}
	s.res.Sites, s.res.Absences, s.res.BusAbsences = len(c.counters), c.absences, c.busAbsences
	s.res.Seconds, s.res.PlayedHours = float64(time.Since(began).Milliseconds())/1000, c.clock.now().Sub(beginning).Hours()
	if c.pages != "" {
		s.say("\n%s\n\nThe console goes on at http://%s/ until Ctrl-C; the clock of the story stands at %s.", &s.res, c.pages, c.clock.now().Format("2 January 2006 15:04 MST"))
		<-ctx.Done()
	}
	return &s.res, nil
}
