package sampling

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math/bits"
	"sort"
	"time"
)

// Shift is one rostered period at a station.
type Shift struct {
	Site    string `json:"site"`
	Station string `json:"station"`
	// Day is the business day, YYYY-MM-DD; No counts the day's shifts from 1.
	Day string `json:"day"`
	No  int    `json:"no"`
	// Start and End by the station's clock; Lunch is zero where there is none.
	Start time.Time `json:"start"`
	End   time.Time `json:"end"`
	Lunch time.Time `json:"lunch"`
	// Baristas rostered, pseudonyms; may be empty.
	Baristas []string `json:"baristas,omitempty"`
}

const maxShift = 24 * time.Hour

func (s *Shift) check() error {
	bad := func(field string, v any, allowed string) error {
		return fmt.Errorf("shift: %s is %v, allowed: %s", field, v, allowed)
	}
	if !isWord(s.Site) || !isWord(s.Station) {
		return bad("site and station", fmt.Sprintf("%q and %q", s.Site, s.Station), "slugs")
	}
	if _, err := time.Parse(time.DateOnly, s.Day); err != nil {
		return bad("day", fmt.Sprintf("%q", s.Day), "a date such as 2026-11-02")
	}
	if s.No < 1 || s.No > 24 {
		return bad("no", s.No, "1 to 24")
	}
	if d := s.End.Sub(s.Start); s.Start.IsZero() || d <= 0 || d > maxShift {
		return bad("end", s.End, "after the start, by 24 hours at most")
	}
	if !s.Lunch.IsZero() && (s.Lunch.Before(s.Start) || s.Lunch.After(s.End)) {
		return bad("lunch", s.Lunch, "within the shift, or none")
	}
	if len(s.Baristas) > maxPeople {
		return bad("baristas", len(s.Baristas), fmt.Sprintf("at most %d", maxPeople))
	}
	for i, b := range s.Baristas {
		if len(b) > 128 {
			return bad(fmt.Sprintf("baristas[%d]", i), fmt.Sprintf("%d bytes", len(b)), "at most 128")
		}
	}
	return nil
}

const maxPeople = 64

// MinSecret is the least length of a secret, bytes. A site's secret comes from
// the centre; who has it can know the times.
const MinSecret = 16

// Planned is one prompt as drawn. It is for the audit, and for whoever holds the
// secret; never for the bar.
type Planned struct {
	// ID is site/station/day/shift/window.part.index, unique for ever.
	ID  string    `json:"id"`
	Due time.Time `json:"due"`
	// Window is the window's ID; From and To bound what Due was drawn from.
	Window string    `json:"window"`
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`

	window int
}

// Tightening is one that happened in mid-shift.
type Tightening struct {
	At  time.Time `json:"at"`
	Why string    `json:"why"`
}

// Draw gives every prompt of a shift in order of time, drawn anew from the
// secret: for an audit. A part that lies beyond the shift's end, or after a
// lunch that there is none of, has no prompt.
func Draw(p *Plan, s *Shift, l Level, tightenings []Tightening, secret []byte) ([]Planned, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	if err := s.check(); err != nil {
		return nil, err
	}
	if len(secret) < MinSecret {
		return nil, fmt.Errorf("sampling: the secret has %d bytes, allowed: %d or more; enrol the station again", len(secret), MinSecret)
	}
	if !l.known() {
		return nil, fmt.Errorf("sampling: level is %q, allowed: %s, %s, %s", l, Relaxed, Normal, Tightened)
	}
	var out []Planned
	for i := range p.Windows {
		w := &p.Windows[i]
		for _, part := range w.parts(l) {
			from, to, ok := w.bounds(s, part)
			for k := 1; ok && k <= w.Prompts; k++ {
				out = append(out, draw(p, s, i, part, k, 0, from, to, secret))
			}
		}
	}
	out = append(out, drawExtras(p, s, l, tightenings, secret)...)
	sort.SliceStable(out, func(i, j int) bool { return out[i].Due.Before(out[j].Due) })
	return out, nil
}

// drawExtras adds the prompts of tightening: a whole shift's, or those of the
// time that was left when it happened. A part gets one at most.
func drawExtras(p *Plan, s *Shift, l Level, tightenings []Tightening, secret []byte) []Planned {
	since, round := time.Time{}, uint32(0)
	switch {
	case l == Tightened:
	case len(tightenings) > 0:
		since, round = tightenings[0].At, 1
	default:
		return nil
	}
	var out []Planned
	for _, e := range p.extras(p.Labour(Normal)) {
		w := &p.Windows[e.window]
		from, to, ok := w.bounds(s, e.part)
		if from.Before(since) {
			from = since
		}
		if ok && to.Sub(from) >= time.Minute {
			out = append(out, draw(p, s, e.window, e.part, w.Prompts+1, round, from, to, secret))
		}
	}
	return out
}

// bounds is a part's span within the shift.
func (w *Window) bounds(s *Shift, part int) (from, to time.Time, ok bool) {
	anchor := s.Start
	if w.Anchor == FromLunch {
		if anchor = s.Lunch; anchor.IsZero() {
			return from, to, false
		}
	}
	span := time.Duration(w.ToMin-w.FromMin) * time.Minute
	at := func(i int) time.Time {
		return anchor.Add(time.Duration(w.FromMin)*time.Minute + span*time.Duration(i)/time.Duration(w.Parts))
	}
	from, to = at(part), at(part+1)
	if to.After(s.End) {
		to = s.End
	}
	return from, to, to.Sub(from) >= time.Minute
}

// draw places one prompt. Its own keyed hash decides, so that no time tells
// anything of another.
func draw(p *Plan, s *Shift, window, part, index int, round uint32, from, to time.Time, secret []byte) Planned {
	w := &p.Windows[window]
	u := keyed(secret, []string{s.Site, s.Station, s.Day, p.ID, w.ID}, uint32(s.No), uint32(part), uint32(index), round)
	// The high word of u x span is even over whole nanoseconds.
	offset, _ := bits.Mul64(u, uint64(to.Sub(from)))
	return Planned{
		ID:     fmt.Sprintf("%s/%s/%s/%d/%s.%d.%d", s.Site, s.Station, s.Day, s.No, w.ID, part+1, index),
		Due:    from.Add(time.Duration(offset)),
		Window: w.ID, From: from, To: to, window: window,
	}
}

// keyed is 64 bits of HMAC-SHA256 over a label and the fields, each with its
// length before it: no two sets of fields give one message.
func keyed(secret []byte, texts []string, numbers ...uint32) uint64 {
	mac := hmac.New(sha256.New, secret)
	var n [4]byte
	put := func(v uint32) {
		binary.BigEndian.PutUint32(n[:], v)
		mac.Write(n[:])
	}
	for _, t := range append([]string{"samecup sampling times v1"}, texts...) {
		put(uint32(len(t)))
		mac.Write([]byte(t))
	}
	for _, v := range numbers {
		put(v)
	}
	return binary.BigEndian.Uint64(mac.Sum(nil))
}
