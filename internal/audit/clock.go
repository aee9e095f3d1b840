package audit

import (
	"fmt"
	"time"
)

// Clock is a time of day by the site's clock, in minutes since midnight.
type Clock int

// ParseClock reads 07:30.
func ParseClock(text string) (Clock, error) {
	t, err := time.Parse("15:04", text)
	if err != nil {
		return 0, inputErr("time of day", fmt.Sprintf("%q", text), "hours and minutes such as 07:30")
	}
	return Clock(t.Hour()*60 + t.Minute()), nil
}

func (c Clock) String() string { return fmt.Sprintf("%02d:%02d", int(c)/60%24, int(c)%60) }

// MarshalText writes 07:30.
func (c Clock) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads 07:30.
func (c *Clock) UnmarshalText(text []byte) error {
	v, err := ParseClock(string(text))
	if err != nil {
		return err
	}
	*c = v
	return nil
}
