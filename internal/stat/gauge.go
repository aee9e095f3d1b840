package stat

import (
	"fmt"
	"math"
	"strings"
)

// GaugeOptions sets a gauge study; the zero value keeps the interaction and
// counts six SDs as the study spread.
type GaugeOptions struct {
	// PoolAbove joins the interaction to repeatability when its p-value is
	// above this; 0 never pools. 0.25 is common practice.
	PoolAbove float64
	// Tolerance is the width upper less lower limit, in the unit of the
	// values; 0 where there is none.
	Tolerance float64
	SDs       float64 // counted as the spread, 6 when 0
}

// GaugePart is one line of a gauge study. Contribution is the share of total
// variance, Study the share of total SD, Tolerance SDs x SD / tolerance; all
// are shares of 1.
type GaugePart struct {
	Variance     float64 `json:"variance"`
	SD           float64 `json:"sd"`
	Contribution float64 `json:"contribution"`
	Study        float64 `json:"study"`
	Tolerance    float64 `json:"tolerance,omitempty"`
}

// Gauge says how much of the spread is the measuring: repeatability is one
// person on one part, reproducibility is between persons.
type Gauge struct {
	Method          string    `json:"method"`
	N               int       `json:"n"`
	Parts           int       `json:"parts"`
	Operators       int       `json:"operators"`
	Repeats         int       `json:"repeats"`
	Repeatability   GaugePart `json:"repeatability"`
	Reproducibility GaugePart `json:"reproducibility"`
	GaugeRR         GaugePart `json:"gaugeRR"`
	Part            GaugePart `json:"part"`
	Total           GaugePart `json:"total"`
	// Distinct is the number of part classes the device can tell apart,
	// 1.41 x part SD / gauge SD rounded down, at least 1; 5 or more is wanted.
	Distinct int `json:"distinct"`
	// The sums of squares and the interaction test are of the ANOVA form only.
	SSPart        float64 `json:"ssPart,omitempty"`
	SSOperator    float64 `json:"ssOperator,omitempty"`
	SSInteraction float64 `json:"ssInteraction,omitempty"`
	SSError       float64 `json:"ssError,omitempty"`
	PInteraction  float64 `json:"pInteraction,omitempty"`
	Pooled        bool    `json:"pooled,omitempty"`
}

// gaugeCells sorts a balanced study into cells[part][operator][repeat].
func gaugeCells(parts, operators []string, values []float64) ([][][]float64, error) {
	if err := finiteAll("values", values); err != nil {
		return nil, err
	}
	p, err := group(Factor{Name: "part", Levels: parts}, len(values))
	if err != nil {
		return nil, err
	}
	o, err := group(Factor{Name: "operator", Levels: operators}, len(values))
	if err != nil {
		return nil, err
	}
	if len(p.names) < 2 || len(o.names) < 2 {
		return nil, inputErr("parts x operators", fmt.Sprintf("%d x %d", len(p.names), len(o.names)), "at least 2 x 2")
	}
	cells := make([][][]float64, len(p.names))
	for i := range cells {
		cells[i] = make([][]float64, len(o.names))
	}
	for i, v := range values {
		cells[p.of[i]][o.of[i]] = append(cells[p.of[i]][o.of[i]], v)
	}
	r := len(cells[0][0])
	for i := range cells {
		for j := range cells[i] {
			if len(cells[i][j]) != r || r < 2 {
				return nil, inputErr(fmt.Sprintf("repeats of part %s by operator %s", p.names[i], o.names[j]), len(cells[i][j]),
					"the same number, at least 2, in every cell; complete the study, or use variance components for unbalanced data")
			}
		}
	}
	return cells, nil
}

// GaugeANOVA is the crossed gauge study by two-way analysis of variance with
// random parts and operators. With mean squares P, O, I (interaction), E over
// p parts, o operators, r repeats: repeatability E, interaction (I-E)/r,
// operator (O-I)/(p r), part (P-I)/(o r), each negative one reported as 0;
// reproducibility is operator plus interaction. A pooled interaction joins E.
//
// Source: AIAG, Measurement Systems Analysis, 4th ed., appendix A.
func GaugeANOVA(parts, operators []string, values []float64, opt GaugeOptions) (Gauge, error) {
	cells, err := gaugeCells(parts, operators, values)
	if err != nil {
		return Gauge{}, err
	}
	np, no, nr := len(cells), len(cells[0]), len(cells[0][0])
	fp, fo, fr := float64(np), float64(no), float64(nr)
	shift := cells[0][0][0]
	pm, om := make([]float64, np), make([]float64, no)
	cm := make([][]float64, np)
	var grand float64
	for i := range cells {
		cm[i] = make([]float64, no)
		for j, c := range cells[i] {
			for _, v := range c {
				cm[i][j] += (v - shift) / fr
			}
			pm[i] += cm[i][j] / fo
			om[j] += cm[i][j] / fp
			grand += cm[i][j] / (fp * fo)
		}
	}
	g := Gauge{Method: "crossed, analysis of variance", N: len(values), Parts: np, Operators: no, Repeats: nr}
	for i := range cells {
		g.SSPart += fo * fr * (pm[i] - grand) * (pm[i] - grand)
		for j, c := range cells[i] {
			d := cm[i][j] - pm[i] - om[j] + grand
			g.SSInteraction += fr * d * d
			for _, v := range c {
				e := (v - shift) - cm[i][j]
				g.SSError += e * e
			}
		}
	}
	for j := range om {
		g.SSOperator += fp * fr * (om[j] - grand) * (om[j] - grand)
	}
	if !(g.SSError > 0) {
		return Gauge{}, inputErr("spread of repeats", g.SSError, "above 0; the device shows too few digits to be studied")
	}
	dfI, dfE := (fp-1)*(fo-1), fp*fo*(fr-1)
	msP, msO, msI, msE := g.SSPart/(fp-1), g.SSOperator/(fo-1), g.SSInteraction/dfI, g.SSError/dfE
	g.PInteraction = fTail(msI/msE, dfI, dfE)
	interaction := math.Max(0, (msI-msE)/fr)
	base := msI
	if opt.PoolAbove > 0 && g.PInteraction > opt.PoolAbove {
		g.Pooled = true
		msE = (g.SSError + g.SSInteraction) / (dfE + dfI)
		interaction, base = 0, msE
	}
	operator := math.Max(0, (msO-base)/(fp*fr))
	part := math.Max(0, (msP-base)/(fo*fr))
	g.finish(msE, operator+interaction, part, opt)
	return g, nil
}

// Factors 1/d2* of the average-and-range form; K1 by repeats, K2 by operators,
// K3 by parts. Source: AIAG, Measurement Systems Analysis, 4th ed.; d2* from
// Duncan, Quality Control and Industrial Statistics, table D3.
var (
	gaugeK1 = map[int]float64{2: 0.8862, 3: 0.5908}
	gaugeK2 = map[int]float64{2: 0.7071, 3: 0.5231}
	gaugeK3 = map[int]float64{2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030, 6: 0.3742, 7: 0.3534, 8: 0.3375, 9: 0.3249, 10: 0.3146}
)

// GaugeAverageRange is the form for pencil and paper: EV = Rbar K1,
// AV = sqrt((Xdiff K2)^2 - EV^2/(n r)), PV = Rp K3. It cannot see an
// interaction; prefer GaugeANOVA. Studies of 2 or 3 repeats, 2 or 3 operators
// and 2 to 10 parts have published factors, others are refused.
//
// Source: AIAG, Measurement Systems Analysis, 4th ed., chapter III.
func GaugeAverageRange(parts, operators []string, values []float64, opt GaugeOptions) (Gauge, error) {
	cells, err := gaugeCells(parts, operators, values)
	if err != nil {
		return Gauge{}, err
	}
	np, no, nr := len(cells), len(cells[0]), len(cells[0][0])
	k1, k2, k3 := gaugeK1[nr], gaugeK2[no], gaugeK3[np]
	if k1*k2*k3 == 0 {
		return Gauge{}, inputErr("repeats, operators, parts", fmt.Sprintf("%d, %d, %d", nr, no, np), "2-3, 2-3, 2-10; use the analysis of variance form")
	}
	pm, om := make([]float64, np), make([]float64, no)
	var rbar float64
	for i := range cells {
		for j, c := range cells[i] {
			lo, hi := c[0], c[0]
			for _, v := range c {
				lo, hi = min(lo, v), max(hi, v)
				pm[i] += v / float64(no*nr)
				om[j] += v / float64(np*nr)
			}
			rbar += (hi - lo) / float64(np*no)
		}
	}
	if !(rbar > 0) {
		return Gauge{}, inputErr("range of repeats", rbar, "above 0; the device shows too few digits to be studied")
	}
	ev, pv := rbar*k1, spanOf(pm)*k3
	av2 := math.Max(0, math.Pow(spanOf(om)*k2, 2)-ev*ev/float64(np*nr))
	g := Gauge{Method: "crossed, average and range", N: len(values), Parts: np, Operators: no, Repeats: nr}
	g.finish(ev*ev, av2, pv*pv, opt)
	return g, nil
}

func spanOf(x []float64) float64 {
	lo, hi := x[0], x[0]
	for _, v := range x {
		lo, hi = min(lo, v), max(hi, v)
	}
	return hi - lo
}

func (g *Gauge) finish(repeat, reproduce, part float64, opt GaugeOptions) {
	sds := opt.SDs
	if sds <= 0 {
		sds = 6
	}
	total := repeat + reproduce + part
	line := func(v float64) GaugePart {
		l := GaugePart{Variance: v, SD: math.Sqrt(v), Contribution: v / total, Study: math.Sqrt(v / total)}
		if opt.Tolerance > 0 {
			l.Tolerance = sds * l.SD / opt.Tolerance
		}
		return l
	}
	g.Repeatability, g.Reproducibility = line(repeat), line(reproduce)
	g.GaugeRR, g.Part, g.Total = line(repeat+reproduce), line(part), line(total)
	g.Distinct = max(1, int(1.41*g.Part.SD/g.GaugeRR.SD))
}

// String tells the result in words.
func (g Gauge) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Method: gauge study, %s. n = %d readings: %d parts x %d operators x %d repeats.\n", g.Method, g.N, g.Parts, g.Operators, g.Repeats)
	b.WriteString("Assumes: each person measured each part blind and in random order, the part itself does not change, errors are normal.\n")
	for _, l := range []struct {
		name string
		GaugePart
	}{{"repeatability", g.Repeatability}, {"reproducibility", g.Reproducibility}, {"gauge R&R", g.GaugeRR}, {"part to part", g.Part}, {"total", g.Total}} {
		fmt.Fprintf(&b, "%-16s SD %10.4g  %5.1f %% of variance  %5.1f %% of spread\n", l.name, l.SD, 100*l.Contribution, 100*l.Study)
	}
	if g.GaugeRR.Tolerance > 0 {
		fmt.Fprintf(&b, "Gauge R&R takes up %.1f %% of the tolerance; below 10 %% is good, above 30 %% no use (common practice).\n", 100*g.GaugeRR.Tolerance)
	}
	if g.Pooled {
		fmt.Fprintf(&b, "No person was seen to measure some parts differently from the others (interaction, p %.2g), so that went into repeatability.\n", g.PInteraction)
	}
	fmt.Fprintf(&b, "The device tells %d %s of part apart; 5 or more are wanted.\n", g.Distinct, map[bool]string{true: "class", false: "classes"}[g.Distinct == 1])
	return b.String()
}
