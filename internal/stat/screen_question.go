package stat

import (
	"fmt"
	"sort"
	"strings"
)

// BenjaminiHochberg returns the adjusted p-value of each: the least share of
// false findings at which it would be kept. Valid for independent and
// positively dependent tests.
//
// Source: Benjamini and Hochberg, Journal of the Royal Statistical Society B
// 57 (1995) 289-300.
func BenjaminiHochberg(p []float64) ([]float64, error) {
	order := indexes(len(p))
	for _, v := range p {
		if !(v >= 0 && v <= 1) {
			return nil, inputErr("p-value", v, "0 to 1")
		}
	}
	sort.SliceStable(order, func(i, j int) bool { return p[order[i]] < p[order[j]] })
	out := make([]float64, len(p))
	least := 1.0
	for r := len(order) - 1; r >= 0; r-- {
		least = min(least, p[order[r]]*float64(len(p))/float64(r+1))
		out[order[r]] = least
	}
	return out, nil
}

// StationScreens are the screens of one station over one period.
type StationScreens struct {
	Station string   `json:"station"`
	Screens []Screen `json:"screens"`
}

// Question is what to ask at one station, and why. It is no verdict: an honest
// log gives one now and then, and a good answer closes it.
type Question struct {
	Station string   `json:"station"`
	Put     bool     `json:"put"` // two independent screens agree
	Grounds []Ground `json:"grounds"`
}

// Ground is one screen that stood out, with its p-value adjusted over all
// screens of all stations; by-rule screens have none.
type Ground struct {
	Screen   Screen  `json:"screen"`
	Adjusted float64 `json:"adjustedP"`
}

// Questions adjusts the p-values of all stations' screens together, keeps
// those whose expected share of false findings is at most falseShare, and puts
// a question only where screens of two different families stand out: digits,
// repetition, clock, result. Stations with a single ground are returned with
// Put false, to be looked at again next period and not asked.
func Questions(stations []StationScreens, falseShare float64) ([]Question, error) {
	if !(falseShare > 0 && falseShare < 0.5) {
		return nil, inputErr("share of false findings", falseShare, "above 0 and below 0.5, such as 0.05")
	}
	var p []float64
	for _, s := range stations {
		for _, c := range s.Screens {
			if c.Applies && !c.ByRule {
				p = append(p, c.P)
			}
		}
	}
	adjusted, err := BenjaminiHochberg(p)
	if err != nil {
		return nil, err
	}
	var out []Question
	at := 0
	for _, s := range stations {
		q := Question{Station: s.Station}
		families := map[string]bool{}
		for _, c := range s.Screens {
			g := Ground{Screen: c, Adjusted: 1}
			hit := c.Applies && c.ByRule && c.Hit
			if c.Applies && !c.ByRule {
				g.Adjusted = adjusted[at]
				at++
				hit = g.Adjusted <= falseShare
			}
			if hit {
				q.Grounds = append(q.Grounds, g)
				families[c.Kind.family()] = true
			}
		}
		if len(q.Grounds) > 0 {
			q.Put = len(families) >= 2
			out = append(out, q)
		}
	}
	return out, nil
}

// chanceWords writes a p-value; how far below a ten-thousandth it lies is of no
// use to anybody.
func chanceWords(p float64) string {
	if p < 1e-4 {
		return "below 0.0001"
	}
	return fmt.Sprintf("%.2g", p)
}

// String tells the question in words.
func (q Question) String() string {
	var b strings.Builder
	if q.Put {
		fmt.Fprintf(&b, "%s: a question, not a verdict. %d screens of independent kinds stand out.\n", q.Station, len(q.Grounds))
	} else {
		fmt.Fprintf(&b, "%s: nothing to ask yet. One kind of screen stands out; two are needed.\n", q.Station)
	}
	for _, g := range q.Grounds {
		how := fmt.Sprintf("p %s, %s after adjustment for the number of screens", chanceWords(g.Screen.P), chanceWords(g.Adjusted))
		if g.Screen.ByRule {
			how = "by rule"
		}
		fmt.Fprintf(&b, "  %s (%s): %s.\n", g.Screen.Kind, how, g.Screen.Finding)
		if q.Put {
			fmt.Fprintf(&b, "    Ask: %s\n", g.Screen.Question)
		}
	}
	return b.String()
}
