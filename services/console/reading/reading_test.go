package reading

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/drink"
)

// The signs are those of the Unicode Common Locale Data Repository.
func TestEachLanguageHasItsSigns(t *testing.T) {
	const figure = "1" + GroupSign + "234" + DecimalSign + "5"
	for tag, want := range map[string]string{"en-GB": "1,234.5", "en-US": "1,234.5", "de-DE": "1.234,5", "de-CH": "1’234.5", "fr-FR": "1\u00a0234,5", "sv-SE": "1\u00a0234,5", "ar-EG": "", "": ""} {
		r, ok := New(tag)
		if got := r.Words(figure); want != "" && (!ok || got != want) {
			t.Errorf("%s: %q, want %q", tag, got, want)
		}
	}
	de, _ := New("de-DE")
	if got := de.Figures("n = 1" + GroupSign + "360, 4.19 and 1" + DecimalSign + "5"); got != "n = 1.360, 4,19 and 1,5" {
		t.Errorf("a chart in German: %q", got)
	}
	if got := Plain.Words(figure); got != "1\u202f234.5" {
		t.Errorf("nobody: %q", got)
	}
	for _, tag := range []string{"", "not a tag", strings.Repeat("a-", 40)} {
		if _, ok := New(tag); ok {
			t.Errorf("%q is taken for a language", tag)
		}
	}
}

// NIST SP 811, appendix B.8 (from memory): exact factors.
func TestUnitsAreConvertedExactly(t *testing.T) {
	us := Plain
	us.US = true
	for _, c := range []struct {
		milli float64
		unit  drink.Unit
		want  string
	}{{60_000, drink.Celsius, "140\u00a0°F"}, {0, drink.Celsius, "32\u00a0°F"}, {100_000, drink.Celsius, "212\u00a0°F"}, {28_350, drink.Gram, "1\u00a0oz"}, {18_000, drink.Gram, "0.635\u00a0oz"},
		{29_574, drink.Millilitre, "1\u00a0fl\u00a0oz"}, {240_000, drink.Millilitre, "8.12\u00a0fl\u00a0oz"}, {25_400, drink.Millimetre, "1\u00a0in"}, {28_000, drink.Second, "28\u00a0s"}, {10_000, drink.Percent, "10\u00a0%"}} {
		if got := PlainFigures(us.Quantity(c.milli, c.unit)); got != c.want {
			t.Errorf("%g of %s is read %q, want %q", c.milli, c.unit, got, c.want)
		}
	}
	if got := us.Difference(2, drink.Celsius); got != 3.6 {
		t.Errorf("2 °C apart are %g °F apart, want 3.6", got)
	}
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom([]drink.Unit{drink.Gram, drink.Millilitre, drink.Millimetre, drink.Celsius}).Draw(t, "unit")
		m := drink.Milli(rapid.Int64Range(0, 5_000_000).Draw(t, "milli"))
		back, err := drink.ParseQuantity(strings.ReplaceAll(PlainFigures(us.Quantity(float64(m), u)), "\u00a0", " "), u)
		// As far apart as half of the last decimal shown and no further.
		half := 500 * customaries[u].unit() / pow10(customaries[u].decimals)
		if d := float64(back - m); err != nil || d > half+1.5 || d < -half-1.5 {
			t.Fatalf("%s of %s comes back as %s: %v", m, u, back, err)
		}
	})
}

func (k customary) unit() float64 { return 1 / k.times }

func pow10(n int) float64 {
	out := 1.0
	for range n {
		out *= 10
	}
	return out
}

func TestAdviceIsInTheUnitsOfTheReader(t *testing.T) {
	const said = "probe in ice slurry, 0 ± 1 °C; the 20 g mass"
	r := Plain
	if got := r.Advice(said); got != said {
		t.Errorf("metric: %q", got)
	}
	r.US = true
	if got := r.Words(r.Advice(said)); got != "probe in ice slurry, 32 ± 1.8 °F; the 20 g mass" {
		t.Errorf("US: %q", got)
	}
}

func TestTimesAreReadInTheOrderOfTheReader(t *testing.T) {
	r, _ := New("en-US")
	for in, want := range map[string]string{
		TimeBegins + "Mon 26 Oct 15:04 GMT" + TimeEnds:                       "Mon, Oct 26, 3:04\u00a0PM GMT",
		"last heard " + TimeBegins + "2 Jan 2025 07:30 EST" + TimeEnds + ".": "last heard Jan 2, 2025, 7:30\u00a0AM EST.",
		TimeBegins + "Monday 26 October 2026" + TimeEnds:                     "Monday, October 26, 2026", TimeBegins + "29 February" + TimeEnds: "February 29",
		TimeBegins + "Mon 26 Oct 15:04" + TimeEnds: "Mon, Oct 26, 3:04\u00a0PM",
		"never": "never", TimeBegins + "soon" + TimeEnds: "soon",
	} {
		if got := r.Words(in); got != want {
			t.Errorf("%q is read %q, want %q", in, got, want)
		}
		if got := Plain.Words(in); strings.ContainsAny(got, TimeBegins+TimeEnds) {
			t.Errorf("%q keeps its signs", got)
		}
	}
}

func FuzzWordsKeepNoSign(f *testing.F) {
	f.Add("en-US", "seen "+TimeBegins+"2 Jan 15:04 GMT"+TimeEnds+", 1"+GroupSign+"234"+DecimalSign+"5")
	f.Add("fr-FR", TimeBegins)
	f.Fuzz(func(t *testing.T, tag, words string) {
		r, ok := New(tag)
		if !ok {
			return
		}
		if got := r.Words(words); strings.ContainsAny(got, DecimalSign+TimeBegins+TimeEnds) {
			t.Errorf("%q in %s keeps a sign: %q", words, tag, got)
		}
	})
}
