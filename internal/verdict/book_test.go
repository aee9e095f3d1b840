package verdict_test

import (
	"slices"
	"testing"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

// books are the demo chain's: its whole menu, and the counter's that holds
// exactly what a trainer teaches first.
var books = []string{"harbour-finch", "harbour-finch-counter"}

func loadBook(t testing.TB, name string) []drink.Serving {
	t.Helper()
	book, problems := drink.LoadDir("../../testdata/" + name)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	servings := book.Servings()
	if len(servings) == 0 {
		t.Fatalf("book %s has no servings", name)
	}
	return servings
}

// TestEveryFaultOfEveryServingIsCaught takes each serving of the books, makes
// it to the letter, and then wrong in one point after the other: each must be
// found as what it is, and as nothing else.
func TestEveryFaultOfEveryServingIsCaught(t *testing.T) {
	for _, name := range books {
		t.Run(name, func(t *testing.T) {
			set, err := verdict.CompileBook(loadBook(t, name))
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range loadBook(t, name) {
				t.Run(s.ID, func(t *testing.T) {
					m := mutator{t: t, s: &s, set: set}
					m.expect("to the letter", func(*drink.Build) {})
					m.readings()
					m.steps()
					m.rest()
				})
			}
		})
	}
}

type mutator struct {
	t   *testing.T
	s   *drink.Serving
	set *verdict.Set
}

// expect changes an exemplar and wants exactly these findings, of which only
// kind, check, occurrence and step are compared.
func (m *mutator) expect(what string, change func(*drink.Build), want ...verdict.Finding) {
	m.t.Helper()
	b := verdict.Exemplar(m.s)
	change(&b)
	var v verdict.Verdict
	m.set.Judge(&b, b.FinishedAt, &v)
	if (v.Grade == verdict.InSpec) != (len(want) == 0) {
		m.t.Errorf("%s: grade %s", what, v.Grade)
	}
	ok := slices.EqualFunc(v.Findings, want, func(got, want verdict.Finding) bool {
		return got.Kind == want.Kind && got.Check == want.Check && got.Occurrence == want.Occurrence && got.Step == want.Step
	})
	if !ok {
		m.t.Errorf("%s: got %v, want %v", what, v.Findings, want)
	}
}

func (m *mutator) readings() {
	m.t.Helper()
	i := 0
	for _, c := range m.s.Checks {
		measure := drink.MeasureByCode(c.Measure)
		for n := 1; n <= c.Occurrences; n++ {
			at := i
			i++
			finding := func(k verdict.Kind) verdict.Finding { return verdict.Finding{Kind: k, Check: c.ID, Occurrence: n} }
			value := func(what string, v drink.Milli, want ...verdict.Finding) {
				m.t.Helper()
				m.expect(c.ID+" "+what, func(b *drink.Build) { b.Readings[at].Value = v }, want...)
			}
			if low := max(c.Low, measure.Least); c.Low != drink.NoLow {
				value("on the low limit", low)
				below := verdict.BelowTolerance
				if low == measure.Least {
					below = verdict.ImpossibleValue
				}
				value("below", low-1, finding(below))
			}
			if high := min(c.High, measure.Most); c.High != drink.NoHigh {
				value("on the high limit", high)
				above := verdict.AboveTolerance
				if high == measure.Most {
					above = verdict.ImpossibleValue
				}
				value("above", high+1, finding(above))
			}
			value("impossibly low", measure.Least-1, finding(verdict.ImpossibleValue))
			value("impossibly high", measure.Most+1, finding(verdict.ImpossibleValue))
			m.expect(c.ID+" in another unit", func(b *drink.Build) { b.Readings[at].Unit = "[oz_av]" }, finding(verdict.WrongUnit))
			m.expect(c.ID+" twice", func(b *drink.Build) { b.Readings = append(b.Readings, b.Readings[at]) }, finding(verdict.DuplicateReading))
			lack := func(b *drink.Build) { b.Readings = slices.Delete(b.Readings, at, at+1) }
			unsampled := func(b *drink.Build) { lack(b); b.Sampled = false }
			switch missing := finding(verdict.MissingReading); c.Need {
			case drink.Always:
				m.expect(c.ID+" missing", lack, missing)
				m.expect(c.ID+" missing, not sampled", unsampled, missing)
			case drink.WhenSampled:
				m.expect(c.ID+" missing", lack, missing)
				m.expect(c.ID+" missing, not sampled", unsampled)
			default:
				m.expect(c.ID+" missing", lack)
			}
		}
	}
	m.expect("a reading of nothing", func(b *drink.Build) {
		b.Readings = append(b.Readings, drink.Reading{Check: "no-such-check", Occurrence: 1})
	}, verdict.Finding{Kind: verdict.UnknownReading, Check: "no-such-check", Occurrence: 1})
}

func (m *mutator) steps() {
	m.t.Helper()
	at := map[string]int{}
	for i, st := range verdict.Exemplar(m.s).Steps {
		at[st.Step] = i
	}
	for _, st := range m.s.Steps {
		i := at[st.ID]
		var lacking []verdict.Finding
		if !st.Optional {
			lacking = []verdict.Finding{{Kind: verdict.StepMissing, Step: st.ID}}
		}
		m.expect("no "+st.ID, func(b *drink.Build) { b.Steps = slices.Delete(b.Steps, i, i+1) }, lacking...)
		m.expect(st.ID+" twice", func(b *drink.Build) { b.Steps = slices.Insert(b.Steps, i, b.Steps[i]) },
			verdict.Finding{Kind: verdict.StepRepeated, Step: st.ID})
		for _, before := range st.After {
			j := at[before]
			m.expect(st.ID+" before "+before, func(b *drink.Build) {
				// The step moves ahead; the times stay in order.
				for k := i; k > j; k-- {
					b.Steps[k].Step = b.Steps[k-1].Step
				}
				b.Steps[j].Step = st.ID
			}, verdict.Finding{Kind: verdict.StepOutOfOrder, Step: st.ID})
		}
	}
	m.expect("a step of nothing", func(b *drink.Build) {
		b.Steps = append(b.Steps, drink.StepLog{Step: "dance", At: time.Minute * 4})
		b.FinishedAt = b.StartedAt.Add(5 * time.Minute)
	},
		verdict.Finding{Kind: verdict.StepUnknown, Step: "dance"})
}

func (m *mutator) rest() {
	m.t.Helper()
	is := func(k verdict.Kind) verdict.Finding { return verdict.Finding{Kind: k} }
	m.expect("another vessel", func(b *drink.Build) { b.Vessel += "x" }, is(verdict.WrongVessel))
	m.expect("another milk", func(b *drink.Build) { b.Milk += "x" }, is(verdict.WrongMilk))
	m.expect("a shot more", func(b *drink.Build) { b.Shots++ }, is(verdict.WrongShots))
	m.expect("a shot less", func(b *drink.Build) { b.Shots-- }, is(verdict.WrongShots))
	m.expect("a garnish more", func(b *drink.Build) { b.Garnish = append(b.Garnish, "gravel") }, is(verdict.GarnishUnexpected))
	m.expect("a substitution", func(b *drink.Build) { b.Substitutions = []drink.Substitution{{From: "gravel", To: "sand"}} }, is(verdict.SubstitutionNotAllowed))
	m.expect("finished before it began", func(b *drink.Build) {
		b.FinishedAt = b.StartedAt.Add(-time.Second)
		for i := range b.Steps {
			b.Steps[i].At = 0
		}
	}, is(verdict.TimeImpossible))
	m.expect("another serving", func(b *drink.Build) { b.Serving += "x" }, is(verdict.ServingUnknown))
	for i := range m.s.Garnish {
		m.expect("no "+m.s.Garnish[i], func(b *drink.Build) { b.Garnish = slices.Delete(b.Garnish, i, i+1) }, is(verdict.GarnishMissing))
	}
	if m.s.Milk != "" {
		m.expect("no milk", func(b *drink.Build) { b.Milk = "" }, is(verdict.WrongMilk))
	}
	for _, may := range m.s.MayReplace {
		if may.From == m.s.Milk {
			m.expect(may.To+" instead of "+may.From, func(b *drink.Build) { b.Milk, b.Substitutions = may.To, []drink.Substitution{may} })
			m.expect(may.To+" unlogged", func(b *drink.Build) { b.Milk = may.To }, is(verdict.WrongMilk))
		}
	}
}
