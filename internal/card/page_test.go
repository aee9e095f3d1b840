package card

import (
	"strings"
	"testing"
	"unicode/utf8"
)

func FuzzWrapKeepsEveryWordWithinItsWidth(f *testing.F) {
	f.Add("milk temperature 60 °C (57 °C to 63 °C), never above 65 °C (SAFETY)", 40.0)
	f.Add("pour [after 2 and 3]", 8.0)
	f.Add("unbrokenunbrokenunbrokenunbroken", 10.0)
	f.Fuzz(func(t *testing.T, words string, width float64) {
		const size = 3.0
		// Below two ems not even one wide letter has room.
		if !(width >= 2*size && width <= 200) || !utf8.ValidString(words) || len(words) > 2000 {
			return
		}
		lines := wrap(words, size, width, true)
		for _, l := range lines {
			if textWidth(l, size, true) > width+1e-9 {
				t.Errorf("%q is wider than %g mm", l, width)
			}
		}
		bare := func(s string) string {
			return strings.NewReplacer(" ", "", "\n", "", "\t", "", noBreak, "").Replace(s)
		}
		if got, want := bare(strings.Join(lines, "")), bare(words); got != want {
			t.Errorf("words %q came out as %q", want, got)
		}
	})
}

func TestSpreadKeepsLabelsApart(t *testing.T) {
	ls := []label{{want: 10, high: 8}, {want: 11, high: 8}, {want: 39, high: 8}}
	if !spread(ls, 0, 40) {
		t.Fatal("three labels of 8 mm have no room in 40 mm")
	}
	for i, l := range ls {
		if l.y < 0 || l.y+l.high > 40 || i > 0 && l.y < ls[i-1].y+ls[i-1].high-1e-9 {
			t.Errorf("label %d stands at %g mm", i, l.y)
		}
	}
	if spread(ls, 0, 20) {
		t.Error("24 mm of labels were taken to fit 20 mm")
	}
}
