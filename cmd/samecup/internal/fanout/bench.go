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
	var inForce, delivered, raw, rawChecked []float64
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
		inForce, rawChecked = append(inForce, r.inForce), append(rawChecked, r.rawChecked)
		delivered, raw = append(delivered, r.delivered...), append(raw, r.raw...)
		fmt.Fprintf(progress, "  round %d of %d: in force %.0f ms, delivered %.0f ms; raw delivered %.0f ms, raw and checked %.0f ms\n",
			i, rounds, r.inForce, bench.Median(r.delivered), bench.Median(r.raw), r.rawChecked)
	}
	row := func(name, peer string, goal float64, ours, theirs []float64) bench.Row {
		r := bench.Row{Name: name, Unit: "ms", Ours: bench.Median(ours), Peer: bench.Median(theirs), PeerName: peer, Goal: goal}
		r.Ratio = r.Peer / r.Ours
		return r
	}
	rows := []bench.Row{
		row(deliveredRow, "raw NATS fan-out of the same bytes to the same subscribers; both until received", goal, delivered, raw),
		row("release_checked", "the same; on both sides until the subscribers have checked all of it", goal, inForce, rawChecked),
		row("release_in_force", "as the first, ours until checked and in force: the checks of all stations on these cores", 0, inForce, raw),
	}
	fmt.Fprintf(progress, "  %s\n", Summary(rows))
	return rows, nil
}

// deliveredRow is the one that the goal is stated for.
const deliveredRow = "release_delivered"

// Summary says in a sentence how many times as long as the raw fan-out a
// release takes.
func Summary(rows []bench.Row) string {
	for _, r := range rows {
		if r.Name == deliveredRow {
			return fmt.Sprintf("A release reaches the last station in %.0f ms, and its bytes by a raw NATS fan-out in %.0f ms: %.2f times as long; the goal is at most %g.",
				r.Ours, r.Peer, r.Ours/r.Peer, 1/r.Goal)
		}
	}
	return ""
}
