package report

import (
	"testing"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestSignalsInPlainWords(t *testing.T) {
	for _, c := range []struct {
		s    *pb.Signal
		want string
	}{
		{&pb.Signal{Kind: "safety", Finding: "missing_reading milk_temp"}, "Milk temperature was not read"},
		{&pb.Signal{Kind: "safety", Finding: "wrong_milk soy-drink"}, "The wrong milk: soy-drink"},
		{&pb.Signal{Kind: "safety", Finding: "garnish_unexpected cocoa"}, "A garnish that the drink does not have: cocoa"},
		{&pb.Signal{Kind: "safety", Finding: "step_missing wipe"}, "A step was left out: wipe"},
		{&pb.Signal{Kind: "safety", Finding: "step_out_of_order wipe"}, "A step out of order: wipe"},
		{&pb.Signal{Kind: "rate", Finding: "above_tolerance dose"}, "Dose above what the book allows, more often than before"},
		{&pb.Signal{Kind: "level", Measure: "milk_volume@syrup"}, "Cold milk with syrup has moved"},
		{&pb.Signal{Kind: "stale"}, "A station works by an older spec"},
		{&pb.Signal{Kind: "plain", Measure: "dose"}, "Dose has moved"},
		{&pb.Signal{Kind: "safety", Finding: "stopped"}, "Stopped"},
	} {
		if got := (&writer{d: &Data{}}).signalWords(c.s); got != c.want {
			t.Errorf("%v: %q, want %q", c.s, got, c.want)
		}
	}
}

func TestChecksFindTheirMeasure(t *testing.T) {
	for id, want := range map[string]string{"dose": "dose", "pour_height_end": "pour height (end)", "froth_above_rim": "froth above the rim", "colour": "colour", "chai_blend": "chai blend"} {
		if m, got := (&writer{d: &Data{Measures: map[string]string{"chai_blend": "powder"}}}).measureOfCheck(id); got != want || (m == nil) != (id == "colour") {
			t.Errorf("%s is %q of %v, want %q", id, got, m, want)
		}
	}
}
