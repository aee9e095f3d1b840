package sampling

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/goccy/go-yaml"

	"samecup.example/samecup/internal/drink"
)

const maxRoster = drink.MaxSamplingBytes

// Roster is the sampling plan of a station and the shifts that it is for.
type Roster struct {
	Shifts []ShiftTimes `json:"shifts"`
	Plan   Plan         `json:"plan"`
}

// ShiftTimes are by the site's clock, HH:MM; an end at or before the start is on
// the next day. Lunch may be empty.
type ShiftTimes struct {
	Start string `json:"start"`
	End   string `json:"end"`
	Lunch string `json:"lunch,omitempty"`
}

// DefaultRoster is two shifts of eight hours with the default plan. Invented, from
// common practice.
func DefaultRoster() Roster {
	return Roster{Plan: DefaultPlan(), Shifts: []ShiftTimes{{Start: "06:00", End: "14:00", Lunch: "12:00"}, {Start: "14:00", End: "22:00"}}}
}

// ParseRoster reads a plan file: shifts and plan, either of which may be left
// out for the default.
func ParseRoster(raw []byte) (Roster, error) {
	var in struct {
		Shifts []ShiftTimes    `json:"shifts"`
		Plan   json.RawMessage `json:"plan"`
	}
	if len(raw) > maxRoster {
		return Roster{}, fmt.Errorf("plan: %d bytes, allowed: %d; shorten it", len(raw), maxRoster)
	}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&in); err != nil {
		return Roster{}, fmt.Errorf("plan: not the JSON of a plan file, allowed fields: shifts, plan: %w", err)
	}
	if dec.More() {
		return Roster{}, errors.New("plan: something stands after it; write one object")
	}
	r := DefaultRoster()
	if len(in.Shifts) > 0 {
		r.Shifts = in.Shifts
	}
	if len(in.Plan) > 0 {
		p, err := ParsePlan(in.Plan)
		if err != nil {
			return Roster{}, err
		}
		r.Plan = p
	}
	return r, r.Check()
}

// Check refuses a roster that a station cannot follow, naming the field.
func (r Roster) Check() error {
	const most = 6
	if len(r.Shifts) > most {
		return fmt.Errorf("plan: %d shifts, allowed: %d", len(r.Shifts), most)
	}
	for i, s := range r.Shifts {
		if _, _, _, err := s.On(time.Date(2026, 11, 2, 0, 0, 0, 0, time.UTC)); err != nil {
			return fmt.Errorf("plan: shifts[%d]: %w", i, err)
		}
	}
	return nil
}

// On gives a shift's times on a day; lunch is zero without one.
func (s ShiftTimes) On(day time.Time) (start, end, lunch time.Time, err error) {
	at := func(field, v string) (time.Time, error) {
		t, err := time.Parse("15:04", v)
		if err != nil {
			return time.Time{}, fmt.Errorf("%s is %q, allowed: a time such as 06:00", field, clip(v))
		}
		return time.Date(day.Year(), day.Month(), day.Day(), t.Hour(), t.Minute(), 0, 0, day.Location()), nil
	}
	if start, err = at("start", s.Start); err != nil {
		return
	}
	if end, err = at("end", s.End); err != nil {
		return
	}
	if !end.After(start) {
		end = end.AddDate(0, 0, 1)
	}
	if s.Lunch == "" {
		return
	}
	if lunch, err = at("lunch", s.Lunch); err != nil {
		return
	}
	if lunch.Before(start) {
		lunch = lunch.AddDate(0, 0, 1)
	}
	if lunch.After(end) {
		err = fmt.Errorf("lunch is %s, allowed: within the shift", s.Lunch)
	}
	return
}

// OfBook is the roster that a book carries; false where it carries none.
func OfBook(b *drink.Book) (Roster, bool, error) {
	if len(b.Sampling) == 0 {
		return Roster{}, false, nil
	}
	raw, err := yaml.YAMLToJSON(b.Sampling)
	if err != nil {
		return Roster{}, false, fmt.Errorf("plan: it is not YAML that can be read: %w", err)
	}
	r, err := ParseRoster(raw)
	return r, err == nil, err
}

// CheckBook finds what is wrong with the roster of a book that loaded. It stands
// beside drink.CheckBook, which knows nothing of plans.
func CheckBook(b *drink.Book) drink.Problems {
	_, _, err := OfBook(b)
	if err != nil {
		return drink.Problems{{Level: drink.Error, File: drink.SamplingFile, Fault: err.Error(), Mend: "mend the plan, or remove the file for the default"}}
	}
	return nil
}
