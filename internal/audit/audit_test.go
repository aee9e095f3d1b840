package audit

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/drink"
)

func testBook(t testing.TB) *drink.Book {
	t.Helper()
	b, problems := drink.LoadDir("../../testdata/harbour-finch")
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return b
}

func clock(t testing.TB, text string) Clock {
	t.Helper()
	c, err := ParseClock(text)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func testParams(t testing.TB, site string) Params {
	return Params{Site: site, Day: "2026-03-02", PerSlot: 4, Cups: 3, Slots: []Slot{
		{Station: "bar-1", Barista: "b-17", From: clock(t, "07:00"), To: clock(t, "11:00")},
		{Station: "bar-2", Barista: "b-23", From: clock(t, "11:30"), To: clock(t, "15:00")},
		{Station: "bar-1", Barista: "b-11", From: clock(t, "14:00"), To: clock(t, "18:00")},
	}}
}

// Every plan that can be drawn covers each slot and plant milk, keeps to its
// windows, spoils one drink at most, and comes out alike from its seed.
func TestEveryPlanHoldsItsPromises(t *testing.T) {
	b := testBook(t)
	rapid.Check(t, func(rt *rapid.T) {
		q := testParams(t, "tannery-row")
		q.PerSlot = rapid.IntRange(1, 6).Draw(rt, "per slot")
		q.Cups = rapid.IntRange(0, 3).Draw(rt, "cups")
		seed := rapid.Uint64().Draw(rt, "seed")
		p, err := NewPlan(b, q, seed)
		if err != nil {
			rt.Fatal(err)
		}
		again, err := NewPlan(b, q, seed)
		if err != nil || !reflect.DeepEqual(p, again) || p.Digest() != again.Digest() {
			rt.Fatalf("the seed does not repeat: %v", err)
		}
		plant, froth := 0, 0
		bySlot := make([]int, len(q.Slots))
		for i, k := range p.Picks {
			if i > 0 && k.At-p.Picks[i-1].At < gapMinutes {
				rt.Fatalf("drinks %d and %d are %d minutes apart", i, i+1, k.At-p.Picks[i-1].At)
			}
			if len(k.Checks) == 0 {
				rt.Fatalf("nothing to read of drink %d, %s", k.No, k.Serving)
			}
			if k.PlantMilk {
				plant++
			}
			for _, c := range k.Checks {
				if c.Measure == "froth_depth" {
					froth++
				}
				if _, ok := p.limit(c.Measure); !ok {
					rt.Fatalf("no limit of %s was decided", c.Measure)
				}
				if c.Occurrence < 1 || c.Occurrence > c.Of {
					rt.Fatalf("pull %d of %d", c.Occurrence, c.Of)
				}
			}
			for j, s := range q.Slots {
				if s.Station == k.Station && s.Barista == k.Barista {
					bySlot[j]++
					if k.At < s.From || k.Until > s.To {
						rt.Fatalf("%s lies outside %s to %s", k.At, s.From, s.To)
					}
				}
			}
		}
		if plant == 0 || froth > 1 || slices.Min(bySlot) < 1 {
			rt.Fatalf("plant milk %d, froth %d, by slot %v", plant, froth, bySlot)
		}
		codes := map[string]bool{}
		for _, c := range p.Cups {
			codes[c.Code] = true
			if len(c.Code) != 3 {
				rt.Fatalf("code %q", c.Code)
			}
		}
		if len(codes) != q.Cups {
			rt.Fatalf("%d codes for %d cups", len(codes), q.Cups)
		}
	})
}

func TestTimesAreSpreadOverTheWindow(t *testing.T) {
	b, q := testBook(t), testParams(t, "tannery-row")
	q.PerSlot, q.Slots, q.Cups = 1, q.Slots[:1], 0
	early, late := 0, 0
	for seed := range uint64(300) {
		p, err := NewPlan(b, q, seed)
		if err != nil {
			t.Fatal(err)
		}
		switch at := p.Picks[0].At; {
		case at < clock(t, "08:00"):
			early++
		case at > clock(t, "09:45"):
			late++
		}
	}
	if early < 40 || late < 40 {
		t.Errorf("of 300 drinks %d are early and %d late", early, late)
	}
}

func TestPlanRefuses(t *testing.T) {
	b := testBook(t)
	for name, spoil := range map[string]func(*Params){
		"no site":         func(q *Params) { q.Site = "" },
		"no day":          func(q *Params) { q.Day = "2 March" },
		"no slot":         func(q *Params) { q.Slots = nil },
		"short slot":      func(q *Params) { q.Slots[0].To = q.Slots[0].From + 30 },
		"backwards":       func(q *Params) { q.Slots[0].To = 0 },
		"too many":        func(q *Params) { q.PerSlot = 31 },
		"too many cups":   func(q *Params) { q.Cups = 13 },
		"unknown drink":   func(q *Params) { q.Drinks = []string{"tea-for-two"} },
		"unknown measure": func(q *Params) { q.Limits = map[string]drink.Milli{"taste": 1} },
		"no limit":        func(q *Params) { q.Limits = map[string]drink.Milli{"dose": 0} },
		"sure fault":      func(q *Params) { q.Fault = 1 },
	} {
		q := testParams(t, "tannery-row")
		spoil(&q)
		if _, err := NewPlan(b, q, 1); !errors.Is(err, ErrInput) {
			t.Errorf("%s: %v, want ErrInput", name, err)
		}
	}
}

// The form must not lead the eye: no target, no limit, no key to the cups.
func TestTheFormIsBlind(t *testing.T) {
	p, err := NewPlan(testBook(t), testParams(t, "tannery-row"), 3)
	if err != nil {
		t.Fatal(err)
	}
	// Values that stand nowhere else.
	for i := range p.Picks {
		for j := range p.Picks[i].Checks {
			p.Picks[i].Checks[j].Target = 77_123
		}
	}
	for i := range p.Limits {
		p.Limits[i].Limit = 55_321
	}
	f := NewForm(p)
	var page, paper, again bytes.Buffer
	for _, err := range []error{f.HTML(&page), f.PDF(&paper), NewForm(p).PDF(&again)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	shown := fmt.Sprintf("%+v", *f) + page.String()
	for _, secret := range []string{"77.123", "77123", "55.321", "55321", fmt.Sprint("seed", p.Seed)} {
		if strings.Contains(shown, secret) {
			t.Errorf("the form shows %s", secret)
		}
	}
	for _, want := range []string{"Scald", "Allergens", "milk", p.Digest(), p.Cups[0].Code, "tannery-row", `inputmode="decimal"`} {
		if !strings.Contains(page.String(), want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if !bytes.HasPrefix(paper.Bytes(), []byte("%PDF-")) || !bytes.Equal(paper.Bytes(), again.Bytes()) {
		t.Error("the paper form is no PDF, or differs from one time to the next")
	}
	if slip := p.Slip(); !strings.Contains(slip, p.Cups[0].Code) || !strings.Contains(slip, "runner only") {
		t.Errorf("the slip: %s", slip)
	}
}

func TestThePageEscapes(t *testing.T) {
	p, err := NewPlan(testBook(t), testParams(t, "tannery-row"), 3)
	if err != nil {
		t.Fatal(err)
	}
	p.Picks[0].Drink, p.Picks[0].Barista = `<script>alert(1)</script>`, `"onfocus="x`
	var page bytes.Buffer
	if err := NewForm(p).HTML(&page); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(page.String(), "<script>") || strings.Contains(page.String(), `"onfocus="`) {
		t.Error("what people wrote stands on the page as markup")
	}
}

func TestPlanSurvivesItsFile(t *testing.T) {
	p, err := NewPlan(testBook(t), testParams(t, "oyster-steps"), 5)
	if err != nil {
		t.Fatal(err)
	}
	var file bytes.Buffer
	if err := p.Write(&file); err != nil {
		t.Fatal(err)
	}
	got, err := ReadPlan(bytes.NewReader(file.Bytes()))
	if err != nil || !reflect.DeepEqual(p, got) || p.Digest() != got.Digest() {
		t.Errorf("read back: %v", err)
	}
	for name, text := range map[string]string{"empty": "", "no picks": `{"site":"a","day":"b"}`, "a field": `{"site":"a","tax":1}`,
		"a number": strings.Replace(file.String(), `"no": 2`, `"no": 9`, 1), "a cup": strings.Replace(file.String(), `"pick": `, `"pick": 99`, 1)} {
		if _, err := ReadPlan(strings.NewReader(text)); !errors.Is(err, ErrInput) {
			t.Errorf("%s: %v, want ErrInput", name, err)
		}
	}
}
