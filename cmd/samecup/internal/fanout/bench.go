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
	var held, inForce, raw, stream []float64
	for i := range rounds + 1 {
		r, err := f.round(ctx)
		if err != nil {
			return nil, fmt.Errorf("round %d: %w", i, err)
		}
		if i == 0 { // warms up connections and the stream
			fmt.Fprintf(progress, "  %d stations, a release of %d bytes to each\n", stations, f.releaseBytes)
			continue
		}
		held, inForce, raw, stream = append(held, r.arrived), append(inForce, r.inForce), append(raw, r.raw), append(stream, r.stream)
		fmt.Fprintf(progress, "  round %d of %d: arrived %.0f ms, in force %.0f ms; raw %.0f ms, raw over the stream %.0f ms\n", i, rounds, r.arrived, r.inForce, r.raw, r.stream)
	}
	row := func(name, peer string, ours, theirs []float64) bench.Row {
		r := bench.Row{Name: name, Unit: "ms", Ours: bench.Median(ours), Peer: bench.Median(theirs), PeerName: peer, Goal: goal}
		r.Ratio = r.Peer / r.Ours
		return r
	}
	return []bench.Row{
		row("release", "raw NATS fan-out of the same bytes, nothing stored or checked", inForce, raw),
		row("release_arrived", "the same, and ours until the last byte arrived, before the stations check", held, raw),
		row("release_stored", "the same bytes through the same stream, nothing checked", inForce, stream),
	}, nil
}
