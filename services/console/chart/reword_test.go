package chart

import (
	"strings"
	"testing"
)

func TestRewordReachesEveryWordAndLeavesTheChart(t *testing.T) {
	low := 1.5
	c := &Chart{ID: "x", Title: "T 1.5", Desc: "D 1.5", N: "n = 1.5", Method: "M 1.5", Panels: []Panel{{X: NewAxis("x", 0, 1), Y: NewAxis("y", 0.5, 2.5),
		Tolerances: []Tolerance{{Low: &low, Label: "tolerance"}}, Points: []Point{{XY: XY{0.5, 1.5}, Text: "at 1.5"}},
		Limits: []Limit{{Along: []XY{{0, 2}, {1, 2}}, Label: "upper limit 2.0"}}, Marks: []Mark{{X: 0.2, Label: "set 1.5"}}}}}
	before := c.Inline()
	after := c.Reword(func(s string) string { return strings.ReplaceAll(s, ".", ",") })
	for _, want := range []string{"T 1,5", "D 1,5", "n = 1,5", "M 1,5", "at 1,5", "upper limit 2,0", "set 1,5", "tolerance 1,5", ">0,5<"} {
		if !strings.Contains(after.Inline(), want) {
			t.Errorf("%q is not in the reworded chart", want)
		}
	}
	if c.Inline() != before {
		t.Error("rewording changed the chart itself")
	}
}

func TestPointsOfFiguresFollowAndNamesStay(t *testing.T) {
	for in, want := range map[string]string{
		"31.2 s": "31,2 s", "upper limit 31.2.": "upper limit 31,2.", "-0.5": "-0,5", "+1.25 g": "+1,25 g", "(0.42 to 1.3)": "(0,42 to 1,3)",
		"lot SO-4.2": "lot SO-4.2", "v1.2.3": "v1.2.3", "1.2.3": "1.2.3", "2026-10-26": "2026-10-26", "10.5x": "10.5x", "end. 3": "end. 3", "7.2.2": "7.2.2", "µ 0.5": "µ 0,5",
	} {
		if got := Decimals(in, ","); got != want {
			t.Errorf("%q is read %q, want %q", in, got, want)
		}
		if got := Decimals(in, "."); got != in {
			t.Errorf("%q is changed to %q", in, got)
		}
	}
}

func FuzzDecimalsChangesPointsAlone(f *testing.F) {
	for _, s := range []string{"31.2 s", "lot SO-4.2", "1.2.3", "-0.5.", ".5", "µ1.5"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if got := Decimals(s, ","); strings.ReplaceAll(got, ",", ".") != strings.ReplaceAll(s, ",", ".") {
			t.Errorf("%q becomes %q", s, got)
		}
	})
}
