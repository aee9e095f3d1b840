package sampling

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"
)

func FuzzParsePlan(f *testing.F) {
	raw, err := json.Marshal(DefaultPlan())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(raw)
	f.Add([]byte(`{"id":"x","windows":[{}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := ParsePlan(b)
		if err != nil {
			return
		}
		s := shiftOn(1)
		for _, l := range []Level{Relaxed, Normal, Tightened} {
			if _, err := Draw(&p, &s, l, nil, secret); err != nil {
				t.Errorf("a plan that was taken cannot be drawn: %v", err)
			}
			if p.Labour(l) > time.Duration(p.MostMin)*time.Minute {
				t.Errorf("labour %v is above %d minutes", p.Labour(l), p.MostMin)
			}
		}
	})
}

func FuzzRestore(f *testing.F) {
	c, err := New(DefaultPlan(), shiftOn(1), Normal, secret)
	if err != nil {
		f.Fatal(err)
	}
	if _, err := c.Offer(Started{Build: "b", Shots: 2, At: c.Shift().Start.Add(20 * time.Minute)}); err != nil {
		f.Fatal(err)
	}
	raw, err := json.Marshal(c)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(raw)
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := Restore(b, secret)
		if err != nil {
			return
		}
		c.Next(c.Shift().Start.Add(time.Hour))
		c.Close(c.Shift().End)
		c.Outcomes()
	})
}

func BenchmarkOffer(b *testing.B) {
	c := begin(b, Tightened)
	at := c.Shift().Start
	i := 0
	for b.Loop() {
		i++
		at = at.Add(100 * time.Millisecond)
		if _, err := c.Offer(Started{Build: fmt.Sprint(i), Shots: 2, Steamed: i%2 == 0, By: "b-1", At: at}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDraw(b *testing.B) {
	p, s := DefaultPlan(), shiftOn(1)
	for b.Loop() {
		if _, err := Draw(&p, &s, Normal, nil, secret); err != nil {
			b.Fatal(err)
		}
	}
}
