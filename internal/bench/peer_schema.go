package bench

import (
	"errors"
	"fmt"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"samecup.example/samecup/internal/drink"
)

// schemaPeer holds the rules as a JSON Schema, draft 2020-12.
type schemaPeer struct{ schema *jsonschema.Schema }

func newSchemaPeer(s *drink.Serving) (*schemaPeer, error) {
	const at = "https://samecup.example/bench/serving.json"
	c := jsonschema.NewCompiler()
	if err := c.AddResource(at, schemaRules(s)); err != nil {
		return nil, fmt.Errorf("adding the rules as JSON Schema: %w", err)
	}
	schema, err := c.Compile(at)
	if err != nil {
		return nil, fmt.Errorf("compiling the rules as JSON Schema: %w", err)
	}
	return &schemaPeer{schema}, nil
}

func schemaRules(s *drink.Serving) map[string]any {
	constant := func(v any) map[string]any { return map[string]any{"const": v} }
	sequence := func(items []any) map[string]any {
		prefix := make([]any, len(items))
		for i, it := range items {
			prefix[i] = constant(it)
		}
		n := float64(len(items))
		return map[string]any{"type": "array", "prefixItems": prefix, "minItems": n, "maxItems": n}
	}
	var garnish, steps, names []any
	for _, g := range s.Garnish {
		garnish = append(garnish, g)
	}
	for i := range s.Steps {
		steps = append(steps, s.Steps[i].ID)
	}
	readings := map[string]any{}
	for _, c := range s.Checks {
		for n := 1; n <= c.Occurrences; n++ {
			readings[key(c.ID, n)] = map[string]any{
				"type": "object",
				"properties": map[string]any{
					"value": map[string]any{"type": "number", "minimum": float64(c.Low), "maximum": float64(c.High)},
					"unit":  constant(string(drink.MeasureByCode(c.Measure).Unit)),
				},
				"required": []any{"value", "unit"},
			}
			names = append(names, key(c.ID, n))
		}
	}
	return map[string]any{
		"$schema": "https://json-schema.org/draft/2020-12/schema",
		"type":    "object",
		"properties": map[string]any{
			"vessel": constant(s.Vessel), "milk": constant(s.Milk), "shots": constant(float64(s.Shots)),
			"garnish": sequence(garnish), "steps": sequence(steps),
			"logged":   constant(float64(len(names))),
			"readings": map[string]any{"type": "object", "properties": readings, "required": names, "additionalProperties": false},
		},
		"required": []any{"vessel", "milk", "shots", "garnish", "steps", "logged", "readings"},
	}
}

func (p *schemaPeer) name() string { return "jsonschema v6, draft 2020-12" }

func (p *schemaPeer) prepare(b *drink.Build) (any, error) {
	readings := map[string]any{}
	for _, r := range b.Readings {
		readings[key(r.Check, r.Occurrence)] = map[string]any{"value": float64(r.Value), "unit": string(r.Unit)}
	}
	steps, garnish := []any{}, []any{}
	for i := range b.Steps {
		steps = append(steps, b.Steps[i].Step)
	}
	for _, g := range b.Garnish {
		garnish = append(garnish, g)
	}
	return map[string]any{"vessel": b.Vessel, "milk": b.Milk, "shots": float64(b.Shots), "garnish": garnish, "steps": steps,
		"logged": float64(len(b.Readings)), "readings": readings}, nil
}

func (p *schemaPeer) passes(input any) (bool, error) {
	err := p.schema.Validate(input)
	if err == nil {
		return true, nil
	}
	if _, invalid := errors.AsType[*jsonschema.ValidationError](err); invalid {
		return false, nil
	}
	return false, err
}
