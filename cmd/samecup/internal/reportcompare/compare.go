// Package reportcompare puts a fair comparison of sites together and writes it
// in words, for samecup compare.
package reportcompare

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"samecup.example/samecup/cmd/samecup/internal/reportskip"
	"samecup.example/samecup/cmd/samecup/internal/table"
	"samecup.example/samecup/internal/stat"
)

// Columns names the columns of the file; Kind may be empty.
type Columns struct{ Site, Bad, N, Kind string }

// Names lists the columns to read.
func (c Columns) Names() []string {
	out := []string{c.Site, c.Bad, c.N}
	if c.Kind != "" {
		out = append(out, c.Kind)
	}
	return out
}

// Report is all that samecup compare knows.
type Report struct {
	Skipped []table.Skipped    `json:"skipped,omitempty"`
	Funnel  stat.FunnelResult  `json:"funnel"`
	Shrunk  *stat.ShrunkResult `json:"shrunken,omitempty"`
	Mix     []stat.Adjusted    `json:"adjusted_for_mix,omitempty"`
	Kind    string             `json:"kind,omitempty"`
}

// Build adds the rows of each site up and compares the sites; target may be nil.
func Build(t *table.Table, c Columns, target *float64) (*Report, error) {
	_, skipBad, err := t.Floats(c.Bad)
	if err != nil {
		return nil, err
	}
	_, skipN, err := t.Floats(c.N)
	if err != nil {
		return nil, err
	}
	r := &Report{Skipped: append(skipBad, skipN...), Kind: c.Kind}
	t = t.Without(skipBad, skipN)
	bad, _, err := t.Floats(c.Bad)
	if err != nil {
		return nil, err
	}
	n, _, err := t.Floats(c.N)
	if err != nil {
		return nil, err
	}
	names, err := t.Strings(c.Site)
	if err != nil {
		return nil, err
	}
	kinds := make([]string, len(names))
	if c.Kind != "" {
		if kinds, err = reportskip.Labels(t, c.Kind); err != nil {
			return nil, err
		}
	}
	strata, sites, err := add(t, c, names, kinds, bad, n)
	if err != nil {
		return nil, err
	}
	if r.Funnel, err = stat.Funnel(sites, target); err != nil {
		return nil, err
	}
	if r.Funnel.Bad > 0 && r.Funnel.Bad < r.Funnel.N {
		s, err := stat.ShrinkRates(sites, 0.95)
		if err != nil {
			return nil, err
		}
		r.Shrunk = &s
	}
	if c.Kind != "" {
		r.Mix, err = stat.AdjustForMix(strata, 0.95)
	}
	return r, err
}

func add(t *table.Table, c Columns, names, kinds []string, bad, n []float64) ([]stat.Stratum, []stat.SiteCount, error) {
	at, cell := map[string]int{}, map[[2]string]int{}
	var sites []stat.SiteCount
	var strata []stat.Stratum
	for i, name := range names {
		if name == "" {
			return nil, nil, fmt.Errorf("line %d, column %q: no site; name the site of each row", t.Line(i), c.Site)
		}
		for _, f := range []struct {
			col string
			v   float64
		}{{c.Bad, bad[i]}, {c.N, n[i]}} {
			if f.v < 0 || f.v > 1e9 || f.v != math.Trunc(f.v) {
				return nil, nil, fmt.Errorf("line %d, column %q: %g is not a count; write a whole number from 0", t.Line(i), f.col, f.v)
			}
		}
		if bad[i] > n[i] {
			return nil, nil, fmt.Errorf("line %d: %g bad of %g checks; bad cannot be more than the checks (are the columns swapped?)", t.Line(i), bad[i], n[i])
		}
		if n[i] == 0 {
			continue
		}
		j, ok := at[name]
		if !ok {
			j = len(sites)
			at[name], sites = j, append(sites, stat.SiteCount{Site: name})
		}
		sites[j].Bad += int(bad[i])
		sites[j].N += int(n[i])
		key := [2]string{name, kinds[i]}
		j, ok = cell[key]
		if !ok {
			j = len(strata)
			cell[key], strata = j, append(strata, stat.Stratum{Site: name, Kind: kinds[i]})
		}
		strata[j].Bad += int(bad[i])
		strata[j].N += int(n[i])
	}
	return strata, sites, nil
}

// String writes the report in words.
func (r *Report) String() string {
	var b strings.Builder
	f := r.Funnel
	source := "the rate of all sites together"
	if f.Given {
		source = "given"
	}
	b.WriteString("Fair comparison of sites\n")
	b.WriteString("  method       funnel limits at 95 % and 99.8 % around one target, exact binomial with linear interpolation\n")
	if f.Over {
		fmt.Fprintf(&b, "               widened: the sites differ by more than chance (phi %.2f, %.2g points between sites)\n", f.Phi, 100*math.Sqrt(f.Tau2))
	}
	b.WriteString("  assumes      independent checks chosen alike at every site; auditor-measured, not self-logged\n")
	fmt.Fprintf(&b, "  n            %d checks at %d sites, %d bad\n", f.N, len(f.Sites), f.Bad)
	fmt.Fprintf(&b, "  target       %.2f %%, %s\n", 100*f.Target, source)
	fmt.Fprintf(&b, "  by chance    were all %d sites alike, about %.1f would lie outside the 95 %% limits and %.2g outside the 99.8 %% limits\n", len(f.Sites), 0.05*float64(len(f.Sites)), 0.002*float64(len(f.Sites)))
	fmt.Fprintf(&b, "\n  %-22s %9s %7s  %-15s %-15s %s\n", "site", "bad/n", "rate %", "95 % Wilson", "95 % limits", "finding")
	for _, s := range f.Sites {
		fmt.Fprintf(&b, "  %-22s %9s %7.2f  %-15s %-15s %s", s.Site, fmt.Sprintf("%d/%d", s.Bad, s.N), 100*s.Rate, pct(s.Wilson), pct(s.Near), s.Band)
		if s.Enough > 0 {
			fmt.Fprintf(&b, " (%d checks would show twice the target)", s.Enough)
		}
		b.WriteString("\n")
	}
	r.shrunkWords(&b)
	r.mixWords(&b)
	b.WriteString(reportskip.Words(r.Skipped))
	return b.String()
}

func (r *Report) shrunkWords(b *strings.Builder) {
	s := r.Shrunk
	if s == nil {
		return
	}
	b.WriteString("\nProbable rates: each site's rate drawn towards that of all, the more so the fewer its checks (beta-binomial model);\n")
	fmt.Fprintf(b, "%s.\n", s.Note)
	fmt.Fprintf(b, "  %-22s %7s  %-15s %s\n", "site", "rate %", fmt.Sprintf("%g %% interval", 100*s.Conf), "rank, 1 is the lowest rate")
	low, high := 1, len(s.Sites)
	for _, s := range s.Sites {
		fmt.Fprintf(b, "  %-22s %7.2f  %-15s %d to %d\n", s.Site, 100*s.Mean, pct(s.Bounds), s.RankLow, s.RankHigh)
		low, high = max(low, s.RankLow), min(high, s.RankHigh)
	}
	if slack := len(s.Sites) / 10; low <= 1+slack && high >= len(s.Sites)-slack {
		b.WriteString("No ranking is possible: each site may have any rank, or nearly any.\n")
	}
}

func (r *Report) mixWords(b *strings.Builder) {
	if r.Mix == nil {
		return
	}
	fmt.Fprintf(b, "\nAdjusted for the mix of %s: direct compares sites with each other, the ratio each with the chain.\n", r.Kind)
	fmt.Fprintf(b, "  %-22s %7s %9s  %-15s %s\n", "site", "raw %", "direct %", "95 % interval", "bad/expected")
	for _, a := range r.mixInOrder() {
		direct, in, ratio := "-", "", "nothing expected"
		if a.Direct != nil {
			direct, in = fmt.Sprintf("%.2f", 100*a.Direct.Value), pct(a.Direct.Bounds)
		}
		if a.Ratio != nil {
			ratio = fmt.Sprintf("%.2f (%.2f to %.2f)", a.Ratio.Value, a.Ratio.Lower, a.Ratio.Upper)
		}
		if a.Direct == nil {
			ratio += "; no direct rate without checks of " + some(a.Missing)
		}
		fmt.Fprintf(b, "  %-22s %7.2f %9s  %-15s %s\n", a.Site, 100*a.Raw, direct, in, ratio)
	}
}

// mixInOrder lists the sites as the funnel does, so that the tables can be read
// side by side.
func (r *Report) mixInOrder() []stat.Adjusted {
	at := make(map[string]int, len(r.Funnel.Sites))
	for i, s := range r.Funnel.Sites {
		at[s.Site] = i
	}
	return slices.SortedStableFunc(slices.Values(r.Mix), func(a, b stat.Adjusted) int { return cmp.Compare(at[a.Site], at[b.Site]) })
}

// some names the first few of a list.
func some(list []string) string {
	const most = 3
	if len(list) <= most+1 {
		return strings.Join(list, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(list[:most], ", "), len(list)-most)
}

func pct(b stat.Bounds) string { return fmt.Sprintf("%.2f to %.2f", 100*b.Lower, 100*b.Upper) }
