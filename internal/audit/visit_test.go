package audit

import (
	"bytes"
	"encoding/csv"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"samecup.example/samecup/internal/buildlog"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/stat"
	"samecup.example/samecup/internal/verdict"
)

var update = flag.Bool("update", false, "write the example files")

const exampleDir = "../../testdata/audit/"

// story is how a made-up site logs what an auditor measures.
type story struct {
	site string
	// bias is added to what the station logs of milk; copied logs the target.
	bias   float64
	copied bool
}

// enact makes the visit's file and the station's log: true values about the
// target, read by the auditor and logged by the station with errors of their
// own, or made up.
func enact(t testing.TB, b *drink.Book, p *Plan, s story, seed uint64) (visit string, builds []drink.Build) {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 99))
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	write := func(cells ...string) {
		if err := w.Write(cells); err != nil {
			t.Fatal(err)
		}
	}
	write(visitColumns...)
	day, err := time.Parse(time.DateOnly, p.Day)
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range p.Picks {
		if k.No == len(p.Picks) {
			write(fmt.Sprint(k.No), "", "", "", "", "", "", "queue to the door")
			continue
		}
		sv, _ := b.ServingByID(k.Serving)
		made := verdict.Exemplar(sv)
		made.ID = fmt.Sprintf("%08x-0000-4000-8000-%012x", rng.Uint32(), k.No)
		made.Site, made.Station, made.By = p.Site, k.Station, k.Barista
		made.StartedAt = day.Add(time.Duration(k.At) * time.Minute)
		made.FinishedAt = made.StartedAt.Add(90 * time.Second)
		for i := range made.Readings {
			made.Readings[i].MeasuredAt, made.Readings[i].EnteredAt = made.FinishedAt, made.FinishedAt
		}
		id := made.ID
		for _, c := range k.Checks {
			step := max(c.Resolution.Float(), 0.1)
			read := func(x float64) drink.Milli {
				m, _ := drink.FromFloat(math.Round(x/step) * step)
				return m
			}
			truth := c.Target.Float() + 2*step*rng.NormFloat64()
			self := truth + 0.5*step*rng.NormFloat64()
			if c.Measure == "milk_temp" {
				self += s.bias
			}
			if s.copied {
				self = c.Target.Float()
			}
			for i := range made.Readings {
				if r := &made.Readings[i]; r.Check == c.Check && r.Occurrence == c.Occurrence {
					r.Value = read(self)
				}
			}
			write(fmt.Sprint(k.No), id, "", c.Check, fmt.Sprint(c.Occurrence), read(truth+0.5*step*rng.NormFloat64()).String(), c.Resolution.String(), "")
			id = ""
		}
		builds = append(builds, made)
	}
	w.Flush()
	return out.String(), builds
}

var stories = []story{{"tannery-row", 0, false}, {"lantern-hill", 0.5, false}, {"oyster-steps", -0.3, false}}

// The example files are those of the made-up visits, written with -update.
func TestExampleFilesAreUpToDate(t *testing.T) {
	b := testBook(t)
	var log bytes.Buffer
	w := buildlog.NewWriter(&log)
	check := func(name, want string) {
		t.Helper()
		path := filepath.Join(exampleDir, name)
		if *update {
			if err := os.MkdirAll(exampleDir, 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, []byte(want), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(path)
		if err != nil || string(got) != want {
			t.Errorf("%s is stale (%v); run: go test ./internal/audit -update", name, err)
		}
	}
	for i, s := range stories {
		p, err := NewPlan(b, testParams(t, s.site), uint64(i+1))
		if err != nil {
			t.Fatal(err)
		}
		visit, builds := enact(t, b, p, s, uint64(i+1))
		for j := range builds {
			if err := w.Write(&builds[j]); err != nil {
				t.Fatal(err)
			}
		}
		var plan bytes.Buffer
		if err := p.Write(&plan); err != nil {
			t.Fatal(err)
		}
		check(s.site+".plan.json", plan.String())
		check(s.site+".visit.csv", visit)
	}
	check("builds.jsonl", log.String())
}

// visitsOf draws, enacts and reads visits of many sites.
func visitsOf(t *testing.T, b *drink.Book, n int, s story) (visits []*Visit, builds []drink.Build) {
	t.Helper()
	for i := range n {
		site := fmt.Sprintf("%s-%d", s.site, i)
		p, err := NewPlan(b, testParams(t, site), uint64(i))
		if err != nil {
			t.Fatal(err)
		}
		text, made := enact(t, b, p, s, uint64(i))
		v, err := ReadVisit(strings.NewReader(text), p)
		if err != nil {
			t.Fatal(err)
		}
		visits, builds = append(visits, v), append(builds, made...)
	}
	return visits, builds
}

func milk(t *testing.T, a *Agreement) MeasureAgreement {
	t.Helper()
	i := slices.IndexFunc(a.Measures, func(m MeasureAgreement) bool { return m.Measure == "milk_temp" })
	if i < 0 {
		t.Fatalf("milk was not compared: %s", a)
	}
	return a.Measures[i]
}

func TestPairsAreJudgedByTheLimitOfThePlan(t *testing.T) {
	b := testBook(t)
	for _, c := range []struct {
		name string
		bias float64
		want stat.AgreeVerdict
	}{{"honest", 0, stat.Agrees}, {"3 C too cool in the log", -3, stat.Disagrees}} {
		visits, builds := visitsOf(t, b, 6, story{"s", c.bias, false})
		a, err := Compare(visits, builds)
		if err != nil {
			t.Fatal(err)
		}
		m := milk(t, a)
		if m.Same == nil || m.Same.Verdict != c.want || m.Subjects != "site" || math.Abs(m.Same.Bias-c.bias) > 0.2 {
			t.Errorf("%s: %+v\n%s", c.name, m, a)
		}
	}
	visits, builds := visitsOf(t, b, 1, story{"s", 0, false})
	a, err := Compare(visits, builds)
	if err != nil {
		t.Fatal(err)
	}
	if m := milk(t, a); m.Same == nil || !strings.Contains(m.Subjects, "this visit alone") || !strings.Contains(a.String(), "about 30 give useful limits") {
		t.Errorf("one visit: %+v", m)
	}
}

func TestUnlikeDrinksAreComparedAsDistributions(t *testing.T) {
	visits, builds := visitsOf(t, testBook(t), 6, story{"s", 3, false})
	for _, v := range visits {
		for i := range v.Entries {
			v.Entries[i].Build = ""
		}
	}
	a, err := Compare(visits, builds)
	if err != nil {
		t.Fatal(err)
	}
	if m := milk(t, a); m.Same != nil || m.Unlike == nil || m.Unlike.Verdict != stat.Disagrees || a.Paired != 0 {
		t.Errorf("without build numbers: %+v", m)
	}
	a, err = Compare(visits[:1], nil)
	if err != nil {
		t.Fatal(err)
	}
	if m := milk(t, a); !strings.HasPrefix(m.Why, "not enough data: 0 pairs") {
		t.Errorf("without a log: %+v", m)
	}
}

func TestPairsThatCannotBeAreNotPaired(t *testing.T) {
	visits, builds := visitsOf(t, testBook(t), 1, story{"s", 0, false})
	v := visits[0]
	v.Entries[0].Build = "ffffffff-0000-4000-8000-000000000000"
	builds[1].Site = "elsewhere"
	v.Entries[3].Build = v.Entries[2].Build
	a, err := Compare(visits, builds)
	if err != nil {
		t.Fatal(err)
	}
	if a.Unpaired != 3 || len(a.Notes) != 3 {
		t.Errorf("%d unpaired, notes %q", a.Unpaired, a.Notes)
	}
	other := *v.Plan
	other.Limits = slices.Clone(other.Limits)
	other.Limits[0].Limit++
	if _, err := Compare([]*Visit{v, {Plan: &other, Entries: v.Entries}}, builds); !errors.Is(err, ErrInput) {
		t.Errorf("two limits: %v, want ErrInput", err)
	}
}

func TestJudge(t *testing.T) {
	b := testBook(t)
	visits, _ := visitsOf(t, b, 1, story{"s", 0, false})
	v := visits[0]
	at := slices.IndexFunc(v.Entries, func(e Entry) bool {
		return slices.ContainsFunc(e.Readings, func(r drink.Reading) bool { return r.Check == "milk_temp" })
	})
	for i := range v.Entries[at].Readings {
		if r := &v.Entries[at].Readings[i]; r.Check == "milk_temp" {
			r.Value = 71_000 // above the hard maximum of 65 °C
		}
	}
	last := v.Entries[0].No
	if at == 0 {
		last = v.Entries[1].No
	}
	v.Entries = slices.DeleteFunc(v.Entries, func(e Entry) bool { return e.No == last })
	j, err := Judge(b, v)
	if err != nil {
		t.Fatal(err)
	}
	if j.Unsafe != 1 || j.Missed != 2 || j.Measured != len(v.Plan.Picks)-2 || j.OffSpec < 1 {
		t.Errorf("%+v", j)
	}
	for _, want := range []string{"unsafe", "queue to the door", "it counts as missed", "checks see a fault"} {
		if !strings.Contains(j.String(), want) {
			t.Errorf("the words lack %q:\n%s", want, j)
		}
	}
}

func TestReadVisitRefuses(t *testing.T) {
	p, err := NewPlan(testBook(t), testParams(t, "tannery-row"), 1)
	if err != nil {
		t.Fatal(err)
	}
	c := p.Picks[0].Checks[0]
	head := strings.Join(visitColumns, ",") + "\n"
	row := func(no, n, value string) string { return fmt.Sprintf("%s,,,%s,%s,%s,0.1,\n", no, c.Check, n, value) }
	good := row("1", fmt.Sprint(c.Occurrence), "18.1")
	if _, err := ReadVisit(strings.NewReader(head+good), p); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"nothing": "", "no rows": head, "other header": "a,b\n1,2\n", "no such drink": head + row("99", "1", "1"),
		"unplanned": head + row("1", "7", "1"), "a word": head + row("1", fmt.Sprint(c.Occurrence), "about 18"),
		"hex": head + row("1", fmt.Sprint(c.Occurrence), "0x12"), "not finite": head + row("1", fmt.Sprint(c.Occurrence), "Inf"),
		"twice": head + good + good, "missed and measured": head + good + "1,,,,,,,no milk\n",
		"two builds": head + "1,a,,,,,,\n1,b,,,,,,\n", "ragged": head + "1,2\n",
	} {
		if _, err := ReadVisit(strings.NewReader(text), p); !errors.Is(err, ErrInput) {
			t.Errorf("%s: %v, want ErrInput", name, err)
		}
	}
}

func FuzzReadVisit(f *testing.F) {
	b, problems := drink.LoadDir("../../testdata/harbour-finch")
	if err := problems.Err(); err != nil {
		f.Fatal(err)
	}
	p, err := NewPlan(b, testParams(f, "tannery-row"), 1)
	if err != nil {
		f.Fatal(err)
	}
	text, _ := enact(f, b, p, story{"tannery-row", 0, false}, 1)
	f.Add(text)
	f.Add(strings.Join(visitColumns, ",") + "\n1,,,,,,,late\n")
	f.Fuzz(func(t *testing.T, text string) {
		v, err := ReadVisit(strings.NewReader(text), p)
		if err != nil {
			if !errors.Is(err, ErrInput) && !errors.Is(err, io.EOF) {
				t.Fatalf("an error of no kind: %v", err)
			}
			return
		}
		if _, err := Compare([]*Visit{v}, nil); err != nil {
			t.Fatalf("a visit that was read cannot be compared: %v", err)
		}
	})
}
