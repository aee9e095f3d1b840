package release

import (
	"fmt"
	"time"
	_ "time/tzdata" // a station's system may come without the IANA database

	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	// DefaultOpening is 05:00, DefaultDayCut 03:00, both minutes after
	// midnight; where a site says nothing.
	DefaultOpening = 300
	DefaultDayCut  = 180

	// Closed stands for the opening of a weekday without one.
	Closed = -1

	minutesADay = 24 * 60
	dayFormat   = time.DateOnly
)

// Hours are what turns a business day into an instant at one site.
type Hours struct {
	Zone *time.Location
	// Opening of each weekday, Monday first: minutes after midnight by the
	// wall clock, or Closed.
	Opening [7]int
	// DayCut is the minute after midnight at which a business day begins, so
	// that a late closing belongs to the day before.
	DayCut int
}

// ParseHours reads a site's zone (IANA name), openings (none: DefaultOpening
// every day) and day cut (0: DefaultDayCut).
func ParseHours(zone string, opening []int32, dayCut int32) (Hours, error) {
	h := Hours{DayCut: int(dayCut)}
	var err error
	// "" and "Local" load without an error, and mean another zone on each
	// machine.
	if h.Zone, err = time.LoadLocation(zone); err != nil || zone == "" || zone == "Local" {
		return Hours{}, fmt.Errorf("time_zone: %q is not in the IANA database; write a name such as Europe/London", clip(zone))
	}
	if dayCut == 0 {
		h.DayCut = DefaultDayCut
	}
	switch len(opening) {
	case 0:
		for i := range h.Opening {
			h.Opening[i] = max(DefaultOpening, h.DayCut)
		}
	case 7:
		for i, m := range opening {
			h.Opening[i] = int(m)
		}
	default:
		return Hours{}, fmt.Errorf("opening_minutes: %d values; give one for each weekday, Monday first, or none", len(opening))
	}
	return h, h.Check()
}

// HoursOf reads the hours of a site.
func HoursOf(site *pb.Site) (Hours, error) {
	h, err := ParseHours(site.TimeZone, site.OpeningMinutes, site.DayCutMinutes)
	if err != nil {
		return h, fmt.Errorf("site %s: %w", site.Id, err)
	}
	return h, nil
}

// Check reports what makes hours unusable.
func (h Hours) Check() error {
	if h.Zone == nil {
		return fmt.Errorf("time_zone: missing; write an IANA name such as Europe/London")
	}
	if h.DayCut < 0 || h.DayCut >= minutesADay {
		return fmt.Errorf("day_cut_minutes: %d; 0 to %d are allowed", h.DayCut, minutesADay-1)
	}
	open := false
	for i, m := range h.Opening {
		switch {
		case m == Closed:
		case m < 0 || m >= minutesADay:
			return fmt.Errorf("opening_minutes[%d]: %d; 0 to %d are allowed, or %d for closed", i, m, minutesADay-1, Closed)
		case m < h.DayCut:
			return fmt.Errorf("opening_minutes[%d]: %d is before the day cut %d, so the site would open in the day before; open later or cut earlier", i, m, h.DayCut)
		default:
			open = true
		}
	}
	if !open {
		return fmt.Errorf("opening_minutes: closed on every weekday; give at least one opening")
	}
	return nil
}

// EffectiveAt is the instant of a business day (2006-01-02) at a site: at the
// minute after midnight by the wall clock, or at opening with nil. A minute
// before the day cut is past midnight, on the next calendar day.
//
// A wall time that a clock change skips is the first instant after it; one
// that comes twice is the first. With nil, a closed day, and a day that the
// zone never had, count as the next one that opens.
func EffectiveAt(day string, minute *int, h Hours) (time.Time, error) {
	if err := h.Check(); err != nil {
		return time.Time{}, err
	}
	d, err := time.Parse(dayFormat, day)
	if err != nil {
		return time.Time{}, fmt.Errorf("business_day: %q; write a date such as 2026-10-26", clip(day))
	}
	if minute != nil {
		m := *minute
		if m < 0 || m >= minutesADay {
			return time.Time{}, fmt.Errorf("minute_of_day: %d; 0 to %d are allowed", m, minutesADay-1)
		}
		if m < h.DayCut {
			m += minutesADay
		}
		return instant(d, m, h.Zone), nil
	}
	// 7 weekdays, and one more for a date that was skipped.
	for range 9 {
		if m := h.Opening[(int(d.Weekday())+6)%7]; m != Closed && exists(d, h.Zone) {
			return instant(d, m, h.Zone), nil
		}
		d = d.AddDate(0, 0, 1)
	}
	return time.Time{}, fmt.Errorf("business_day: %s: no opening within 9 days", day)
}

// BusinessDay is the date (2006-01-02) of the business day that t falls in. It
// never goes back as time goes on, even where the clock does.
func BusinessDay(t time.Time, h Hours) (string, error) {
	if err := h.Check(); err != nil {
		return "", err
	}
	y, m, d := t.In(h.Zone).Date()
	day := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	// From the latest candidate back: a clock set back over the cut can leave
	// the wall a day behind the business day.
	for day = day.AddDate(0, 0, 1); ; day = day.AddDate(0, 0, -1) {
		if exists(day, h.Zone) && !instant(day, h.DayCut, h.Zone).After(t) {
			return day.Format(dayFormat), nil
		}
	}
}

// exists reports whether the zone had this date at all; Pacific/Apia had no
// 30 December 2011.
func exists(day time.Time, zone *time.Location) bool {
	return instant(day, 0, zone).Before(instant(day, minutesADay, zone))
}

// instant is the first instant whose wall clock shows at least the minute of
// the date. day is midnight UTC of that date.
func instant(day time.Time, minute int, zone *time.Location) time.Time {
	wall := day.Add(time.Duration(minute) * time.Minute)
	// No zone was ever 26 h from UTC, so the walk starts before the wall time;
	// then each stretch of one offset is looked at in turn.
	for t := wall.Add(-26 * time.Hour).In(zone); ; {
		start, end := t.ZoneBounds()
		_, offset := t.Zone()
		at := wall.Add(-time.Duration(offset) * time.Second)
		if !start.IsZero() && at.Before(start) {
			return start.In(zone)
		}
		if end.IsZero() || at.Before(end) {
			return at.In(zone)
		}
		t = end
	}
}
