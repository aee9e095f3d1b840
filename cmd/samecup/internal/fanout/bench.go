package fanout

import (
	"context"
	"fmt"
	"io"

	"samecup.example/samecup/internal/bench"
)

const (
	// DefaultStations is how many stations the goal is stated for.
	DefaultStations = 1000
	defaultRounds   = 7
	// goal: ours takes at most twice as long as the raw fan-out.
	goal = 0.5
)

// Bench is Measure with the default number of stations, for "bench all".
func Bench(ctx context.Context, o bench.Options) ([]bench.Row, error) {
	return Measure(ctx, DefaultStations, o)
}

// Measure compares a release to that many stations with a raw fan-out of the
// same bytes: medians of interleaved rounds, in milliseconds to the last
// station or subscriber. See the package for what counts.
func Measure(ctx context.Context, stations int, o bench.Options) ([]bench.Row, error) {
	if stations < 1 || stations > maxStations {
		return nil, fmt.Errorf("stations are %d; allowed are 1 to %d", stations, maxStations)
	}
	rounds := o.Rounds
	if rounds <= 0 || rounds > defaultRounds {
		rounds = defaultRounds
	}
	progress := o.Progress
	if progress == nil {
		progress = io.Discard
	}
	f, err := open(ctx, o.Dir, stations)
	if err != nil {
		return nil, err
	}
	defer f.close()
	var got [4][]float64
	for i := range rounds + 1 {
		r, err := f.round(ctx)
		if err != nil {
			return nil, fmt.Errorf("round %d: %w", i, err)
		}
		if i == 0 { // warms up connections and the stream
			alone, err := f.alone()
			if err != nil {
				return nil, err
			}
			fmt.Fprintf(progress, "  %d stations, a release of %d bytes to each; one station's checks alone take %.0f µs\n", stations, f.releaseBytes, alone)
			continue
		}
		for j, ms := range []float64{r.inForce, r.delivered, r.raw, r.rawChecked} {
			got[j] = append(got[j], ms)
		}
		fmt.Fprintf(progress, "  round %d of %d: in force %.0f ms, delivered %.0f ms; raw delivered %.0f ms, raw and checked %.0f ms\n",
			i, rounds, r.inForce, r.delivered, r.raw, r.rawChecked)
	}
	row := func(name, peer string, ours, theirs int) bench.Row {
		r := bench.Row{Name: name, Unit: "ms", Ours: bench.Median(got[ours]), Peer: bench.Median(got[theirs]), PeerName: peer, Goal: goal}
		r.Ratio = r.Peer / r.Ours
		return r
	}
	return []bench.Row{
		row("release_in_force", "raw fan-out of the same bytes, unchecked; ours checks at all stations on this machine's cores", 0, 2),
		row("release_delivered", "raw fan-out of the same bytes; both until received, ours through the synced stream", 1, 2),
		row("release_checked", "raw fan-out of the same bytes to subscribers that check the same", 0, 3),
	}, nil
}
