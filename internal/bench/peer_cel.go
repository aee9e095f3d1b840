package bench

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/google/cel-go/cel"

	"samecup.example/samecup/internal/drink"
)

// celPeer holds the rules as one expression of the Common Expression Language.
type celPeer struct{ program cel.Program }

func newCELPeer(s *drink.Serving) (*celPeer, error) {
	env, err := cel.NewEnv(
		cel.Variable("vessel", cel.StringType),
		cel.Variable("milk", cel.StringType),
		cel.Variable("shots", cel.IntType),
		cel.Variable("garnish", cel.ListType(cel.StringType)),
		cel.Variable("steps", cel.ListType(cel.StringType)),
		cel.Variable("values", cel.MapType(cel.StringType, cel.IntType)),
		cel.Variable("units", cel.MapType(cel.StringType, cel.StringType)),
		cel.Variable("logged", cel.IntType),
	)
	if err != nil {
		return nil, fmt.Errorf("setting up CEL: %w", err)
	}
	ast, issues := env.Compile(celRules(s))
	if err := issues.Err(); err != nil {
		return nil, fmt.Errorf("compiling the rules in CEL: %w", err)
	}
	program, err := env.Program(ast, cel.EvalOptions(cel.OptOptimize))
	if err != nil {
		return nil, fmt.Errorf("planning the rules in CEL: %w", err)
	}
	return &celPeer{program}, nil
}

// celRules writes a serving as one expression.
func celRules(s *drink.Serving) string {
	rules := []string{
		"vessel == " + strconv.Quote(s.Vessel), "milk == " + strconv.Quote(s.Milk), fmt.Sprintf("shots == %d", s.Shots),
		"garnish == " + celList(s.Garnish),
	}
	steps := make([]string, len(s.Steps))
	for i := range s.Steps {
		steps[i] = s.Steps[i].ID
	}
	rules = append(rules, "steps == "+celList(steps))
	logged := 0
	for _, c := range s.Checks {
		for n := 1; n <= c.Occurrences; n++ {
			k := key(c.ID, n)
			rules = append(rules, fmt.Sprintf("has(values.%s) && values.%s >= %d && values.%s <= %d && units.%s == %q",
				k, k, int64(c.Low), k, int64(c.High), k, drink.MeasureByCode(c.Measure).Unit))
			logged++
		}
	}
	rules = append(rules, fmt.Sprintf("logged == %d", logged))
	return strings.Join(rules, " && ")
}

func celList(items []string) string {
	quoted := make([]string, len(items))
	for i, it := range items {
		quoted[i] = strconv.Quote(it)
	}
	return "[" + strings.Join(quoted, ", ") + "]"
}

func (p *celPeer) name() string { return "cel-go 0.31, one expression" }

// prepare uses the map types for which the engine has a short cut.
func (p *celPeer) prepare(b *drink.Build) (any, error) {
	values := make(map[string]int64, len(b.Readings))
	units := make(map[string]string, len(b.Readings))
	for _, r := range b.Readings {
		values[key(r.Check, r.Occurrence)] = int64(r.Value)
		units[key(r.Check, r.Occurrence)] = string(r.Unit)
	}
	steps := make([]string, len(b.Steps))
	for i := range b.Steps {
		steps[i] = b.Steps[i].Step
	}
	activation, err := cel.NewActivation(map[string]any{
		"vessel": b.Vessel, "milk": b.Milk, "shots": int64(b.Shots), "garnish": b.Garnish, "steps": steps,
		"values": values, "units": units, "logged": int64(len(b.Readings)),
	})
	if err != nil {
		return nil, fmt.Errorf("making CEL input: %w", err)
	}
	return activation, nil
}

func (p *celPeer) passes(input any) (bool, error) {
	out, _, err := p.program.Eval(input)
	if err != nil {
		return false, err
	}
	passed, _ := out.Value().(bool)
	return passed, nil
}
