package stat

import (
	_ "embed"
	"errors"
	"fmt"
	"strings"
	"testing"
)

//go:embed testdata/attribute_plans.csv
var attributePlans string

// Every cell, arrows followed, against a published tabulation: see the head of
// the file.
func TestMasterTablesAgreeWithAPublishedTabulation(t *testing.T) {
	cells := 0
	for line := range strings.Lines(attributePlans) {
		if strings.HasPrefix(line, "#") || strings.HasPrefix(line, "severity") {
			continue
		}
		var letter string
		var severity Severity
		var aql float64
		var n, accept, reject int
		if _, err := fmt.Sscanf(strings.ReplaceAll(line, ",", " "), "%s %s %g %d %d %d", &severity, &letter, &aql, &n, &accept, &reject); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		p, err := Master(letter, aql, severity)
		if err != nil || p.N != n || p.Accept != accept || p.Reject != reject {
			t.Errorf("%s %s at %g: n %d, accept %d, reject %d, %v; the table has %d, %d, %d", severity, letter, aql, p.N, p.Accept, p.Reject, err, n, accept, reject)
		}
		cells++
	}
	if cells != 3*16*16 {
		t.Errorf("%d cells", cells)
	}
}

// A wrong acceptance number cannot hide: along MIL-STD-105E each plan accepts
// lots at its AQL with a probability that its number of bad drinks fixes, since
// sample sizes and AQLs both follow one series of preferred numbers. Computed
// with the Poisson law; one bad drink more or fewer falls outside its band.
func TestMasterTablesHoldTheirProbabilities(t *testing.T) {
	bands := map[Severity]map[int][2]float64{
		SeverityNormal: {0: {.86, .89}, 1: {.89, .93}, 2: {.93, .965}, 3: {.945, .972}, 5: {.975, .989},
			7: {.975, .992}, 10: {.97, .993}, 14: {.97, .992}, 21: {.98, .997}},
		SeverityTightened: {0: {.80, .83}, 1: {.78, .84}, 2: {.83, .88}, 3: {.84, .90}, 5: {.86, .93},
			8: {.88, .96}, 12: {.90, .97}, 18: {.88, .97}},
	}
	for severity, want := range bands {
		seen := 0
		for _, letter := range masterLetters {
			for _, aql := range masterAQL {
				p, err := Master(letter, aql, severity)
				if err != nil {
					t.Fatal(err)
				}
				if p.Letter != letter {
					continue // an arrow
				}
				seen++
				at, _ := AcceptancePlan{N: p.N, C: p.Accept, Model: PlanPoisson}.Accepts(aql / 100)
				band, ok := want[p.Accept]
				if !ok || at < band[0] || at > band[1] {
					t.Errorf("%s: %s at %g (n %d, accept %d) accepts the AQL with %.4f, band %v", severity, letter, aql, p.N, p.Accept, at, band)
				}
			}
		}
		if seen < 80 {
			t.Errorf("%s: %d cells", severity, seen)
		}
	}
}

func TestMasterFollowsArrows(t *testing.T) {
	for _, c := range []struct {
		letter   string
		aql      float64
		severity Severity
		used     string
		accept   int
	}{
		// AQL 1.0, normal: E 0; F up to E; G down to H 1; Q 21, R up to Q.
		{"E", 1, SeverityNormal, "E", 0}, {"F", 1, SeverityNormal, "E", 0}, {"G", 1, SeverityNormal, "H", 1},
		{"A", 1, SeverityNormal, "E", 0}, {"R", 1, SeverityNormal, "Q", 21},
		// Tightened: F 0; G and H down to J 1; Q 18.
		{"G", 1, SeverityTightened, "J", 1}, {"H", 1, SeverityTightened, "J", 1}, {"Q", 1, SeverityTightened, "Q", 18},
		{"A", 10, SeverityNormal, "C", 1},
	} {
		p, err := Master(c.letter, c.aql, c.severity)
		if err != nil || p.Letter != c.used || p.Accept != c.accept || p.N != planSizes[c.used] {
			t.Errorf("%+v: got %+v, %v", c, p, err)
		}
	}
	for _, try := range []func() error{
		func() error { _, err := Master("I", 1, SeverityNormal); return err },
		func() error { _, err := Master("H", 1.2, SeverityNormal); return err },
		func() error { _, err := Master("H", 1, SeverityDiscontinued); return err },
	} {
		if err := try(); !errors.Is(err, ErrInput) {
			t.Errorf("got %v, want ErrInput", err)
		}
	}
}
