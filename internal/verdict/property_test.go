package verdict_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

// drawServing draws a serving with random limits, needs and step order.
func drawServing(t *rapid.T) drink.Serving {
	s := drink.Serving{ID: "s", Vessel: "c240", Shots: rapid.IntRange(0, 3).Draw(t, "shots"),
		Milk:       rapid.SampledFrom([]string{"", "whole"}).Draw(t, "milk"),
		Garnish:    rapid.SampledFrom([][]string{nil, {"cocoa"}, {"cocoa", "nuts"}}).Draw(t, "garnish"),
		MayReplace: []drink.Substitution{{From: "whole", To: "oat"}, {From: "cocoa", To: "cinnamon"}},
	}
	for range rapid.IntRange(0, 6).Draw(t, "checks") {
		m := drink.Measures[rapid.IntRange(0, len(drink.Measures)-1).Draw(t, "measure")]
		if slices.ContainsFunc(s.Checks, func(c drink.Check) bool { return c.ID == m.Code }) {
			continue
		}
		limits := rapid.SliceOfN(rapid.Int64Range(int64(m.Least), int64(m.Most)), 3, 3).Draw(t, "limits")
		slices.Sort(limits)
		c := drink.Check{ID: m.Code, Measure: m.Code, Low: drink.Milli(limits[0]), Target: drink.Milli(limits[1]), High: drink.Milli(limits[2]),
			Criticality: drink.Criticality(rapid.IntRange(1, 3).Draw(t, "criticality")), Need: drink.Need(rapid.IntRange(1, 3).Draw(t, "need")),
			Occurrences: rapid.IntRange(1, 3).Draw(t, "occurrences"), Resolution: m.Resolution}
		switch rapid.IntRange(0, 3).Draw(t, "side") {
		case 0:
			c.Low = drink.NoLow
		case 1:
			c.High = drink.NoHigh
		}
		c.HardHigh = drink.NoHigh
		if c.High != drink.NoHigh && rapid.Bool().Draw(t, "hard") {
			c.HardHigh = min(c.High+drink.Milli(rapid.Int64Range(0, 5_000).Draw(t, "leeway")), m.Most)
		}
		s.Checks = append(s.Checks, c)
	}
	for i := range rapid.IntRange(0, 6).Draw(t, "steps") {
		st := drink.Step{ID: string(rune('a' + i)), Criticality: drink.Criticality(rapid.IntRange(1, 3).Draw(t, "criticality")), Optional: rapid.Bool().Draw(t, "optional")}
		for j := range i {
			if rapid.IntRange(0, 2).Draw(t, "after") == 0 {
				st.After = append(st.After, s.Steps[j].ID)
			}
		}
		s.Steps = append(s.Steps, st)
	}
	return s
}

// drawBuild draws a build that is near the serving and wrong in any way.
func drawBuild(t *rapid.T, s *drink.Serving) drink.Build {
	b := verdict.Exemplar(s)
	few := func(name string) bool { return rapid.IntRange(0, 4).Draw(t, name) == 0 }
	for i := range b.Readings {
		r := &b.Readings[i]
		if few("move") {
			r.Value += drink.Milli(rapid.Int64Range(-1_000_000, 1_000_000).Draw(t, "by"))
		}
		if few("coarse") {
			r.Resolution = drink.Milli(rapid.Int64Range(0, 100_000).Draw(t, "resolution"))
		}
		if few("unit") {
			r.Unit = "g"
		}
		if few("rename") {
			r.Check = rapid.SampledFrom([]string{"dose", "tds", "dance"}).Draw(t, "check")
		}
		if few("renumber") {
			r.Occurrence = rapid.IntRange(-1, 4).Draw(t, "n")
		}
	}
	if n := len(b.Readings); n > 0 && few("again") {
		b.Readings = append(b.Readings, b.Readings[rapid.IntRange(0, n-1).Draw(t, "which")])
	}
	if n := len(b.Readings); n > 0 && few("drop") {
		i := rapid.IntRange(0, n-1).Draw(t, "which")
		b.Readings = slices.Delete(b.Readings, i, i+1)
	}
	if few("reorder") {
		b.Steps = rapid.Permutation(b.Steps).Draw(t, "order")
	}
	for i := range b.Steps {
		if few("restep") {
			b.Steps[i].Step = rapid.SampledFrom([]string{"a", "c", "e", "z"}).Draw(t, "step")
		}
	}
	b.Sampled = rapid.Bool().Draw(t, "sampled")
	b.Milk = rapid.SampledFrom([]string{s.Milk, s.Milk, "", "whole", "oat"}).Draw(t, "milk")
	b.Shots += rapid.IntRange(0, 1).Draw(t, "shots")
	b.Vessel = rapid.SampledFrom([]string{"c240", "c240", "p240"}).Draw(t, "vessel")
	b.Garnish = rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"cocoa", "nuts", "cinnamon"}), 0, 3, rapid.ID).Draw(t, "garnish")
	b.Substitutions = rapid.SliceOfNDistinct(rapid.SampledFrom([]drink.Substitution{
		{From: "whole", To: "oat"}, {From: "whole", To: "soya"}, {From: "cocoa", To: "cinnamon"}, {From: "cocoa", To: "nuts"}}), 0, 2, rapid.ID).Draw(t, "substitutions")
	if few("finish") {
		b.FinishedAt = b.StartedAt.Add(time.Duration(rapid.IntRange(-20, 20).Draw(t, "span")) * time.Second)
	}
	return b
}

func TestExemplarIsInSpec(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawServing(t)
		c, err := verdict.Compile(&s)
		if err != nil {
			t.Fatal(err)
		}
		if v := judge(c, verdict.Exemplar(&s)); v.Grade != verdict.InSpec {
			t.Fatal(kinds(v))
		}
	})
}

func TestJudgeAgreesWithTheSlowWay(t *testing.T) {
	var v verdict.Verdict // reused throughout, as a station would
	rapid.Check(t, func(t *rapid.T) {
		s := drawServing(t)
		b := drawBuild(t, &s)
		c, err := verdict.Compile(&s)
		if err != nil {
			t.Fatal(err)
		}
		c.Judge(&b, &v)
		if got, want := outline(v), slowly(&s, &b); !slices.Equal(got, want) {
			t.Fatalf("got  %q\nwant %q", got, want)
		}
		first := v.Clone()
		c.Judge(&b, &v)
		if !verdict.Equal(first, v) {
			t.Fatalf("judged again it differs: %v, then %v", first, v)
		}
		b.Readings = rapid.Permutation(b.Readings).Draw(t, "readings")
		if c.Judge(&b, &v); !verdict.Equal(first, v) {
			t.Fatalf("the order of readings counts: %v, then %v", first, v)
		}
	})
}

func TestFurtherOutIsNeverBetter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := latte()
		c, err := verdict.Compile(&s)
		if err != nil {
			t.Fatal(err)
		}
		b := verdict.Exemplar(&s)
		i := rapid.IntRange(0, len(b.Readings)-1).Draw(t, "reading")
		near := drink.Milli(rapid.Int64Range(0, 20_000).Draw(t, "near"))
		far := near + drink.Milli(rapid.Int64Range(0, 20_000).Draw(t, "further"))
		sign := drink.Milli(rapid.SampledFrom([]int64{-1, 1}).Draw(t, "sign"))
		target := b.Readings[i].Value
		b.Readings[i].Value = target + sign*near
		a := judge(c, b)
		b.Readings[i].Value = target + sign*far
		z := judge(c, b)
		if len(a.Findings) > len(z.Findings) {
			t.Fatalf("%v, further out %v", a, z)
		}
		if len(a.Findings) == 1 && len(z.Findings) == 1 && z.Findings[0].Criticality < a.Findings[0].Criticality {
			t.Fatalf("%v weighs more than further out %v", a, z)
		}
		// Beyond the hard maximum By counts from there.
		if len(a.Findings) == 1 && a.Findings[0].Kind == z.Findings[0].Kind && a.Findings[0].High == z.Findings[0].High && z.Findings[0].By < a.Findings[0].By {
			t.Fatalf("by %s, further out by %s", a.Findings[0].By, z.Findings[0].By)
		}
	})
}

func TestJudgeDoesNotAllocate(t *testing.T) {
	s := latte()
	c := compile(t, s)
	good, bad := verdict.Exemplar(&s), verdict.Exemplar(&s)
	for i := range bad.Readings {
		bad.Readings[i].Value = 1
	}
	bad.Steps[2], bad.Steps[5] = bad.Steps[5], bad.Steps[2]
	bad.Milk, bad.Vessel, bad.Garnish = "oat", "p350", nil
	rand.New(rand.NewPCG(1, 2)).Shuffle(len(bad.Readings), func(i, j int) {
		bad.Readings[i], bad.Readings[j] = bad.Readings[j], bad.Readings[i]
	})
	var v verdict.Verdict
	for name, b := range map[string]*drink.Build{"good": &good, "bad": &bad} {
		c.Judge(b, &v)
		if n := testing.AllocsPerRun(100, func() { c.Judge(b, &v) }); n != 0 {
			t.Errorf("a %s build costs %v allocations", name, n)
		}
	}
}

func BenchmarkVerdict(b *testing.B) {
	s := latte()
	c := compile(b, s)
	build := verdict.Exemplar(&s)
	if len(build.Readings) != 12 || len(build.Steps) != 8 {
		b.Fatal("the typical serving has changed")
	}
	var v verdict.Verdict
	b.ReportAllocs()
	for b.Loop() {
		c.Judge(&build, &v)
	}
	if v.Grade != verdict.InSpec {
		b.Fatal(kinds(v))
	}
}
