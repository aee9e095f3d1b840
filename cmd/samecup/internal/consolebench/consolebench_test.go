package consolebench

import (
	"strings"
	"testing"
)

func TestASmallChainIsMeasured(t *testing.T) {
	if testing.Short() {
		t.Skip("it logs four weeks of builds")
	}
	rows, err := Measure(t.Context(), Options{Stations: 40, Days: 60, Requests: 2, Dir: t.TempDir(), Progress: t.Output()})
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) < Main {
		t.Fatalf("%d pages", len(rows))
	}
	for _, r := range rows {
		// Times on a crowded machine are no test; sizes are.
		if r.FirstByte <= 0 || r.Whole < r.FirstByte || r.HTMLKB <= 0 || r.PlainKB <= r.KB || !r.Light() {
			t.Errorf("%+v", r)
		}
	}
	var out strings.Builder
	if err := WriteTable(&out, rows); err != nil || !strings.Contains(out.String(), "a station's day") {
		t.Errorf("%v\n%s", err, &out)
	}
	t.Log("\n" + out.String())
}

func TestOptionsThatCannotBe(t *testing.T) {
	for _, o := range []Options{{Stations: 11}, {Stations: 13}, {Days: 5}, {Requests: -1}} {
		if _, err := Measure(t.Context(), o); err == nil || !strings.Contains(err.Error(), "allowed are") {
			t.Errorf("%+v: %v", o, err)
		}
	}
}
