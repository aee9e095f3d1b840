package dialin

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// norris is the data set Norris of the NIST Statistical Reference Datasets,
// linear regression (y, x): calibration of ozone monitors.
var norris = [][2]float64{
	{0.1, 0.2}, {338.8, 337.4}, {118.1, 118.2}, {888.0, 884.6}, {9.2, 10.1}, {228.1, 226.5}, {668.5, 666.3}, {998.5, 996.3},
	{449.1, 448.6}, {778.9, 777.0}, {559.2, 558.2}, {0.3, 0.4}, {0.1, 0.6}, {778.1, 775.5}, {668.8, 666.9}, {339.3, 338.0},
	{448.9, 447.5}, {10.8, 11.6}, {557.7, 556.0}, {228.3, 228.1}, {998.0, 995.8}, {888.8, 887.6}, {119.6, 120.2}, {0.3, 0.3},
	{0.6, 0.3}, {557.6, 556.8}, {339.3, 339.1}, {888.0, 887.2}, {998.5, 999.0}, {778.9, 779.0}, {10.2, 11.1}, {117.6, 118.3},
	{228.9, 229.2}, {668.4, 669.1}, {449.2, 448.9}, {0.2, 0.5},
}

// The certified values of NIST StRD Norris: the flat-prior limit without drift is
// ordinary least squares.
func TestFlatPriorGivesTheCertifiedValuesOfNorris(t *testing.T) {
	var f fit
	for _, p := range norris {
		f.add(p[1], p[0], 1, 1)
	}
	level, slope := f.line()
	_, levelVar := f.at(0)
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"intercept", level, -0.262323073774029},
		{"slope", slope, 1.00211681802045},
		{"SD of intercept", math.Sqrt(levelVar * f.noise()), 0.232818234301152},
		{"SD of slope", math.Sqrt(f.slopeVariance() * f.noise()), 0.429796848199937e-03},
		{"residual SD", math.Sqrt(f.noise()), 0.884796396144373},
		{"residual sum of squares", f.SS, 26.6173985294224},
		{"degrees of freedom", f.DF, 34},
	} {
		if math.Abs(c.got-c.want) > 1e-12*math.Abs(c.want) && math.Abs(c.got/c.want-1) > 2e-12 {
			t.Errorf("%s: %.15g, certified %.15g", c.name, c.got, c.want)
		}
	}
}

func TestOneSettingSaysNothingAboutTheSlope(t *testing.T) {
	var f fit
	for _, y := range []float64{3.3, 3.4, 3.35, 3.31} {
		f.add(1.7, y, 0.5, 1)
	}
	if f.known() {
		t.Errorf("slope known from one setting: %+v", f)
	}
	if f.DF != 3 {
		t.Errorf("degrees of freedom %v, want 3", f.DF)
	}
}

// Taking shots in one by one, with drift between, must agree with the batch
// answer worked out from the covariance of all shots at once.
func TestRecursionAgreesWithTheBatch(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 12).Draw(t, "n")
		const s0, levelSD, slopeSD = 0.05, 0.4, 0.06
		f := newFit(3.3, levelSD, 0.1, slopeSD, s0, 3)
		// The dense Kalman filter, as a plain check: P in units of s².
		m := [2]float64{3.3, 0.1}
		p := [2][2]float64{{levelSD * levelSD / s0 / s0, 0}, {0, slopeSD * slopeSD / s0 / s0}}
		ss, df := 3*s0*s0, 3.0
		for i := range n {
			q := rapid.Float64Range(0, 2).Draw(t, "q")
			x, y := rapid.Float64Range(-3, 3).Draw(t, "x"), rapid.Float64Range(3, 3.6).Draw(t, "y")
			w := rapid.Float64Range(0.1, 1).Draw(t, "w")
			if i > 0 {
				f.drift(q)
				p[0][0] += q
			}
			f.add(x, y, w, 1)
			k := [2]float64{p[0][0] + p[0][1]*x, p[1][0] + p[1][1]*x}
			s := k[0] + k[1]*x + 1/w
			e := y - m[0] - m[1]*x
			ss, df = ss+e*e/s, df+1
			m[0], m[1] = m[0]+k[0]*e/s, m[1]+k[1]*e/s
			p = [2][2]float64{{p[0][0] - k[0]*k[0]/s, p[0][1] - k[0]*k[1]/s}, {p[1][0] - k[1]*k[0]/s, p[1][1] - k[1]*k[1]/s}}
		}
		mean, v := f.at(0.7)
		wantMean, wantV := m[0]+0.7*m[1], p[0][0]+1.4*p[0][1]+0.49*p[1][1]
		for _, c := range [][2]float64{{mean, wantMean}, {v, wantV}, {f.SS, ss}, {f.DF, df}} {
			if math.Abs(c[0]-c[1]) > 1e-7*(1+math.Abs(c[1])) {
				t.Fatalf("got %v want %v", c[0], c[1])
			}
		}
	})
}

func TestNewLevelKeepsTheSlopeAndWidensIt(t *testing.T) {
	var f fit
	for i, y := range []float64{3.30, 3.41, 3.52, 3.29, 3.40, 3.53} {
		f.add(float64(i%3), y, 1, 1)
	}
	_, before := f.line()
	was := f.slopeVariance()
	f.newLevel(4, 0, 0)
	if f.known() {
		t.Fatal("level known without a shot")
	}
	f.add(1, 2.9, 1, 1)
	level, slope := f.line()
	if math.Abs(slope-before) > 1e-12 || math.Abs(f.slopeVariance()/was-4) > 1e-9 {
		t.Errorf("slope %v then %v, variance ratio %v, want 4", before, slope, f.slopeVariance()/was)
	}
	if math.Abs(level+slope-2.9) > 1e-12 {
		t.Errorf("level %v with slope %v does not pass through the new shot", level, slope)
	}
}
