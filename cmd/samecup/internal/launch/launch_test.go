package launch

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestASeasonIsLaunchedToFortySites plays the whole script; each step asserts
// itself.
func TestASeasonIsLaunchedToFortySites(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 8*time.Minute)
	defer cancel()
	var told strings.Builder
	res, err := Run(ctx, Options{Dir: t.TempDir(), Out: &told})
	if err != nil {
		t.Fatalf("%v\n\n%s", err, told.String())
	}
	t.Logf("%s\n%s", told.String(), res)
	if res.Sites != 40 || res.Equal != 40 || res.Zones != 3 || res.Books != 2 {
		t.Errorf("%d of %d stations in %d zones are equal, with %d books", res.Equal, res.Sites, res.Zones, res.Books)
	}
	if res.Absences < 40 || res.BusAbsences < 2 {
		t.Errorf("stations were off %d times, the bus %d times", res.Absences, res.BusAbsences)
	}
	if raw, err := json.Marshal(res); err != nil || !strings.Contains(string(raw), `"equal":40`) {
		t.Errorf("as JSON: %s, %v", raw, err)
	}
	if want := []string{"OWN_CHANGE", "CAUTION_UNACKNOWLEDGED", "ROLLOUT_HALTED", "LIFT_NEEDS_SECOND"}; !slices.Equal(res.Refusals, want) {
		t.Errorf("refusals %q, want %q", res.Refusals, want)
	}
}

// TestTheZonesAreOnTheSidesOfTheirChanges holds the instants of the script
// against the time zone database that Go carries.
func TestTheZonesAreOnTheSidesOfTheirChanges(t *testing.T) {
	for _, z := range zones {
		loc, err := time.LoadLocation(z.name)
		if err != nil {
			t.Fatal(err)
		}
		if got := z.opens.In(loc).Format("2006-01-02 15:04"); got != changeDay+" 05:00" {
			t.Errorf("%s opens at %s by its clock", z.name, got)
		}
	}
	loc, err := time.LoadLocation(london)
	if err != nil {
		t.Fatal(err)
	}
	if a, b := lanternOpens.In(loc).Format("15:04"), lanternOpens.Add(time.Hour).In(loc).Format("15:04"); a != "01:30" || b != a {
		t.Errorf("London shows %s and an hour later %s; 01:30 twice is wanted", a, b)
	}
}

func TestOverlap(t *testing.T) {
	at := func(h int) time.Time { return beginning.Add(time.Duration(h) * time.Hour) }
	for _, c := range []struct {
		since, until, from, to int
		want                   time.Duration
	}{
		{0, 10, 2, 4, 2 * time.Hour}, {3, 10, 2, 4, time.Hour}, {5, 10, 2, 4, 0}, {0, 1, 2, 4, 0},
	} {
		if got := overlap(at(c.since), at(c.until), at(c.from), at(c.to)); got != c.want {
			t.Errorf("%v: %v", c, got)
		}
	}
	if got := overlap(at(0), at(10), at(4), time.Time{}); got != 6*time.Hour {
		t.Errorf("without an end: %v", got)
	}
}
