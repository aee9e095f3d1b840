package tablet

import (
	"errors"
	"html/template"
	"net/http"
	"strconv"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/station/bar"
)

// dayBody is what was made here on one business day.
type dayBody struct {
	*bar.Day
	Before, After string
	Charts        []chartView
	// Done and Missed count the prompts of the plan that are over; Share is the
	// share done, per cent, rounded.
	Done, Missed, Share int
	Tasted              tasteSums
}

type chartView struct {
	*bar.Series
	ID string
	// Name is what it is of; Own is true where that is the book's word.
	Name string
	Own  bool
	SVG  template.HTML
	Unit drink.Unit
	// Off counts the points beyond tolerance.
	Off int
}

func (s *Server) day(r *http.Request, v *view) error {
	date := r.FormValue("date")
	if date != "" {
		if _, err := time.Parse(time.DateOnly, date); err != nil {
			return notHere{refuse("refuse.date", date)}
		}
	}
	d, err := s.cfg.Bar.Day(r.Context(), date)
	if err != nil {
		var no *bar.Refusal
		if errors.As(err, &no) {
			return notHere{no}
		}
		return err
	}
	b := dayBody{Day: d}
	if at, err := time.Parse(time.DateOnly, d.Date); err == nil {
		b.Before, b.After = at.AddDate(0, 0, -1).Format(time.DateOnly), at.AddDate(0, 0, 1).Format(time.DateOnly)
		if b.After > v.State.Now.In(v.State.Zone).Format(time.DateOnly) {
			b.After = ""
		}
	}
	for i := range d.Series {
		se := &d.Series[i]
		c := chartView{Series: se, ID: "chart-" + strconv.Itoa(i+1), Name: v.Of(se.Of), Own: se.Of != bar.AllPulls, Unit: drink.Count}
		if m := drink.MeasureByCode(se.Measure); m != nil {
			c.Unit = m.Unit
		}
		for _, p := range se.Points {
			if p.Off {
				c.Off++
			}
		}
		c.SVG = v.chart(c.ID, se, d.Marks)
		b.Charts = append(b.Charts, c)
	}
	for _, o := range d.Checks {
		if o.Missed {
			b.Missed++
		} else {
			b.Done++
		}
	}
	if n := len(d.Checks); n > 0 {
		b.Share = (200*b.Done + n) / (2 * n)
	}
	b.Tasted = v.tasteSums(d.Tastings)
	v.Page, v.Title, v.Body = "day", v.T("day.title", v.Date(d.Date)), &b
	return nil
}
