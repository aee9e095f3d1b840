package rollup

import (
	"fmt"
	"sort"
	"time"
)

// Level is how long the periods of a roll-up are.
type Level int

// An Hour is one of UTC since 1970, wherever the site is. A Day is a business day of the site's
// calendar, counted from 1970-01-01, a Month the calendar month of a business
// day, counted from January of year 0.
const (
	Hour Level = iota + 1
	Day
	Month
)

// MaxDayStart is the latest hour of the clock at which a business day begins.
const MaxDayStart = 12

// Calendar tells to which business day an instant belongs. The zero value is UTC
// with days from midnight.
type Calendar struct {
	Zone *time.Location
	// DayStart is the hour of the clock, 0 to MaxDayStart, at which a business
	// day begins: what is made before it belongs to the day before.
	DayStart int
}

// NewCalendar reads a zone of the IANA data base; "" is UTC.
func NewCalendar(zone string, dayStart int) (Calendar, error) {
	if zone == "Local" {
		return Calendar{}, fmt.Errorf("time_zone %q is not allowed; name a zone such as Europe/London", zone)
	}
	loc, err := time.LoadLocation(zone)
	if err != nil {
		return Calendar{}, fmt.Errorf("time_zone %q is not known; name a zone of the IANA data base, such as Europe/London", zone)
	}
	if dayStart < 0 || dayStart > MaxDayStart {
		return Calendar{}, fmt.Errorf("day_start_hour %d is not allowed; give 0 to %d", dayStart, MaxDayStart)
	}
	return Calendar{Zone: loc, DayStart: dayStart}, nil
}

const (
	hourMillis    = 3_600_000
	secondsInADay = 86_400
)

// HourOf is the UTC hour of an instant, counted from 1970.
func HourOf(t time.Time) int64 { return floorDiv(t.UnixMilli(), hourMillis) }

// HourStart is when an hour begins.
func HourStart(hour int64) time.Time { return time.UnixMilli(hour * hourMillis).UTC() }

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// DayAt is the business day of an instant.
func (c Calendar) DayAt(t time.Time) int64 {
	if c.Zone == nil {
		t = t.UTC()
	} else {
		t = t.In(c.Zone)
	}
	_, offset := t.Zone()
	return floorDiv(t.Unix()+int64(offset)-int64(c.DayStart)*3600, secondsInADay)
}

// DayOf is the business day in which an hour begins.
func (c Calendar) DayOf(hour int64) int64 { return c.DayAt(HourStart(hour)) }

// Begin is the first instant of a business day, or of the next one that is not
// left out where a zone changed sides of the date line. Offsets from UTC lie
// within -12 and +14 hours.
func (c Calendar) Begin(day int64) time.Time {
	earliest := day*secondsInADay + int64(c.DayStart-15)*3600
	n := sort.Search(28*3600, func(n int) bool { return c.DayAt(time.Unix(earliest+int64(n), 0)) >= day })
	return time.Unix(earliest+int64(n), 0).UTC()
}

// Cut is the hour within which a business day begins, as it does in a zone of
// half or quarter hours; ok is false where the day begins with an hour.
func (c Calendar) Cut(day int64) (hour int64, ok bool) {
	begin := c.Begin(day)
	hour = HourOf(begin)
	return hour, !HourStart(hour).Equal(begin)
}

// Hours are the first hour that begins in a business day or a later one, and the
// first that does so in the next.
func (c Calendar) Hours(day int64) (from, to int64) { return c.firstHour(day), c.firstHour(day + 1) }

func (c Calendar) firstHour(day int64) int64 {
	hour, cut := c.Cut(day)
	if cut {
		hour++
	}
	return hour
}

// Around are the hours that lie in the business days from first to last, whole
// or in part: from the first to before the last one.
func (c Calendar) Around(first, last int64) (from, to int64) {
	return HourOf(c.Begin(first)), c.firstHour(last + 1)
}

// MonthOf is the month of a business day.
func MonthOf(day int64) int64 {
	t := DayTime(day)
	return int64(t.Year())*12 + int64(t.Month()) - 1
}

// Days are the first business day of a month and the first of the next.
func Days(month int64) (from, to int64) {
	first := func(m int64) int64 {
		return DayNumber(time.Date(int(floorDiv(m, 12)), time.Month(m-floorDiv(m, 12)*12+1), 1, 0, 0, 0, 0, time.UTC))
	}
	return first(month), first(month + 1)
}

// DayTime is a day as midnight UTC of its date.
func DayTime(day int64) time.Time { return time.Unix(day*secondsInADay, 0).UTC() }

// DayNumber is the number of a date, whatever its zone.
func DayNumber(t time.Time) int64 {
	y, m, d := t.Date()
	return floorDiv(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix(), secondsInADay)
}

// WeekOf is the Monday of a day's week (ISO 8601). 1970-01-01 was a Thursday.
func WeekOf(day int64) int64 { return floorDiv(day+3, 7)*7 - 3 }
