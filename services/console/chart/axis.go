package chart

import (
	"math"
	"strconv"
	"time"

	"gonum.org/v1/plot"
)

// NewAxis makes an axis that holds lo to hi, with round ends and ticks. Equal or
// swapped ends are opened, and what is not finite is refused with an axis from 0
// to 1.
func NewAxis(name string, lo, hi float64) Axis {
	if !finite(lo) || !finite(hi) {
		lo, hi = 0, 1
	}
	if lo > hi {
		lo, hi = hi, lo
	}
	if hi-lo < 1e-9*math.Max(math.Abs(lo), math.Abs(hi)) || hi == lo {
		d := math.Max(0.5, math.Abs(lo)*0.05)
		lo, hi = lo-d, hi+d
	}
	pad := (hi - lo) * 0.1
	a := Axis{Name: name, Min: lo - pad, Max: hi + pad}
	if lo >= 0 && a.Min < 0 {
		a.Min = 0
	}
	for _, t := range (plot.DefaultTicks{}).Ticks(a.Min, a.Max) {
		if t.Value < a.Min || t.Value > a.Max {
			continue
		}
		tick := Tick{At: t.Value}
		if !t.IsMinor() {
			tick.Label = Number(t.Value)
		}
		a.Ticks = append(a.Ticks, tick)
	}
	return a
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// Number writes a figure as briefly as its size allows.
func Number(v float64) string {
	if v == 0 {
		return "0"
	}
	s := strconv.FormatFloat(v, 'g', 5, 64)
	if f, err := strconv.ParseFloat(s, 64); err == nil && math.Abs(f) < 1e7 && math.Abs(f) >= 1e-4 {
		return strconv.FormatFloat(f, 'f', -1, 64)
	}
	return s
}

// DayAxis runs over days counted from 0 at first, with at most most labels.
func DayAxis(first time.Time, days, most int) Axis {
	a := Axis{Name: "business day", Min: -0.7, Max: float64(days) - 0.3}
	step := max(1, (days+most-1)/most)
	for _, nice := range []int{1, 2, 7, 14, 28, 91} {
		if nice >= step {
			step = nice
			break
		}
	}
	for d := range days {
		t := Tick{At: float64(d)}
		if d%step == 0 {
			t.Label = first.AddDate(0, 0, d).Format("2 Jan")
		} else if step > 7 {
			continue
		}
		a.Ticks = append(a.Ticks, t)
	}
	return a
}

// ClockAxis runs from one moment to another, in seconds since from, with ticks
// on whole hours of the clock in the moments' zone.
func ClockAxis(from, to time.Time) Axis {
	a := Axis{Name: "time of day, " + from.Format("MST"), Min: 0, Max: to.Sub(from).Seconds()}
	every := 1
	if to.Sub(from) > 10*time.Hour {
		every = 2
	}
	if to.Sub(from) > 20*time.Hour {
		every = 3
	}
	first := time.Date(from.Year(), from.Month(), from.Day(), from.Hour(), 0, 0, 0, from.Location())
	for t := first; !t.After(to); t = t.Add(time.Hour) {
		if t.Before(from) {
			continue
		}
		tick := Tick{At: t.Sub(from).Seconds()}
		if t.Hour()%every == 0 {
			tick.Label = t.Format("15:04")
		}
		a.Ticks = append(a.Ticks, tick)
	}
	return a
}
