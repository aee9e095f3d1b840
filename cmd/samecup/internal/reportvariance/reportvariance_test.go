package reportvariance

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"samecup.example/samecup/cmd/samecup/internal/table"
)

func run(t *testing.T, file string, o Options) (Report, error) {
	t.Helper()
	tab, err := table.Read(strings.NewReader(file), o.Columns()...)
	if err != nil {
		return Report{}, err
	}
	return Make(tab, o)
}

func TestTheExampleFile(t *testing.T) {
	o := Options{Value: "seconds", Factors: []string{"site", "station(site)", "barista", "lot"}}
	tab, err := table.Open("../../../../testdata/stat/variance-shots.csv", nil, o.Columns()...)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Make(tab, o)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Method: variance components by REML", "Assumes:", "n = 480", "station(site)", "site and barista can be told apart", "largest source"} {
		if !strings.Contains(r.String(), want) {
			t.Errorf("no %q in:\n%s", want, r)
		}
	}
	if _, err := json.Marshal(r); err != nil {
		t.Error(err)
	}
}

func TestTeamsThatDoNotMoveAreSaidSo(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	var b strings.Builder
	b.WriteString("site,barista,seconds\n")
	for i := range 120 {
		fmt.Fprintf(&b, "s%d,b%d,%.1f\n", i%3, i%12, 28+float64(i%3)+r.NormFloat64())
	}
	b.WriteString("s0,b0,\n")
	got, err := run(t, b.String(), Options{Value: "seconds", Factors: []string{"site", "barista"}})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"site-team effect", "Left out, 1 value", "line 122"} {
		if !strings.Contains(got.String(), want) {
			t.Errorf("no %q in:\n%s", want, got)
		}
	}
}

func TestBadFilesAreRefusedInWords(t *testing.T) {
	for name, tc := range map[string]struct{ file, want string }{
		"one row":        {"site,seconds\na,28\n", "at least"},
		"constant":       {"site,seconds\na,28\na,28\nb,28\nb,28\n", "values that vary"},
		"wrong column":   {"place,seconds\na,28\n", "site"},
		"no numbers":     {"site,seconds\na,x\n", "no number"},
		"empty level":    {"site,seconds\n,28\na,29\n", "is empty"},
		"one site":       {"site,seconds\na,28\na,29\na,30\n", "leave this factor out"},
		"a site a value": {"site,seconds\na,28\nb,29\nc,30\n", "fewer levels than values"},
	} {
		_, err := run(t, tc.file, Options{Value: "seconds", Factors: []string{"site"}})
		if err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: got %v, want words with %q", name, err, tc.want)
		}
	}
}
