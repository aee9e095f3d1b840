package audit

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/stat"
)

// Agreement says, by measure, whether self-logged values agree with auditors'.
type Agreement struct {
	Visits int `json:"visits"`
	Sites  int `json:"sites"`
	Builds int `json:"builds"`
	// Paired counts drinks found in the log by their build number, Unpaired
	// those measured and not found.
	Paired   int                `json:"paired"`
	Unpaired int                `json:"unpaired"`
	Measures []MeasureAgreement `json:"measures"`
	Notes    []string           `json:"notes,omitempty"`
}

// MeasureAgreement is one measure. Same is of the same drinks measured twice;
// Unlike compares distances from target of different drinks, where there are
// no pairs to speak of. Both nil means not enough data; Why says so, with the n
// that would be enough.
type MeasureAgreement struct {
	Measure string     `json:"measure"`
	Label   string     `json:"label"`
	Unit    drink.Unit `json:"unit"`
	Limit   float64    `json:"limit"`
	Pairs   int        `json:"pairs"`
	// Subjects says what repeated pairs share.
	Subjects string           `json:"subjects,omitempty"`
	Same     *stat.Agreement  `json:"same_drinks,omitempty"`
	Unlike   *stat.TwoSamples `json:"unlike_drinks,omitempty"`
	Why      string           `json:"why,omitempty"`
	// Values are the pairs themselves, for a drawing.
	Values []PairValue `json:"-"`
}

// leastPairs is the fewest pairs that are compared; with fewer the answer is
// "not enough data". usefulPairs give limits worth having.
const (
	leastPairs  = 3
	usefulPairs = 30
)

// PairValue is one drink measured twice, in the base unit.
type PairValue struct {
	Auditor, Self float64
	Site          string
}

type pair struct {
	auditor, self float64
	site, visit   string
}

// Compare compares visits with the builds that their sites logged. A drink is
// paired by its build number, its value by check and occurrence; the limit is
// the plan's. Pairs of one site are repeated pairs: with 3 sites or more the
// variance within and between sites is kept apart, with 3 visits or more that
// of visits, else each pair stands for itself and the answer holds for that
// visit alone. Where a measure has fewer than 3 pairs, the drinks that could
// not be paired are compared as distributions, by distance from target, with
// what the same sites logged of the same servings.
//
// Visits whose plans state different limits for one measure are refused.
func Compare(visits []*Visit, builds []drink.Build) (*Agreement, error) {
	if len(visits) == 0 {
		return nil, inputErr("visits", 0, "at least one")
	}
	byID := make(map[string]*drink.Build, len(builds))
	for i := range builds {
		byID[strings.ToLower(builds[i].ID)] = &builds[i]
	}
	a := &Agreement{Visits: len(visits), Builds: len(builds)}
	limits := map[string]Limit{}
	sites := map[string]bool{}
	pairs := map[string][]pair{}
	alone := map[string][]float64{}  // auditor, distance from target
	audited := map[string]bool{}     // builds that are pairs
	wanted := map[wantKey]pickWant{} // what unlike drinks are compared with
	for _, v := range visits {
		sites[v.Plan.Site] = true
		for _, l := range v.Plan.Limits {
			if was, ok := limits[l.Measure]; ok && was.Limit != l.Limit {
				return nil, inputErr("limit of "+l.Measure, fmt.Sprintf("%s and %s", was.Limit, l.Limit), "one limit in all plans: it was decided before; compare these visits one by one")
			}
			limits[l.Measure] = l
		}
		for i := range v.Entries {
			a.take(v, &v.Entries[i], byID, pairs, alone, audited, wanted)
		}
	}
	a.Sites = len(sites)
	self := logged(builds, audited, wanted)
	for _, m := range auditables {
		l, ok := limits[m.measure]
		if !ok || len(pairs[m.measure])+len(alone[m.measure]) == 0 {
			continue
		}
		out := MeasureAgreement{Measure: m.measure, Label: drink.MeasureByCode(m.measure).Label, Unit: l.Unit, Limit: l.Limit.Float(), Pairs: len(pairs[m.measure])}
		if err := out.fill(pairs[m.measure], alone[m.measure], self[m.measure], l.Limit.Float()); err != nil {
			return nil, fmt.Errorf("%s: %w", m.measure, err)
		}
		for _, p := range pairs[m.measure] {
			out.Values = append(out.Values, PairValue{p.auditor, p.self, p.site})
		}
		a.Measures = append(a.Measures, out)
	}
	return a, nil
}

// wantKey and pickWant find self-logged values that are like an auditor's.
type wantKey struct{ site, serving, check string }

type pickWant struct {
	measure string
	target  drink.Milli
}

// take sorts one drink's values into pairs and values that stand alone.
func (a *Agreement) take(v *Visit, e *Entry, byID map[string]*drink.Build, pairs map[string][]pair, alone map[string][]float64,
	audited map[string]bool, wanted map[wantKey]pickWant) {
	if len(e.Readings) == 0 {
		return
	}
	pick := &v.Plan.Picks[e.No-1]
	b := byID[strings.ToLower(e.Build)]
	switch {
	case e.Build != "" && b == nil:
		a.Notes = append(a.Notes, fmt.Sprintf("%s, %s, drink %d: build %s is not in the log; it is not a pair.", v.Plan.Site, v.Plan.Day, e.No, e.Build))
	case b != nil && (b.Site != v.Plan.Site || b.Serving != e.Serving):
		a.Notes = append(a.Notes, fmt.Sprintf("%s, %s, drink %d: build %s is a %s logged at %s, not this %s; it is not a pair.",
			v.Plan.Site, v.Plan.Day, e.No, e.Build, b.Serving, b.Site, e.Serving))
		b = nil
	case b != nil && audited[b.ID]:
		a.Notes = append(a.Notes, fmt.Sprintf("%s, %s, drink %d: build %s was paired with another drink already; it is not a pair.", v.Plan.Site, v.Plan.Day, e.No, e.Build))
		b = nil
	}
	if b == nil {
		a.Unpaired++
	} else {
		a.Paired++
		audited[b.ID] = true
	}
	for _, r := range e.Readings {
		k := slices.IndexFunc(pick.Checks, func(c PickCheck) bool { return c.Check == r.Check && c.Occurrence == r.Occurrence })
		if k < 0 {
			continue // ReadVisit takes planned values only
		}
		c := pick.Checks[k]
		if b != nil {
			if s, ok := selfReading(b, &c); ok {
				pairs[c.Measure] = append(pairs[c.Measure], pair{auditor: r.Value.Float(), self: s, site: v.Plan.Site, visit: v.Plan.Site + " " + v.Plan.Day})
				continue
			}
		}
		if e.Serving != pick.Serving {
			continue // the plan has no target for what was made instead
		}
		alone[c.Measure] = append(alone[c.Measure], r.Value.Float()-c.Target.Float())
		wanted[wantKey{v.Plan.Site, e.Serving, c.Check}] = pickWant{c.Measure, c.Target}
	}
}

func selfReading(b *drink.Build, c *PickCheck) (float64, bool) {
	for i := range b.Readings {
		if r := &b.Readings[i]; r.Check == c.Check && r.Occurrence == c.Occurrence && r.Unit == c.Unit {
			return r.Value.Float(), true
		}
	}
	return 0, false
}

// logged gathers, by measure, how far self-logged values of like drinks lie
// from target; pairs are left out.
func logged(builds []drink.Build, audited map[string]bool, wanted map[wantKey]pickWant) map[string][]float64 {
	out := map[string][]float64{}
	for i := range builds {
		b := &builds[i]
		if audited[b.ID] {
			continue
		}
		for j := range b.Readings {
			r := &b.Readings[j]
			if w, ok := wanted[wantKey{b.Site, b.Serving, r.Check}]; ok && r.Unit == drink.MeasureByCode(w.measure).Unit {
				out[w.measure] = append(out[w.measure], r.Value.Float()-w.target.Float())
			}
		}
	}
	return out
}

func (m *MeasureAgreement) fill(pairs []pair, alone, self []float64, limit float64) error {
	if len(pairs) >= leastPairs {
		var auditor, own []float64
		sites, visits := map[string]bool{}, map[string]bool{}
		for _, p := range pairs {
			auditor, own = append(auditor, p.auditor), append(own, p.self)
			sites[p.site], visits[p.visit] = true, true
		}
		var subject []string
		m.Subjects = "each drink; it holds for this visit alone"
		switch {
		case len(sites) >= leastPairs:
			m.Subjects = "site"
		case len(visits) >= leastPairs:
			m.Subjects = "visit"
		}
		for _, p := range pairs {
			switch m.Subjects {
			case "site":
				subject = append(subject, p.site)
			case "visit":
				subject = append(subject, p.visit)
			}
		}
		r, err := stat.Agree(auditor, own, subject, limit)
		if err != nil {
			return err
		}
		m.Same = &r
		return nil
	}
	r, err := stat.CompareSamples(alone, self, limit)
	switch {
	case err == nil:
		m.Unlike = &r
	case errors.Is(err, stat.ErrInput):
		m.Why = fmt.Sprintf("not enough data: %d pairs (%d are the least, about %d are useful), and %d unpaired values against %d logged (5 and 5 are the least)",
			len(pairs), leastPairs, usefulPairs, len(alone), len(self))
	default:
		return err
	}
	return nil
}

// String tells the agreement in words.
func (a *Agreement) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Self-logged against auditor values: %d visits of %d sites, %d logged builds\n", a.Visits, a.Sites, a.Builds)
	fmt.Fprintf(&b, "%d drinks paired by build number, %d not. Limits are those of the plans, decided before.\n", a.Paired, a.Unpaired)
	for _, n := range a.Notes {
		fmt.Fprintf(&b, "Note: %s\n", n)
	}
	for _, m := range a.Measures {
		fmt.Fprintf(&b, "\n== %s, limit %g %s ==\n", m.Label, m.Limit, m.Unit.Symbol())
		switch {
		case m.Same != nil:
			b.WriteString(m.Same.String())
			fmt.Fprintf(&b, "What pairs share: %s.\n", m.Subjects)
			if m.Pairs < usefulPairs {
				fmt.Fprintf(&b, "Only %d pairs; about %d give useful limits.\n", m.Pairs, usefulPairs)
			}
		case m.Unlike != nil:
			b.WriteString("Values are distances from target, since the drinks are not the same.\n")
			b.WriteString(m.Unlike.String())
		default:
			fmt.Fprintf(&b, "%s.\n", strings.ToUpper(m.Why[:1])+m.Why[1:])
		}
	}
	if len(a.Measures) == 0 {
		b.WriteString("\nNothing was measured, so nothing can be compared.\n")
	}
	return b.String()
}
