package instrumentsim_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/instrument"
	"samecup.example/samecup/internal/instrument/instrumentsim"
)

var start = time.Date(2026, 11, 2, 8, 0, 0, 0, time.UTC)

func TestTheSameSeedSendsTheSame(t *testing.T) {
	for kind := instrument.Scale; kind <= instrument.Thermometer; kind++ {
		for _, fault := range append([]instrumentsim.Fault{instrumentsim.NoFault}, instrumentsim.Faults...) {
			var runs [2][]instrument.Reading
			for i := range runs {
				seq, err := instrumentsim.Readings(kind, instrumentsim.Config{Seed: 9, Start: start, Drinks: 2, Fault: fault})
				if err != nil {
					t.Fatal(err)
				}
				runs[i] = slices.Collect(seq)
			}
			if diff := cmp.Diff(runs[0], runs[1]); diff != "" {
				t.Errorf("%s %s: %s", kind, fault, diff)
			}
			if !slices.IsSortedFunc(runs[0], func(a, b instrument.Reading) int { return a.ReceivedAt.Compare(b.ReceivedAt) }) {
				t.Errorf("%s %s: readings arrive out of order", kind, fault)
			}
			for _, r := range runs[0] {
				if err := r.Check(); err != nil {
					t.Fatalf("%s %s sends what is refused: %v", kind, fault, err)
				}
			}
		}
	}
}

func TestRunEndsWithItsContextAndItsErrors(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	n := 0
	err := instrumentsim.Run(ctx, instrument.Timer, instrumentsim.Config{Drinks: 10}, func(instrument.Reading) error {
		if n++; n == 50 {
			cancel()
		}
		return nil
	})
	if !errors.Is(err, context.Canceled) || n != 50 {
		t.Errorf("%v after %d readings", err, n)
	}
	full := errors.New("the link is down")
	if err := instrumentsim.Run(context.Background(), instrument.Scale, instrumentsim.Config{}, func(instrument.Reading) error { return full }); !errors.Is(err, full) {
		t.Error(err)
	}
	n = 0
	// A drink in a tenth of a second.
	if err := instrumentsim.Run(context.Background(), instrument.Thermometer, instrumentsim.Config{Speed: 900}, func(instrument.Reading) error { n++; return nil }); err != nil || n != 180 {
		t.Errorf("%d readings, %v", n, err)
	}
}

func TestWhatCannotBeSimulatedIsRefused(t *testing.T) {
	for want, c := range map[string]instrumentsim.Config{
		`fault is "gremlins"`: {Fault: "gremlins"},
		"unit is":             {Unit: "Cel"},
		"instrument is":       {ID: "Scale One"},
		"every 1ns":           {Interval: 1},
	} {
		err := instrumentsim.Run(context.Background(), instrument.Scale, c, func(instrument.Reading) error { return nil })
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
}
