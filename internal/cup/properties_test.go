package cup_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/cup"
)

// drawn is a vessel of any kind and how to make it k times as large.
type drawn struct {
	kind  string
	shape cup.Shape
	grow  func(k float64) (cup.Shape, error)
}

func drawShape(t *rapid.T) drawn {
	mm := func(lo, hi float64, name string) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
	var d drawn
	d.kind = rapid.SampledFrom([]string{"frustum", "cylinder", "sections", "table", "rough table"}).Draw(t, "kind")
	switch d.kind {
	case "frustum":
		b, w, h := mm(20, 120, "base"), mm(20, 120, "top"), mm(20, 250, "height")
		d.grow = func(k float64) (cup.Shape, error) { return cup.New(b*k, w*k, h*k) }
	case "cylinder":
		w, h := mm(20, 120, "diameter"), mm(20, 250, "height")
		d.grow = func(k float64) (cup.Shape, error) { return cup.NewCylinder(w*k, h*k) }
	case "sections":
		var s []cup.Section
		for range rapid.IntRange(1, 5).Draw(t, "sections") {
			s = append(s, cup.Section{BaseMM: mm(20, 120, "base"), TopMM: mm(20, 120, "top"), HeightMM: mm(5, 80, "height")})
		}
		d.grow = func(k float64) (cup.Shape, error) {
			var big []cup.Section
			for _, c := range s {
				big = append(big, cup.Section{BaseMM: c.BaseMM * k, TopMM: c.TopMM * k, HeightMM: c.HeightMM * k})
			}
			return cup.NewSections(big)
		}
	case "table", "rough table":
		// A table's area changes by degrees, as a cup's does; a rough one has
		// flats, where a depth is ill-posed, and asks only for its volumes.
		var fills []cup.Fill
		var depth, volume float64
		area := mm(300, 3000, "area")
		for range rapid.IntRange(3, 9).Draw(t, "fills") {
			step := mm(2, 30, "step")
			depth += step
			if area *= mm(0.8, 1.4, "widening"); d.kind == "table" {
				volume += area * step / 1000
			} else {
				volume += mm(1, 120, "ml")
			}
			fills = append(fills, cup.Fill{DepthMM: depth, VolumeML: volume})
		}
		d.grow = func(k float64) (cup.Shape, error) {
			var big []cup.Fill
			for _, f := range fills {
				big = append(big, cup.Fill{DepthMM: f.DepthMM * k, VolumeML: f.VolumeML * k * k * k})
			}
			return cup.NewTable(big, 80*k)
		}
	}
	shape, err := d.grow(1)
	if err != nil {
		t.Fatal(err)
	}
	d.shape = shape
	return d
}

func must(t *rapid.T) func(float64, error) float64 {
	return func(v float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%g came out", v)
		}
		return v
	}
}

func close9(got, want float64) bool {
	return math.Abs(got-want) <= 1e-9*math.Max(math.Abs(got), math.Abs(want))
}

func TestDepthAndVolumeAreInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, ok := drawShape(t), must(t)
		v := rapid.Float64Range(0, 1).Draw(t, "part") * d.shape.Brim()
		depth := ok(d.shape.Depth(v))
		if back := ok(d.shape.Volume(depth)); !close9(back, v) {
			t.Fatalf("%s: %.17g ml stands at %.17g mm, which holds %.17g ml", d.kind, v, depth, back)
		}
		if depth > d.shape.Height() {
			t.Fatalf("%s: depth %g above the lip at %g", d.kind, depth, d.shape.Height())
		}
		gap := ok(cup.RimGap(d.shape, v)) // the way round by the rim
		line, err := cup.FillLine(d.shape, gap)
		if err != nil || math.Abs(line.VolumeML-v) > 1e-9*d.shape.Brim() {
			t.Fatalf("%s: fill line %+v, %v for %g ml", d.kind, line, err, v)
		}
		if d.kind == "rough table" {
			return
		}
		h := rapid.Float64Range(0, 1).Draw(t, "h") * d.shape.Height()
		if back := ok(d.shape.Depth(ok(d.shape.Volume(h)))); math.Abs(back-h) > 1e-9*d.shape.Height() {
			t.Fatalf("%s: depth %.17g came back as %.17g", d.kind, h, back)
		}
	})
}

func TestLayersAddForAnySplitAndFillsStayUnderTheBrim(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, ok := drawShape(t), must(t)
		if d.kind == "rough table" {
			t.Skip("a level is ill-posed on a flat")
		}
		s, brim := d.shape, d.shape.Brim()
		h := rapid.Float64Range(0, 1).Draw(t, "depth") * s.Height()
		cut := rapid.Float64Range(0, 1).Draw(t, "cut") * h
		if v := ok(s.Volume(h)); v > brim {
			t.Fatalf("%s holds %g of %g ml", d.kind, v, brim)
		}
		whole := ok(cup.LayerVolume(s, brim, h))
		upper := ok(cup.LayerVolume(s, brim, cut))
		lower := ok(cup.LayerVolume(s, brim-upper, h-cut))
		if math.Abs(whole-upper-lower) > 1e-9*brim {
			t.Fatalf("%s: %g ml split into %g and %g", d.kind, whole, upper, lower)
		}
		back := ok(cup.LayerVolume(s, brim, ok(cup.LayerDepth(s, brim, whole))))
		if math.Abs(back-whole) > 1e-9*brim {
			t.Fatalf("%s: layer %g came back as %g", d.kind, whole, back)
		}
	})
}

func TestVolumeRisesWithDepthAndAreaIsItsSlope(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, ok := drawShape(t), must(t)
		a := rapid.Float64Range(0, 1).Draw(t, "a") * d.shape.Height()
		b := rapid.Float64Range(0, 1).Draw(t, "b") * d.shape.Height()
		lo, hi := math.Min(a, b), math.Max(a, b)
		if ok(d.shape.Volume(lo)) > ok(d.shape.Volume(hi)) {
			t.Fatalf("%s: volume falls between %g and %g mm", d.kind, lo, hi)
		}
		w := ok(d.shape.Width(a))
		if area := ok(d.shape.Area(a)); math.Abs(area-math.Pi*w*w/4) > 1e-9*(1+area) {
			t.Fatalf("%s: area %g of width %g", d.kind, area, w)
		}
		if d.kind == "frustum" || d.kind == "cylinder" {
			const e = 1e-4
			m := math.Min(math.Max(a, e), d.shape.Height()-e)
			slope := (ok(d.shape.Volume(m+e)) - ok(d.shape.Volume(m-e))) / (2 * e) * 1000
			if area := ok(d.shape.Area(m)); math.Abs(slope-area) > 1e-5*area {
				t.Fatalf("%s: area %g, slope %g", d.kind, area, slope)
			}
		}
	})
}

func TestVolumeIsMonotoneInEveryDimension(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ok := must(t)
		b := rapid.Float64Range(0, 120).Draw(t, "base")
		w := rapid.Float64Range(20, 120).Draw(t, "top")
		h := rapid.Float64Range(20, 250).Draw(t, "height")
		more := rapid.Float64Range(0.1, 30).Draw(t, "more")
		depth := h * rapid.Float64Range(0.01, 1).Draw(t, "depth")
		volume := func(b, w, h float64) float64 {
			p, err := cup.New(b, w, h)
			if err != nil {
				t.Fatal(err)
			}
			return ok(p.Volume(depth))
		}
		v := volume(b, w, h)
		if volume(b+more, w, h) < v || volume(b, w+more, h) < v {
			t.Fatal("a wider cup holds less at the same depth")
		}
		// A taller cup is narrower at a given depth if it opens, wider if it closes.
		if taller := volume(b, w, h+more); (w >= b && taller > v*(1+1e-12)) || (w <= b && taller < v*(1-1e-12)) {
			t.Fatal("height moves the volume at a depth the wrong way")
		}
		p, err1 := cup.New(b, w, h)
		q, err2 := cup.New(b, w, h+more)
		if err := errors.Join(err1, err2); err != nil || q.Brim() <= p.Brim() {
			t.Fatalf("a taller cup holds no more: %v", err)
		}
	})
}

func TestVolumeGoesAsTheCubeOfLength(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, ok := drawShape(t), must(t)
		k := rapid.Float64Range(0.2, 5).Draw(t, "k")
		big, err := d.grow(k)
		if err != nil {
			t.Fatal(err)
		}
		part := rapid.Float64Range(0, 0.999).Draw(t, "part")
		v, grown := ok(d.shape.Volume(part*d.shape.Height())), ok(big.Volume(part*big.Height()))
		if math.Abs(grown-k*k*k*v) > 1e-9*big.Brim() || !close9(big.Brim(), k*k*k*d.shape.Brim()) {
			t.Fatalf("%s: %g ml grew %g times to %g", d.kind, v, k, grown)
		}
		rim := d.shape.Rim()
		above := rapid.Float64Range(0, 0.499).Draw(t, "above") * rim
		if a, b := ok(cup.CapVolume(rim, above)), ok(cup.CapVolume(rim*k, above*k)); !close9(b, k*k*k*a) {
			t.Fatalf("cap %g grew to %g", a, b)
		}
	})
}

func TestCapHeightAndVolumeAreInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ok := must(t)
		rim := rapid.Float64Range(1, 300).Draw(t, "rim")
		h := rapid.Float64Range(0, 1).Draw(t, "part") * rim / 2
		if back := ok(cup.CapHeight(rim, ok(cup.CapVolume(rim, h)))); !close9(back, h) {
			t.Fatalf("height %.17g came back as %.17g", h, back)
		}
	})
}

func TestFrothVolumeAndItsStandAreInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, ok := drawShape(t), must(t)
		below := rapid.Float64Range(0, 1).Draw(t, "below") * d.shape.Height()
		above := rapid.Float64Range(0, 0.499).Draw(t, "above") * d.shape.Rim()
		froth := ok(cup.FrothVolume(d.shape, below, above))
		dome := ok(cup.CapVolume(d.shape.Rim(), above))
		got, err := cup.FrothOf(d.shape, d.shape.Brim()+dome, froth)
		if err != nil {
			t.Fatal(err)
		}
		again := ok(cup.FrothVolume(d.shape, got.BelowMM, got.AboveMM))
		if math.Abs(again-froth) > 1e-8*(d.shape.Brim()+froth) {
			t.Fatalf("%s: froth %g stood as %+v, which is %g", d.kind, froth, got, again)
		}
	})
}
