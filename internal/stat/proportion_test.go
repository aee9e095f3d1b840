package stat

import (
	"testing"

	"pgregory.net/rapid"
)

func TestIntervalsHold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 100000).Draw(t, "n")
		x := rapid.IntRange(0, n).Draw(t, "x")
		conf := rapid.Float64Range(0.5, 0.999).Draw(t, "conf")
		p := float64(x) / float64(n)
		w, err := Wilson(x, n, conf)
		if err != nil || !(w.Lower >= 0 && w.Upper <= 1) || w.Lower > p+1e-12 || w.Upper < p-1e-12 {
			t.Fatalf("Wilson(%d, %d) = %v, %v", x, n, w, err)
		}
		e, err := ClopperPearson(x, n, conf)
		if err != nil || !(e.Lower >= 0 && e.Upper <= 1) || e.Lower > p+1e-9 || e.Upper < p-1e-9 {
			t.Fatalf("ClopperPearson(%d, %d) = %v, %v", x, n, e, err)
		}
		q, err := Wilson(n-x, n, conf)
		if err != nil || q.Lower-(1-w.Upper) > 1e-9 || (1-w.Upper)-q.Lower > 1e-9 {
			t.Fatalf("Wilson is not symmetric: %v against %v", w, q)
		}
	})
}

func TestAdjustForMix(t *testing.T) {
	// Both sites are equally good at each kind; b makes more of the hard one.
	rows := []Stratum{
		{"a", "espresso", 9, 900}, {"a", "latte", 10, 100},
		{"b", "espresso", 1, 100}, {"b", "latte", 90, 900},
	}
	got, err := AdjustForMix(rows, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range got { // by direct arithmetic
		capNear(t, a.Site+" direct", a.Direct.Value, 0.055, 1e-12)
		capNear(t, a.Site+" ratio", a.Ratio.Value, 1, 1e-12)
	}
	got, _ = AdjustForMix(rows[:3], 0.95)
	if got[1].Direct != nil || len(got[1].Missing) != 1 {
		t.Errorf("b made no latte: %+v", got[1])
	}
	// Garwood limits for 0 and 10 seen: 0 to 3.689 and 4.795 to 18.39 (common
	// tables, from memory).
	for _, c := range []struct {
		x      int
		lo, hi float64
	}{{0, 0, 3.689}, {10, 4.795, 18.390}} {
		b := poissonExact(c.x, 0.95)
		capNear(t, "lower", b.Lower, c.lo, 0.0006)
		capNear(t, "upper", b.Upper, c.hi, 0.0006)
	}
}
