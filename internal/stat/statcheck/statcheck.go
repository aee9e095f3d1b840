// Package statcheck lists the external checks of package stat.
package statcheck

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"samecup.example/samecup/internal/check"
)

// Where expected values come from.
const (
	qcc        = "R package qcc 3.0, vignette (L. Scrucca, 2020)"
	spc        = "R package spc 0.6.7, computed"
	rComputed  = "computed with R 4.2.2"
	lme4       = "R package lme4 1.1-31, computed"
	fromMemory = ", from memory"
	identity   = "exact identity"
	arithmetic = "derived arithmetic"
)

// Checks are the named checks of package stat, for its test and the page of checks.
func Checks() []check.Check {
	return slices.Concat(constants(), shewhart(), rules(), ewma(), cusum(), capability(), anova(),
		components(), gauge(), intervals(), sites(), rates(), plans(), sequential(), sequentialCurves(), agreement(), screens(),
		countCharts(), furtherDrift(), furtherAnova(), performance(), furtherGauge(), furtherPlans())
}

// of wraps a computation that gives one number.
func of(v float64, err error) func() (float64, error) {
	return func() (float64, error) { return v, err }
}

// row is one check of a computation deferred until it is run.
func row(name, source string, want, tolerance float64, unit string, got func() (float64, error)) check.Check {
	return check.Check{Name: name, Source: source, Expected: want, Tolerance: tolerance, Unit: unit, Got: got}
}

// numbers reads white-space separated numbers of the data in this package; the
// error is returned by whatever check uses them.
func numbers(text string) ([]float64, error) {
	var out []float64
	for f := range strings.FieldsSeq(text) {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil {
			return nil, fmt.Errorf("data of a check: %w", err)
		}
		out = append(out, v)
	}
	return out, nil
}

// lines reads one group a line.
func lines(text string) ([][]float64, error) {
	var out [][]float64
	for l := range strings.SplitSeq(text, "\n") {
		v, err := numbers(l)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, nil
}

// pick computes a result once a check and takes one figure of it.
func pick[T any](compute func() (T, error), figure func(T) float64) func() (float64, error) {
	return func() (float64, error) {
		v, err := compute()
		if err != nil {
			return 0, err
		}
		return figure(v), nil
	}
}

// orNaN reads a limit or an index that may not exist; a check of one fails.
func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

func shiftName(of string, shift float64) string { return fmt.Sprintf("%s, shift %g", of, shift) }
