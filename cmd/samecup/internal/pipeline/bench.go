package pipeline

import (
	"context"
	"fmt"
	"io/fs"

	"samecup.example/samecup/internal/bench"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/testdata"
)

const (
	buildsPerRound = 20_000
	defaultRounds  = 3
)

// Bench compares the durable path with its two peers: medians of interleaved
// rounds, in builds per second.
func Bench(ctx context.Context, o bench.Options) ([]bench.Row, error) {
	sub, err := fs.Sub(testdata.FS, "harbour-finch")
	if err != nil {
		return nil, fmt.Errorf("embedded book: %w", err)
	}
	files, problems := drink.ReadFiles(sub)
	if problems.HasErrors() {
		return nil, fmt.Errorf("embedded book: %s", problems[0])
	}
	rounds := o.Rounds
	if rounds <= 0 || rounds > defaultRounds {
		rounds = defaultRounds
	}
	var ours, same, each []float64
	for i := range rounds {
		r, err := Round(ctx, files, buildsPerRound)
		if err != nil {
			return nil, err
		}
		ours, same, each = append(ours, r.Ours), append(same, r.SameMessages), append(each, r.MessageEach)
		if o.Progress != nil {
			fmt.Fprintf(o.Progress, "  round %d of %d: %.0f builds/s, %.0f builds a message\n", i+1, rounds, r.Ours, r.BatchMean)
		}
	}
	row := func(name, peerName string, goal float64, peer []float64) bench.Row {
		r := bench.Row{Name: name, Unit: "builds/s", Ours: bench.Median(ours), Peer: bench.Median(peer), PeerName: peerName, Goal: goal, HigherIsBetter: true}
		r.Ratio = r.Ours / r.Peer
		return r
	}
	return []bench.Row{
		row("pipeline", "raw JetStream publish, the same bytes a build a message", 0.5, each),
		row("pipeline_batched", "raw JetStream publish of the same batches and deviations", 0.5, same),
	}, nil
}
