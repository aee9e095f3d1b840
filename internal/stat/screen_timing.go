package stat

import (
	"fmt"
	"time"
)

// leastTimingHits is how many impossible times a screen by rule asks for: one
// may be a slip.
const leastTimingHits = 2

// ClosedScreen counts entries typed in while the site was closed. Times are of
// the device's own clock, as the wall clock of the site shows them; opens and
// closes are times of day since midnight, grace is what is allowed before and
// after (setting up, clearing away). A site that closes after midnight has
// closes at or below opens. It is a rule, not a p-value: from two such entries.
func ClosedScreen(entered []time.Time, opens, closes, grace time.Duration) (Screen, error) {
	const k, day = ScreenTiming, 24 * time.Hour
	for _, f := range []struct {
		name string
		v    time.Duration
	}{{"opening time", opens}, {"closing time", closes}} {
		if f.v < 0 || f.v > day {
			return Screen{}, inputErr(f.name, f.v, "a time of day, 0 to 24 hours")
		}
	}
	if grace < 0 || grace >= 12*time.Hour {
		return Screen{}, inputErr("grace", grace, "0 to below 12 hours")
	}
	if len(entered) == 0 {
		return notApplied(k, 0, "needs entries"), nil
	}
	open := closes - opens
	if open <= 0 {
		open += day
	}
	hits := 0
	for _, t := range entered {
		h, m, s := t.Clock()
		of := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(s)*time.Second
		since := (of - opens + grace + 2*day) % day // since the doors open, grace before
		if since > open+2*grace {
			hits++
		}
	}
	return Screen{Kind: k, N: len(entered), Applies: true, P: 1, ByRule: true, Hit: hits >= leastTimingHits,
		Finding:  fmt.Sprintf("%d entries were typed in while the site was closed", hits),
		Question: "Who was at the station then, and is its clock right?"}, nil
}

// ProbeScreen counts readings of one probe that follow the one before sooner
// than the probe can settle (its response time, 3 to 8 s for a thermometer in
// a pitcher; common practice). Times measured are in order, by the device's
// clock. A rule, not a p-value: from two such readings.
func ProbeScreen(measured []time.Time, response time.Duration) (Screen, error) {
	const k = ScreenTiming
	if response <= 0 {
		return Screen{}, inputErr("response time", response, "above 0, such as 5 s")
	}
	if len(measured) < 2 {
		return notApplied(k, len(measured), "needs two readings of one probe"), nil
	}
	hits := 0
	for i := 1; i < len(measured); i++ {
		gap := measured[i].Sub(measured[i-1])
		if gap < 0 {
			return Screen{}, inputErr("measured time", measured[i], "readings in order of time")
		}
		if gap < response {
			hits++
		}
	}
	return Screen{Kind: k, N: len(measured), Applies: true, P: 1, ByRule: true, Hit: hits >= leastTimingHits,
		Finding:  fmt.Sprintf("%d readings follow the one before sooner than the probe settles (%s)", hits, response),
		Question: "Was the probe left to settle in each drink, or were some values not measured?"}, nil
}
