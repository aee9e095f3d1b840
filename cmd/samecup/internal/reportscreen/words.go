package reportscreen

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"samecup.example/samecup/cmd/samecup/internal/reportskip"
	"samecup.example/samecup/internal/stat"
)

// String tells the report in words.
func (r Report) String() string {
	var b strings.Builder
	tested := 0
	left := map[stat.ScreenKind]*notApplied{}
	for _, s := range r.Stations {
		for _, c := range s.Screens {
			switch n := left[c.Kind]; {
			case c.Applies:
				tested++
			case n == nil:
				left[c.Kind] = &notApplied{1, s.Station, c.Why}
			default:
				n.times++
			}
		}
	}
	fmt.Fprintf(&b, "Method: honest-log screens, Benjamini-Hochberg at %g over all screens and stations; two independent kinds before anything is asked.\n", r.FalseShare)
	b.WriteString("Assumes: values are read one by one from the device; audited figures are of the same measure. The time of receipt is not used.\n")
	fmt.Fprintf(&b, "n = %s, %s, %s applied.\n", counted(r.N, "value"), counted(len(r.Stations), "station"), counted(tested, "screen"))
	for _, k := range slices.Sorted(maps.Keys(left)) {
		n := left[k]
		if n.times == 1 {
			fmt.Fprintf(&b, "Not applied, %s: at %s: %s.\n", k, n.station, n.why)
			continue
		}
		fmt.Fprintf(&b, "Not applied, %s: %d times, the first at %s: %s.\n", k, n.times, n.station, n.why)
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
		b.WriteString("Nothing to ask: no station stands out in two independent kinds of screen.")
		if len(left) > 0 {
			b.WriteString(" What was not applied could not see anything.")
		}
		b.WriteByte('\n')
	}
	b.WriteString(reportskip.Words(r.Skipped))
	return b.String()
}

// notApplied counts the screens of one kind that had no meaning, with the first.
type notApplied struct {
	times        int
	station, why string
}

// counted writes 1 value, 2 values.
func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
