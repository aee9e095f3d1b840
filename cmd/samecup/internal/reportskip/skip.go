// Package reportskip words the values that a statistics command left out.
package reportskip

import (
	"fmt"
	"strings"

	"samecup.example/samecup/cmd/samecup/internal/table"
)

// most bounds the lines shown, so that a column of blanks stays readable; the
// JSON form lists all.
const most = 10

// Words lists the first values left out and counts the rest; "" for none.
func Words(skipped []table.Skipped) string {
	if len(skipped) == 0 {
		return ""
	}
	var b strings.Builder
	what := "values that cannot be used"
	if len(skipped) == 1 {
		what = "value that cannot be used"
	}
	fmt.Fprintf(&b, "\nLeft out, %d %s:\n", len(skipped), what)
	for i, s := range skipped {
		if i == most {
			fmt.Fprintf(&b, "  and %d more (--json lists all)\n", len(skipped)-most)
			break
		}
		fmt.Fprintf(&b, "  %s\n", s)
	}
	return b.String()
}

// Labels returns the text of a column of labels and refuses an empty one, which
// would make one group of all rows without a label.
func Labels(t *table.Table, column string) ([]string, error) {
	labels, err := t.Strings(column)
	if err != nil {
		return nil, err
	}
	for i, l := range labels {
		if l == "" {
			return nil, fmt.Errorf("line %d, column %q: no label; name it on each row, or leave the column out", t.Line(i), column)
		}
	}
	return labels, nil
}
