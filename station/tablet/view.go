package tablet

import (
	"slices"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
	"samecup.example/samecup/internal/sampling"
)

// Clock is a time of day in the site's zone.
func (v *view) Clock(t time.Time) string {
	return t.In(v.State.Zone).Format(v.T("locale.clock"))
}

// Seconds is a time of day to the second.
func (v *view) Seconds(t time.Time) string {
	return t.In(v.State.Zone).Format(v.T("locale.seconds"))
}

// Moment is a time of day, with its date unless that is today.
func (v *view) Moment(t time.Time) string {
	t = t.In(v.State.Zone)
	now := v.State.Now.In(v.State.Zone)
	if t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		return v.Clock(t)
	}
	return t.Format(v.T("locale.date")) + " " + v.Clock(t)
}

// Since is how long ago something was.
func (v *view) Since(t time.Time) string { return v.Span(v.State.Now.Sub(t)) }

// Date writes a business day, YYYY-MM-DD.
func (v *view) Date(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.Format(v.T("locale.date"))
}

// Machine is a time for the script.
func (v *view) Machine(t time.Time) int64 { return t.UnixMilli() }

// Measure is a measure's label.
func (v *view) Measure(code string) string {
	if key := "measure." + code + ".label"; v.Has(key) {
		return v.T(key)
	}
	if m := drink.MeasureByCode(code); m != nil {
		return m.Label
	}
	return code
}

// Measures lists labels.
func (v *view) Measures(codes []string) string {
	out := ""
	for i, c := range codes {
		if i > 0 {
			out += ", "
		}
		out += v.Measure(c)
	}
	return out
}

// PromptWords asks for the builds that a prompt waits for.
func (v *view) PromptWords(p *sampling.Prompt) string {
	if slices.Contains(p.Checks, sampling.Taste) {
		key := "prompt.taste_" + string(p.Want)
		return v.N(key, p.Left)
	}
	return v.N("prompt."+string(p.Want), p.Left, v.Measures(p.Checks))
}

// TakeWords asks for what is to be measured on the open build.
func (v *view) TakeWords(t *sampling.Take) string {
	return v.T("build.measure_this", v.Measures(t.Checks))
}

// FaultWords says what is wrong with an instrument and what to do.
func (v *view) FaultWords(f instrument.Fault) string {
	if key := "fault." + string(f.Kind); v.Has(key) {
		return v.T(key, f.Instrument)
	}
	return f.Words
}

// OutcomeWords says how a check of the plan ended.
func (v *view) OutcomeWords(o sampling.Outcome) string {
	done, missed, reason := "outcome.done", "outcome.missed", "outcome."+string(o.Reason)
	if o.Taste {
		done, missed = "outcome.tasted", "outcome.not_tasted"
		if o.Reason == sampling.Ignored {
			reason = "outcome.untasted"
		}
	}
	if !o.Missed {
		return v.T(done, v.Span(o.Late()))
	}
	return v.T(missed, len(o.Measured), o.Wanted, v.T(reason))
}

// Window names a window of the plan.
func (v *view) Window(id string) string {
	if key := "window." + id; v.Has(key) {
		return v.T(key)
	}
	return id
}

// Elapsed is how many seconds a timer has run, for a page without script.
func (v *view) Elapsed(since time.Time) string {
	return v.Num(drink.Milli(v.State.Now.Sub(since).Milliseconds()) / 100 * 100)
}

// OpenName is the build on its way as a person says it.
func (v *view) OpenName() string {
	o := v.State.Open
	if o == nil || o.Book == nil || o.Serving == nil {
		return ""
	}
	name, rest := titleOf(o.Book, o.Serving)
	return name + ", " + rest
}
