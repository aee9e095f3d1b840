package bench

import (
	"context"
	"fmt"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

// peer is another way to hold a build against the same rules. It only has to
// say pass or fail, where ours finds everything that is wrong; it is compiled
// once, and fed input that was converted to its liking beforehand. What it
// cannot say easily (times, alternatives in the build order) it is let off.
type peer interface {
	name() string
	// prepare converts a build, outside the timing.
	prepare(b *drink.Build) (any, error)
	// passes judges what prepare made.
	passes(input any) (bool, error)
}

// Verdict measures a verdict on a typical build beside the same rules in an
// expression engine and in a schema.
func Verdict(ctx context.Context, o Options) ([]Row, error) {
	serving := typical()
	checker, err := verdict.Compile(&serving)
	if err != nil {
		return nil, fmt.Errorf("compiling the typical serving: %w", err)
	}
	cel, err := newCELPeer(&serving)
	if err != nil {
		return nil, err
	}
	schema, err := newSchemaPeer(&serving)
	if err != nil {
		return nil, err
	}
	build := verdict.Exemplar(&serving)
	var v verdict.Verdict
	sides := []func(int){func(n int) {
		for range n {
			checker.Judge(&build, &v)
		}
	}}
	peers := []peer{cel, schema}
	var failed error
	for _, p := range peers {
		if err := agree(p, checker, &serving); err != nil {
			return nil, err
		}
		input, err := p.prepare(&build)
		if err != nil {
			return nil, err
		}
		sides = append(sides, func(n int) {
			for range n {
				if ok, err := p.passes(input); !ok || err != nil {
					failed = fmt.Errorf("%s refused the good build while measured: %w", p.name(), err)
				}
			}
		})
	}
	medians, err := interleave(ctx, o, sides...)
	if err != nil {
		return nil, err
	}
	if failed != nil {
		return nil, failed
	}
	row := func(name string, i int, goal float64) Row {
		return Row{Name: name, Unit: "ns/op", Ours: medians[0], Peer: medians[i], PeerName: peers[i-1].name(),
			Ratio: medians[i] / medians[0], Goal: goal}
	}
	return []Row{row("verdict_cel", 1, 20), row("verdict_schema", 2, 100)}, nil
}

// agree proves that a peer passes and fails what ours does; a comparison with
// rules that are not the same would be worth nothing.
func agree(p peer, c *verdict.Checker, s *drink.Serving) error {
	var v verdict.Verdict
	for _, test := range variations(s) {
		c.Judge(&test.build, &v)
		input, err := p.prepare(&test.build)
		if err != nil {
			return fmt.Errorf("%s: converting a build with %s: %w", p.name(), test.name, err)
		}
		passed, err := p.passes(input)
		if err != nil {
			return fmt.Errorf("%s: judging a build with %s: %w", p.name(), test.name, err)
		}
		if ours := v.Grade == verdict.InSpec; passed != ours {
			return fmt.Errorf("%s disagrees on a build with %s: it says pass %t, ours %t (%v)", p.name(), test.name, passed, ours, v.Findings)
		}
	}
	return nil
}
