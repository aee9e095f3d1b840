package reportscreen

import (
	"fmt"
	"sort"
	"strings"
)

// String tells the report in words.
func (r Report) String() string {
	var b strings.Builder
	tested, left := 0, map[string]int{}
	for _, s := range r.Stations {
		for _, c := range s.Screens {
			if c.Applies {
				tested++
			} else {
				left[string(c.Kind)]++
			}
		}
	}
	fmt.Fprintf(&b, "Method: honest-log screens, Benjamini-Hochberg at %g over all screens and stations; two independent kinds before anything is asked.\n", r.FalseShare)
	b.WriteString("Assumes: values are read one by one from the device; audited figures are of the same measure. The time of receipt is not used.\n")
	fmt.Fprintf(&b, "n = %d values, %d stations, %d screens applied.\n", r.N, len(r.Stations), tested)
	kinds := make([]string, 0, len(left))
	for k := range left {
		kinds = append(kinds, k)
	}
	sort.Strings(kinds)
	for _, k := range kinds {
		fmt.Fprintf(&b, "Not applied %d times: %s (the reasons are in --json).\n", left[k], k)
	}
	b.WriteByte('\n')
	put := 0
	for _, q := range r.Questions {
		if q.Put {
			put++
		}
		b.WriteString(q.String())
	}
	switch {
	case tested == 0:
		b.WriteString("Nothing could be screened: not enough data, or not enough flags.\n")
	case put == 0:
		b.WriteString("Nothing to ask.\n")
	}
	if n := len(r.Skipped); n > 0 {
		fmt.Fprintf(&b, "%d values left out, the first: %s.\n", n, r.Skipped[0])
	}
	return b.String()
}
