package tablet

import (
	"testing"
	"time"

	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/station/bar"
)

func dayViews(t *testing.T) (en, de *view) {
	t.Helper()
	all := allTexts(t)
	st := bar.State{Zone: time.UTC}
	return &view{texts: all["en"], State: st}, &view{texts: all["de"], State: st}
}

func TestWhatHappenedIsSaidInEachLanguage(t *testing.T) {
	en, de := dayViews(t)
	for _, tc := range []struct {
		mark          bar.Mark
		words, german string
	}{
		{bar.Mark{Kind: "release", Args: []string{"7"}}, "release 7 in force", "Ausgabe 7 gilt"},
		{bar.Mark{Kind: "turned", Args: []string{"6.5"}}, "grinder turned to 6.5", "Mahlgrad auf 6,5 gestellt"},
		{bar.Mark{Kind: "stop", Args: []string{"stop-7"}}, "stop stop-7 seen", "Stopp stop-7 gesehen"},
		{bar.Mark{Kind: "abandoned", Args: []string{"Latte", "spilt"}}, "Latte not served: spilt", "Latte nicht serviert: spilt"},
		{bar.Mark{Kind: "abandoned", Args: []string{"Latte", "", "correction"}}, "correction of Latte left as it was", "Korrektur von Latte nicht ausgeführt"},
		{bar.Mark{Kind: "dial_in", Args: []string{"began", "opening"}}, "dial-in began (Opening)", "Einstellen begonnen (Öffnung)"},
		{bar.Mark{Kind: "dial_in", Args: []string{"turned", "11"}}, "grinder turned to 11", "Mahlgrad auf 11 gestellt"},
		{bar.Mark{Kind: "dial_in", Args: []string{"done", "4"}}, "dialled in after 4 shots", "eingestellt nach 4 Bezügen"},
		{bar.Mark{Kind: "dial_in", Args: []string{"stuck", "9"}}, "dial-in stuck after 9 shots", "Einstellen nach 9 Bezügen abgebrochen"},
		{bar.Mark{Kind: "dial_in", Args: []string{"ended", "2", "too busy"}}, "dial-in ended after 2 shots: too busy", "Einstellen nach 2 Bezügen beendet: too busy"},
		// Kept by an earlier version, or by kinds that only have English.
		{bar.Mark{Kind: "turned", Words: "grinder turned to 6.5"}, "", ""},
		{bar.Mark{Kind: "drift", Words: "shot time falls"}, "", ""},
	} {
		if got := en.MarkWords(tc.mark); got != tc.words {
			t.Errorf("%q, want %q", got, tc.words)
		}
		if got := de.MarkWords(tc.mark); got != tc.german {
			t.Errorf("%q, want %q", got, tc.german)
		}
	}
}

func TestDriftsAreSaidInEachLanguage(t *testing.T) {
	en, de := dayViews(t)
	line := bar.Drift{Measure: "shot_time", Of: bar.AllPulls, N: 12, Since: time.Date(2026, 11, 2, 10, 0, 0, 0, time.UTC),
		Slope: 3.49, Low: 3.1, High: 3.87, Limit: 26_000, Ahead: 31 * time.Minute}
	past := line
	past.Ahead, past.Above, past.Measure, past.Of = -time.Minute, true, "cup_mass", "Latte"
	for _, tc := range []struct {
		drift         bar.Drift
		words, german string
	}{
		{line, "Shot time (all pulls) falls by 3.5 s an hour (3.1 to 3.9, as sure as 99 %; 12 readings since 10:00). At that rate it reaches 26\u00a0s in about 40 minutes: grind finer",
			"Bezugszeit (alle Bezüge) fällt um 3,5 s je Stunde (3,1 bis 3,9, zu 99 % sicher; 12 Werte seit 10:00). So erreicht sie 26\u00a0s in etwa 40 Minuten: feiner mahlen"},
		{past, "Whole-cup mass (Latte) rises by 3.5 g an hour (3.1 to 3.9, as sure as 99 %; 12 readings since 10:00). The line is past 26\u00a0g already: too little air, or too much milk",
			"Gewicht der vollen Tasse (Latte) steigt um 3,5 g je Stunde (3,1 bis 3,9, zu 99 % sicher; 12 Werte seit 10:00). Die Linie ist schon über 26\u00a0g hinaus: zu wenig Luft oder zu viel Milch"},
		{bar.Drift{Measure: "shot_time", Of: bar.AllPulls, Run: 3}, "Shot time (all pulls): the last 3 running are fast: grind finer", "Bezugszeit (alle Bezüge): die letzten 3 in Folge zu schnell: feiner mahlen"},
		{bar.Drift{Measure: "unknown", English: "as the bar says"}, "as the bar says", "as the bar says"},
	} {
		if got := en.DriftWords(tc.drift); got != tc.words {
			t.Errorf("%q, want %q", got, tc.words)
		}
		if got := de.DriftWords(tc.drift); got != tc.german {
			t.Errorf("%q, want %q", got, tc.german)
		}
	}
}

func TestWhatWasPutRightAndWhatThePlanSees(t *testing.T) {
	en, de := dayViews(t)
	turn := bar.Mended{Setting: "4.5", Of: bar.AllPulls, Off: 3, Before: 5, Still: 0, After: 2}
	sight := sampling.Sight{Want: sampling.Shots, Moments: 8, Chance: 0.5695, Needed: 22}
	for got, want := range map[string]string{
		en.MendedWords(turn):                           "grinder turned to 4.5: shot time (all pulls) was off in 3 of the last 5 before it, in 0 of the 2 since",
		de.MendedWords(turn):                           "Mahlgrad auf 4,5 gestellt: Bezugszeit (alle Bezüge) lag davor 3 von 5 Mal daneben, seither 0 von 2",
		en.MendedWords(bar.Mended{Corrected: "Latte"}): "Latte: the log was corrected",
		en.SightWords(sight):                           "Shots: 8 checks see a fault in one drink of ten with a chance of 57 %; for 90 % it takes 22.",
		de.SightWords(sight):                           "Bezüge: 8 Prüfungen sehen einen Fehler in jedem zehnten Getränk zu 57 %; für 90 % braucht es 22.",
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	for d, want := range map[time.Duration]time.Duration{time.Minute: 10 * time.Minute, 89 * time.Minute: 90 * time.Minute, 91 * time.Minute: 2 * time.Hour, 200 * time.Minute: 3 * time.Hour} {
		if got := roughly(d); got != want {
			t.Errorf("%s is roughly %s, want %s", d, got, want)
		}
	}
}
