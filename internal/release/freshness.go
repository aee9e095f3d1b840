package release

import (
	"fmt"
	"time"
)

// Freshness says how old the word is that a station works by. Nothing in it
// stops work.
type Freshness struct {
	// Stale: some document may be old. Sentences then says which and why.
	Stale bool
	// Heard is when the centre last answered with our nonce, by the local
	// clock; zero for never.
	Heard time.Time
	// Silence is the time since Heard; 0 for never.
	Silence time.Duration
	// StopList is when the stop list held was last known to be the newest;
	// zero for never. Show its age wherever stops are shown.
	StopList time.Time
	// Sentences for people, the gravest first; empty when all is fresh.
	Sentences []string
}

// DefaultMaxSilence is how long a station may hear nothing before its book
// counts as possibly old. Our choice; no source.
const DefaultMaxSilence = 24 * time.Hour

// Freshness looks at what is held for a site at now. A maxSilence of 0 means
// DefaultMaxSilence. With an empty site only the keys and the silence count.
func (t *Trust) Freshness(site string, now time.Time, maxSilence time.Duration) Freshness {
	if maxSilence <= 0 {
		maxSilence = DefaultMaxSilence
	}
	var f Freshness
	say := func(format string, args ...any) {
		f.Stale = true
		f.Sentences = append(f.Sentences, fmt.Sprintf(format, args...))
	}
	last := t.lastHeard()
	switch {
	case last.At == 0:
		say("The centre has not answered this station since its keys were set: the book may be old.")
	default:
		f.Heard = time.UnixMilli(last.At).UTC()
		f.Silence = now.Sub(f.Heard)
		switch {
		case f.Silence < -time.Minute:
			say("This station's clock stands at %s, before it last heard from the centre (%s): set the clock; until then nobody can tell how old the book is.", when(now), when(f.Heard))
		case f.Silence > maxSilence:
			say("The centre was last heard %s ago, on %s: the book may be old.", age(f.Silence), when(f.Heard))
		}
	}
	f.StopList = t.stopListKnown(last)
	if site != "" {
		t.sayBehind(site, now, last, f.StopList, say)
	}
	if end := t.list.ExpireTime.AsTime(); !now.Before(end) {
		say("Key list %d ran out %s ago, on %s: head office should sign the next one.", t.list.Version, age(now.Sub(end)), when(end))
	}
	if last.KeyList > t.list.Version {
		say("The centre has key list %d, and this station holds %d.", last.KeyList, t.list.Version)
	}
	return f
}

// sayBehind compares what is held with what the centre and the assignment say
// there is.
func (t *Trust) sayBehind(site string, now time.Time, last heard, stopsKnown time.Time, say func(string, ...any)) {
	held := t.assignments[site].top()
	switch {
	case held.Number == 0:
		say("No assignment for this site is held.")
	case held.Expires > 0 && !now.Before(time.UnixMilli(held.Expires)):
		end := time.UnixMilli(held.Expires)
		say("Assignment %d ran out %s ago, on %s: the book may be old.", held.Number, age(now.Sub(end)), when(end))
	}
	if last.Assignment > held.Number {
		say("The centre has assignment %d, and this station holds %d.", last.Assignment, held.Number)
	}
	if held := t.placementAt(site); last.Placement > held {
		say("The centre has placement %d, and this station holds %d: its site may lie in another region by now.", last.Placement, held)
	}
	stops := t.stops.top()
	if want := max(held.StopList, last.StopList); want > stops.Number {
		if stopsKnown.IsZero() {
			say("The centre has stop list %d, and this station holds none: ask head office what must not be made.", want)
		} else {
			say("The centre has stop list %d, and this station holds %d, last known to be the newest on %s.", want, stops.Number, when(stopsKnown))
		}
	}
}

// lastHeard is the newest standing of any key that is not revoked.
func (t *Trust) lastHeard() (last heard) {
	for _, k := range sortedKeys(t.heard) {
		if h := t.heard[k]; h.At > last.At {
			last = h
		}
	}
	return last
}

// stopListKnown is the later of its issue and of a standing that named it as
// the newest.
func (t *Trust) stopListKnown(last heard) time.Time {
	held := t.stops.top()
	if held.Number == 0 {
		return time.Time{}
	}
	known := time.UnixMilli(held.Issued).UTC()
	if at := time.UnixMilli(last.At).UTC(); last.At > 0 && last.StopList <= held.Number && at.After(known) {
		known = at
	}
	return known
}

func when(t time.Time) string { return t.UTC().Format("2 January 2006 15:04") + " UTC" }

// age in words, in the largest unit that keeps two of it.
func age(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(d.Hours()))
	default:
		return fmt.Sprintf("%d days", int(d.Hours()/24))
	}
}
