package stat

import (
	"testing"

	"pgregory.net/rapid"
)

func TestWilson(t *testing.T) {
	for _, c := range []struct {
		x, n   int
		z      float64 // 0: exact 95 %
		lo, hi float64
		tol    float64
	}{
		// Newcombe 1998, table I (four digits from memory), R prop.test for ten.
		{81, 263, 0, 0.2552885199, 0.3662095770, 5e-11},
		{15, 148, 0, 0.0623863995, 0.1604872417, 5e-11},
		{0, 20, 0, 0, 0.1611251581, 5e-11},
		{1, 29, 0, 0.0061132143, 0.1717552188, 5e-11},
		{10, 14, 0, 0.4535091567, 0.8827862136, 5e-11},
		// README of the package wilson-score-interval, z = 1.96.
		{430, 474, 1.96, 0.8776750858242243, 0.9301239839930541, 1e-15},
		{392, 436, 1.96, 0.8672311846637769, 0.9239627360567735, 1e-15},
		{10, 14, 1.96, 0.4535045882751561, 0.882788120898909, 1e-15},
		// Design figures: 2 of 40 and 12 of 400, to a tenth of a per cent.
		{2, 40, 0, 0.014, 0.165, 0.0005},
		{12, 400, 0, 0.017, 0.052, 0.0005},
	} {
		var b Bounds
		var err error
		if c.z == 0 {
			b, err = Wilson(c.x, c.n, 0.95)
		} else {
			b, err = WilsonZ(c.x, c.n, c.z)
		}
		if err != nil {
			t.Fatal(err)
		}
		capNear(t, "lower", b.Lower, c.lo, c.tol)
		capNear(t, "upper", b.Upper, c.hi, c.tol)
	}
}

func TestClopperPearson(t *testing.T) {
	// Newcombe 1998, table I, method 5 (from memory): .2527 .3676, .0578 .1617,
	// .0000 .1684, .0009 .1776.
	for _, c := range []struct {
		x, n   int
		lo, hi float64
	}{{81, 263, .2527, .3676}, {15, 148, .0578, .1617}, {0, 20, 0, .1684}, {1, 29, .0009, .1776}} {
		b, err := ClopperPearson(c.x, c.n, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		capNear(t, "lower", b.Lower, c.lo, 5e-5)
		capNear(t, "upper", b.Upper, c.hi, 5e-5)
	}
}

func TestDifference(t *testing.T) {
	// Newcombe 1998, 56/70 against 48/80, method 10 (from memory): .0524 to .3339.
	d, b, err := Difference(56, 70, 48, 80, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	capNear(t, "difference", d, 0.2, 1e-12)
	capNear(t, "lower", b.Lower, .0524, 5e-5)
	capNear(t, "upper", b.Upper, .3339, 5e-5)
}

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
