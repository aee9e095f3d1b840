package tablet

import (
	"math"
	"strconv"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/station/bar"
)

// MarkWords says what happened; empty where there is only the English of the mark.
func (v *view) MarkWords(m bar.Mark) string {
	arg := func(i int) string {
		if i < len(m.Args) {
			return m.Args[i]
		}
		return ""
	}
	if len(m.Args) == 0 {
		return ""
	}
	switch m.Kind {
	case "release":
		return v.T("mark.release", arg(0))
	case "turned":
		return v.T("mark.turned", v.number(arg(0)))
	case "stop":
		return v.T("mark.stop", arg(0))
	case "abandoned":
		key := "mark.abandoned"
		if arg(2) != "" {
			key = "mark.correction_abandoned"
		}
		return withWhy(v.T(key, arg(0)), arg(1))
	case "dial_in":
		switch arg(0) {
		case "began":
			return v.T("mark.dial_in_began", v.T("occasion."+arg(1)))
		case "turned":
			return v.T("mark.turned", v.number(arg(1)))
		case "ended":
			return withWhy(v.T("mark.dial_in_ended", arg(1)), arg(2))
		case "done":
			return v.T("mark.dial_in_done", arg(1))
		case "stuck":
			return v.T("mark.dial_in_stuck", arg(1))
		}
	}
	return ""
}

func withWhy(text, why string) string {
	if why == "" {
		return text
	}
	return text + ": " + why
}

// number writes a value of the station's as the language does.
func (v *view) number(text string) string {
	if m, ok := parseNumber(text); ok {
		return v.Num(m)
	}
	return text
}

// Of names what a series is of.
func (v *view) Of(of string) string {
	if of == bar.AllPulls {
		return v.T("day.all_pulls")
	}
	return of
}

// DriftWords says where a measure is going and what to do about it.
func (v *view) DriftWords(d bar.Drift) string {
	m := drink.MeasureByCode(d.Measure)
	if m == nil {
		return d.English
	}
	name, way, mend := v.Measure(d.Measure)+" ("+v.Of(d.Of)+")", "below", m.MendBelow
	if d.Above {
		way, mend = "above", m.MendAbove
	}
	do := ""
	if mend != "" {
		do = ": " + v.T("measure."+d.Measure+".mend_"+way)
	}
	if d.Run > 0 {
		return v.T("drift.run", name, d.Run, v.T("measure."+d.Measure+"."+way)) + do
	}
	when := v.T("drift.past", v.Q(d.Limit, m.Unit))
	if d.Ahead > 0 {
		// No more sharply than it is known.
		when = v.T("drift.ahead", v.Q(d.Limit, m.Unit), v.Span(roughly(d.Ahead)))
	}
	key := "drift.falls"
	if d.Above {
		key = "drift.rises"
	}
	return v.T(key, name, v.rate(d.Slope), m.Unit.Symbol(), v.rate(d.Low), v.rate(d.High), d.N, v.Clock(d.Since)) + " " + when + do
}

// rate is a slope to two figures.
func (v *view) rate(f float64) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(f, 'g', 2, 64), 64)
	if err != nil {
		return ""
	}
	return v.Num(drink.Milli(math.Round(rounded * 1000)))
}

// roughly rounds a time ahead up to ten minutes, and beyond 90 to hours.
func roughly(d time.Duration) time.Duration {
	const ten = 10 * time.Minute
	if d < 90*time.Minute {
		return (d + ten - 1) / ten * ten
	}
	return max(d.Round(time.Hour), 2*time.Hour)
}

// MendedWords says what was put right.
func (v *view) MendedWords(m bar.Mended) string {
	if m.Corrected != "" {
		return v.T("mended.corrected", m.Corrected)
	}
	if m.Setting == "" { // kept by an earlier version
		return m.English
	}
	return v.T("mended.turned", v.number(m.Setting), v.Of(m.Of), m.Off, m.Before, m.Still, m.After)
}

// SightWords says what the checks of one kind can see.
func (v *view) SightWords(s sampling.Sight) string {
	return v.N("sees."+string(s.Want), s.Moments, int(math.Round(100*s.Chance)), s.Needed)
}
