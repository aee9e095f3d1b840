package reportscreen

import (
	"fmt"
	"time"
)

// openGrace is what is allowed before opening and after closing, for setting
// up and clearing away (common practice, no source).
const openGrace = 30 * time.Minute

// check refuses flags that say nothing without one another.
func (o Options) check() error {
	if (o.Entered != "" || o.Shot != "" || o.ProbeResponse > 0) && o.Measured == "" {
		return fmt.Errorf("--entered, --shot and --probe-response need --measured: name the column of the time measured")
	}
	if o.ProbeResponse < 0 {
		return fmt.Errorf("--probe-response is %s, allowed: above 0, such as 5s", o.ProbeResponse)
	}
	if (o.Hours != "") != (o.AuditedDrift != 0) {
		return fmt.Errorf("--hours and --audited-drift go together: drift can be missed only where audits saw some")
	}
	if (o.Open != "") != (o.Close != "") || o.Open != "" && o.Entered == "" {
		return fmt.Errorf("--open, --close and --entered go together: they say which entries came while the site was closed")
	}
	if o.Open == "" {
		return nil
	}
	for flag, text := range map[string]string{"--open": o.Open, "--close": o.Close} {
		if _, err := timeOfDay(flag, text); err != nil {
			return err
		}
	}
	return nil
}

// timeOfDay reads 06:30 as the time since midnight.
func timeOfDay(flag, text string) (time.Duration, error) {
	t, err := time.Parse("15:04", text)
	if err != nil {
		return 0, fmt.Errorf("%s is %q, allowed: a time of day such as 06:30", flag, text)
	}
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute, nil
}
