package stat

import (
	"errors"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"
)

// batches names the batch of each of n values, five a batch.
func batches(n int) Factor {
	f := Factor{Name: "batch"}
	for i := range n {
		f.Levels = append(f.Levels, string(rune('A'+i/5)))
	}
	return f
}

var dyestuff = []float64{
	1545, 1440, 1440, 1520, 1580, 1540, 1555, 1490, 1560, 1495, 1595, 1550, 1605, 1510, 1560,
	1445, 1440, 1595, 1465, 1545, 1595, 1630, 1515, 1635, 1625, 1520, 1455, 1450, 1480, 1445,
}

var dyestuff2 = []float64{
	7.298, 3.846, 2.434, 9.566, 7.990, 5.220, 6.556, 0.608, 11.788, -0.892,
	0.110, 10.386, 13.434, 5.510, 8.166, 2.212, 4.852, 7.092, 9.288, 4.980,
	0.282, 9.014, 4.458, 9.446, 7.198, 1.722, 4.782, 8.106, 0.758, 3.758,
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > within {
		t.Errorf("%s: got %.8g, want %.8g within %.2g", what, got, want, within)
	}
}

func TestVarianceComponentsAtTheBoundary(t *testing.T) {
	got, err := VarianceComponents(dyestuff2, []Factor{batches(30)}, VarianceOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if got.Components[0].Variance != 0 || got.Components[0].LowSD != 0 {
		t.Errorf("between: got %+v, want 0", got.Components[0])
	}
	near(t, "within", got.Components[1].Variance, 13.806310, 1e-5)
	if got.Components[0].HighSD <= 0 {
		t.Error("the interval must say how much could be hidden")
	}
	if !strings.Contains(got.String(), "no spread beyond chance") {
		t.Errorf("words: %s", got)
	}
	for _, e := range got.Effects {
		if e.Effect != 0 {
			t.Errorf("effect %+v, want 0", e)
		}
	}
}

// Balanced nested and crossed designs have closed-form REML estimates where
// all are positive: the moments of the mean squares.
func TestVarianceComponentsBalancedIdentities(t *testing.T) {
	const a, b, n = 8, 6, 4
	r := rand.New(rand.NewPCG(1, 2))
	rows, cols := Factor{Name: "site"}, Factor{Name: "lot"}
	var y []float64
	u, v := make([]float64, a), make([]float64, b)
	for i := range u {
		u[i] = 2 * r.NormFloat64()
	}
	for j := range v {
		v[j] = 3 * r.NormFloat64()
	}
	sumA, sumB, all := make([]float64, a), make([]float64, b), 0.0
	for i := range a {
		for j := range b {
			for range n {
				x := 28 + u[i] + v[j] + r.NormFloat64()
				y = append(y, x)
				rows.Levels = append(rows.Levels, strconv.Itoa(i))
				cols.Levels = append(cols.Levels, strconv.Itoa(j))
				sumA[i] += x
				sumB[j] += x
				all += x
			}
		}
	}
	mean := all / float64(a*b*n)
	var ssA, ssB, ssT float64
	for _, s := range sumA {
		ssA += b * n * math.Pow(s/(b*n)-mean, 2)
	}
	for _, s := range sumB {
		ssB += a * n * math.Pow(s/(a*n)-mean, 2)
	}
	for _, x := range y {
		ssT += (x - mean) * (x - mean)
	}
	mse := (ssT - ssA - ssB) / (a*b*n - a - b + 1)
	got, err := VarianceComponents(y, []Factor{rows, cols}, VarianceOptions{PointOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "site", got.Components[0].Variance, (ssA/(a-1)-mse)/(b*n), 1e-4)
	near(t, "lot", got.Components[1].Variance, (ssB/(b-1)-mse)/(a*n), 1e-4)
	near(t, "within", got.Components[2].Variance, mse, 1e-5)
}

// A chain of the size in the brief: 6 sites x 2 stations x 8 baristas, who
// move, with shifts and lots, 20,000 values, unbalanced.
func TestVarianceComponentsOfAChain(t *testing.T) {
	if testing.Short() {
		t.Skip("seconds of work")
	}
	r := rand.New(rand.NewPCG(3, 4))
	names := []string{"site", "station(site)", "shift(station)", "barista", "lot"}
	sds := []float64{1, 0.6, 0.4, 0.8, 0.5}
	const within = 1.5
	factors := make([]Factor, len(names))
	effect := make([]map[string]float64, len(names))
	for k := range factors {
		factors[k].Name = names[k]
		effect[k] = map[string]float64{}
	}
	var y []float64
	for range 20000 {
		site := r.IntN(6)
		station := r.IntN(2)
		home := site
		if r.IntN(5) == 0 {
			home = r.IntN(6)
		}
		day := r.IntN(10)
		levels := []string{
			strconv.Itoa(site), strconv.Itoa(site*2 + station),
			strconv.Itoa((site*2+station)*20 + day*2 + r.IntN(2)),
			strconv.Itoa(home*8 + int(8*r.Float64()*r.Float64())), strconv.Itoa(day),
		}
		x := 28 + within*r.NormFloat64()
		for k, l := range levels {
			if _, ok := effect[k][l]; !ok {
				effect[k][l] = sds[k] * r.NormFloat64()
			}
			x += effect[k][l]
			factors[k].Levels = append(factors[k].Levels, l)
		}
		y = append(y, x)
	}
	began := time.Now()
	got, err := VarianceComponents(y, factors, VarianceOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%v\n%s", time.Since(began), got)
	for k, sd := range append(sds, within) {
		c := got.Components[k]
		// 99.9 % in spirit: one of six 95 % intervals may well miss.
		if sd < 0.7*c.LowSD || sd > 1.4*c.HighSD {
			t.Errorf("%s: true SD %v, interval %v to %v", c.Name, sd, c.LowSD, c.HighSD)
		}
	}
	inside := 0
	for _, e := range got.Effects {
		for k, name := range names {
			if name == e.Factor && e.Low <= effect[k][e.Level] && effect[k][e.Level] <= e.High {
				inside++
			}
		}
	}
	if share := float64(inside) / float64(len(got.Effects)); share < 0.9 {
		t.Errorf("%.1f %% of the true effects lie in their 95 %% intervals", 100*share)
	}
}

func TestVarianceComponentsRefuses(t *testing.T) {
	b := batches(30)
	one := Factor{Name: "site", Levels: make([]string, 30)}
	each := Factor{Name: "build"}
	for i := range 30 {
		each.Levels = append(each.Levels, strconv.Itoa(i))
	}
	for name, tc := range map[string]struct {
		y  []float64
		fs []Factor
	}{
		"no factor":             {dyestuff, nil},
		"one level":             {dyestuff, []Factor{one}},
		"a level a value":       {dyestuff, []Factor{each}},
		"factors that go along": {dyestuff, []Factor{b, {Name: "team", Levels: b.Levels}}},
		"constant values":       {make([]float64, 30), []Factor{b}},
		"one row":               {[]float64{1}, []Factor{{Name: "site", Levels: []string{"a"}}}},
		"levels of other size":  {dyestuff[:10], []Factor{b}},
	} {
		if _, err := VarianceComponents(tc.y, tc.fs, VarianceOptions{}); !errors.Is(err, ErrInput) {
			t.Errorf("%s: got %v, want ErrInput", name, err)
		}
	}
}

func TestConnected(t *testing.T) {
	site := Factor{Name: "site", Levels: []string{"tannery-row", "tannery-row", "lantern-hill", "oyster-steps"}}
	got, err := Connected(site, Factor{Name: "barista", Levels: []string{"ada", "bo", "bo", "cy"}})
	if err != nil {
		t.Fatal(err)
	}
	if got.Separable || len(got.Islands) != 2 || got.Movers != 1 || !strings.Contains(got.Words, "site-team effect") {
		t.Errorf("got %+v", got)
	}
	got, err = Connected(site, Factor{Name: "barista", Levels: []string{"ada", "bo", "bo", "bo"}})
	if err != nil || !got.Separable {
		t.Errorf("got %+v, %v; want separable", got, err)
	}
}
