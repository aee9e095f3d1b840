package reportchart

import (
	"fmt"
	"math/rand/v2"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/cmd/samecup/internal/table"
)

const dir = "../../../../testdata/stat/"

func base(kind, value string) Config {
	return Config{Kind: kind, Value: value, Rules: "1", Limits: "auto", Lambda: 0.2, L: 2.962, K: 0.5, H: 5}
}

func makeFrom(t *testing.T, file string, c Config) (*Report, error) {
	t.Helper()
	cols, err := c.Columns()
	if err != nil {
		return nil, err
	}
	tab, err := table.Open(dir+file, nil, cols...)
	if err != nil {
		t.Fatal(err)
	}
	return Make(tab, c)
}

func TestExampleFilesMakeTheirCharts(t *testing.T) {
	group := base("xbar-s", "milk_c")
	group.Group = "shift"
	share := base("p", "remade")
	share.N = "drinks"
	restart := base("i", "yield_g")
	restart.Restart, restart.Label = "event", "time"
	for _, test := range []struct {
		file string
		c    Config
		want string
	}{
		{"chart-yield.csv", restart, "after grinder adjusted"},
		{"chart-yield.csv", base("ewma", "yield_g"), "EWMA"},
		{"chart-yield.csv", base("cusum", "yield_g"), "CUSUM"},
		{"chart-milk.csv", group, "sample means"},
		{"chart-remakes.csv", share, "binomial"},
		{"chart-refusals.csv", base("g", "drinks_between"), "geometric"},
	} {
		r, err := makeFrom(t, test.file, test.c)
		if err != nil {
			t.Errorf("%s %s: %v", test.c.Kind, test.file, err)
			continue
		}
		var text, js strings.Builder
		if err := r.Text(&text); err != nil {
			t.Fatal(err)
		}
		if err := r.JSON(&js); err != nil {
			t.Fatal(err)
		}
		for _, want := range []string{test.want, "Assumes:", "n: ", "Result:"} {
			if !strings.Contains(text.String(), want) {
				t.Errorf("%s lacks %q in:\n%s", test.c.Kind, want, text.String())
			}
		}
	}
}

func TestChoicesThatDoNotFitAreRefused(t *testing.T) {
	tol := 34.0
	for name, c := range map[string]Config{
		"unknown kind":        base("z", "yield_g"),
		"no value":            base("i", ""),
		"p without n":         base("p", "yield_g"),
		"xbar without group":  base("xbar-r", "yield_g"),
		"tolerance on a mean": {Kind: "ewma", Value: "yield_g", Rules: "1", Limits: "auto", ToleranceLow: &tol},
		"unknown rule":        {Kind: "i", Value: "yield_g", Rules: "7", Limits: "auto"},
		"sigma alone":         {Kind: "i", Value: "yield_g", Rules: "1", Limits: "auto", Sigma: &tol},
	} {
		if _, err := makeFrom(t, "chart-yield.csv", c); err == nil {
			t.Errorf("%s is accepted", name)
		}
	}
}

func TestRestartOnARowWithoutReadingIsKept(t *testing.T) {
	tab, err := table.Read(strings.NewReader("y,event\n1,\n2,\n1,\n,new lot\n5,\n6,\n5,\n"))
	if err != nil {
		t.Fatal(err)
	}
	c := base("i", "y")
	c.Restart = "event"
	r, err := Make(tab, c)
	if err != nil {
		t.Fatal(err)
	}
	if got := r.Charts.Location.Restarts; len(got) != 1 || got[0].At != 3 || len(r.Skipped) != 1 {
		t.Errorf("restarts %v, skipped %v", got, r.Skipped)
	}
}

func TestFiguresAreReadableAndJSONKeepsEveryDigit(t *testing.T) {
	r, err := makeFrom(t, "chart-yield.csv", base("i", "yield_g"))
	if err != nil {
		t.Fatal(err)
	}
	before := r.Charts.Location.Points[0].Limits
	var text strings.Builder
	if err := r.Text(&text); err != nil {
		t.Fatal(err)
	}
	if long := regexp.MustCompile(`\d\.\d{5,}`).FindString(text.String()); long != "" {
		t.Errorf("%s has more digits than it carries:\n%s", long, text.String())
	}
	if diff := cmp.Diff(before, r.Charts.Location.Points[0].Limits); diff != "" {
		t.Errorf("words changed the figures: %s", diff)
	}
}

func TestALongChartSaysThatFalseAlarmsAreMany(t *testing.T) {
	var b strings.Builder
	b.WriteString("y\n")
	rng := rand.New(rand.NewPCG(3, 4))
	for range 10_000 {
		fmt.Fprintf(&b, "%.2f\n", 28+rng.NormFloat64())
	}
	tab, err := table.Read(strings.NewReader(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	for kind, want := range map[string]string{"i": "In 10000 points many false alarms are to be expected even where nothing changed, about one in 370", "ewma": "Asked was a false alarm in 100 points"} {
		c := base(kind, "y")
		if kind == "ewma" {
			c.ARL = 100
		}
		r, err := Make(tab, c)
		if err != nil {
			t.Fatal(err)
		}
		if got := r.words().String(); !strings.Contains(got, want) {
			t.Errorf("%s lacks %q:\n%.1500s", kind, want, got)
		}
	}
}

func TestEqualCountsAreAskedAbout(t *testing.T) {
	for rows, want := range map[int]bool{9: false, 40: true} {
		tab, err := table.Read(strings.NewReader("y\n" + strings.Repeat("2\n", rows)))
		if err != nil {
			t.Fatal(err)
		}
		r, err := Make(tab, base("c", "y"))
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(r.words().String(), "points are equal, which chance hardly gives"); got != want {
			t.Errorf("%d rows: asked %v", rows, got)
		}
	}
}
