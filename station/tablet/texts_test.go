package tablet

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/dialin"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/station/bar"
)

func allTexts(t testing.TB) map[string]*texts {
	t.Helper()
	all, err := loadTexts()
	if err != nil {
		t.Fatal(err)
	}
	return all
}

var placeholder = regexp.MustCompile(`\{[0-9]\}`)

func TestAllLanguagesSayTheSameThings(t *testing.T) {
	all := allTexts(t)
	if len(all) < 2 {
		t.Fatalf("%d languages", len(all))
	}
	en := all["en"]
	for lang, other := range all {
		for key, text := range en.m {
			theirs, ok := other.m[key]
			if !ok || strings.TrimSpace(theirs) == "" {
				t.Errorf("%s: no text for %s", lang, key)
				continue
			}
			a, b := placeholder.FindAllString(text, -1), placeholder.FindAllString(theirs, -1)
			slices.Sort(a)
			slices.Sort(b)
			if diff := cmp.Diff(a, b); diff != "" {
				t.Errorf("%s: %s takes other values: %s", lang, key, diff)
			}
		}
		for key := range other.m {
			if _, ok := en.m[key]; !ok {
				t.Errorf("%s: %s is in no other language", lang, key)
			}
		}
	}
}

// used collects the keys that templates and code ask for, all that look like one,
// and the beginnings of those that they put together.
func used(t testing.TB) (keys, literals, beginnings map[string]bool) {
	t.Helper()
	keys, literals, beginnings = map[string]bool{}, map[string]bool{}, map[string]bool{}
	full := regexp.MustCompile(`\b(?:T|N|refuse|Has)\(? ?"([a-z_.]+[a-z_])"`)
	plural := regexp.MustCompile(`\bN\(? ?"([a-z_.]+[a-z_])"`)
	literal := regexp.MustCompile(`"([a-z_]+\.[a-z_.]*[a-z_])"`)
	begun := regexp.MustCompile(`"([a-z_]+\.(?:[a-z_]+\.)?)(?:%s)?"`)
	var files []string
	for _, pattern := range []string{"*.go", "templates/*.html"} {
		found, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, found...)
	}
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") {
			continue
		}
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		text := string(b)
		for _, m := range plural.FindAllStringSubmatch(text, -1) {
			keys[m[1]+".one"], keys[m[1]+".other"] = true, true
			beginnings[m[1]+"."] = true
		}
		for _, m := range full.FindAllStringSubmatch(text, -1) {
			keys[m[1]] = true
		}
		for _, m := range literal.FindAllStringSubmatch(text, -1) {
			literals[m[1]] = true
		}
		for _, m := range begun.FindAllStringSubmatch(text, -1) {
			beginnings[m[1]] = true
		}
	}
	return keys, literals, beginnings
}

func TestEveryTextNamedInThePagesExists(t *testing.T) {
	en := allTexts(t)["en"]
	keys, literals, beginnings := used(t)
	if len(keys) < 150 {
		t.Fatalf("only %d keys were found in the pages: the search is broken", len(keys))
	}
	for key := range keys {
		if !en.Has(key) && !en.Has(key+".one") {
			t.Errorf("no text for %s", key)
		}
	}
	for key := range en.m {
		group := key[:strings.LastIndex(key, ".")+1]
		head := key[:strings.Index(key, ".")+1]
		if !keys[key] && !literals[key] && !beginnings[group] && !beginnings[head] && head != "refuse." && head != "measure." {
			t.Errorf("nobody uses the text %s", key)
		}
	}
}

func TestThereIsATextForEveryWordOfTheTrade(t *testing.T) {
	var want []string
	for act := range drink.Acts {
		want = append(want, "act."+act)
	}
	for _, a := range drink.Allergens {
		want = append(want, "allergen."+a)
	}
	for kind := verdict.ServingUnknown; kind <= verdict.Stopped; kind++ {
		if kind != verdict.BelowTolerance && kind != verdict.AboveTolerance { // worded by measure
			want = append(want, "finding."+kind.String())
		}
	}
	for _, grade := range []string{"in_spec", "off_spec", "unknown", "unsafe"} {
		want = append(want, "grade."+grade, "serve."+grade)
	}
	for _, k := range []instrument.FaultKind{instrument.Stalled, instrument.Stuck, instrument.Jumped, instrument.Lagging, instrument.ClockOff, instrument.OutOfCalibration, instrument.Gap, instrument.Duplicate} {
		want = append(want, "fault."+string(k))
	}
	for _, w := range []sampling.Want{sampling.Shots, sampling.Milk, sampling.Glass, sampling.AnyBuild} {
		want = append(want, "prompt."+string(w)+".one", "prompt."+string(w)+".other")
	}
	for _, r := range []sampling.Reason{sampling.NoneSold, sampling.Ignored, sampling.NotRunning, sampling.ShiftEnded} {
		want = append(want, "outcome."+string(r))
	}
	for _, w := range sampling.DefaultPlan().Windows {
		want = append(want, "window."+w.ID)
	}
	for _, o := range []dialin.Occasion{dialin.Opening, dialin.AfterLunch, dialin.NewCoffee, dialin.NewBurrSet} {
		want = append(want, "occasion."+string(o))
	}
	for _, p := range []dialin.Phase{dialin.Purging, dialin.Pulling, dialin.Tasting, dialin.Done, dialin.Stuck} {
		want = append(want, "dialin.now."+string(p))
	}
	want = append(want, "timer.pump_on", "timer.first_drop")
	en := allTexts(t)["en"]
	for _, key := range want {
		if !en.Has(key) {
			t.Errorf("no text for %s", key)
		}
	}
}

func TestTheEnglishOfAMeasureIsTheTables(t *testing.T) {
	en := allTexts(t)["en"]
	for _, m := range drink.Measures {
		for part, want := range map[string]string{
			"label": m.Label, "below": m.Below, "above": m.Above, "mend_below": m.MendBelow, "mend_above": m.MendAbove, "mend_hard": m.MendHard,
		} {
			key := "measure." + m.Code + "." + part
			if got := en.m[key]; !strings.EqualFold(got, want) {
				t.Errorf("%s is %q, the table of measures says %q", key, got, want)
			}
		}
	}
}

func TestEveryRefusalOfTheBarHasAText(t *testing.T) {
	en := allTexts(t)["en"]
	files, err := filepath.Glob("../bar/*.go")
	if err != nil || len(files) == 0 {
		t.Fatal(err)
	}
	call := regexp.MustCompile(`refuse\("([a-z_]+)", "`)
	found := 0
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range call.FindAllStringSubmatch(string(b), -1) {
			found++
			if !en.Has("refuse." + m[1]) {
				t.Errorf("%s refuses with %q: no text refuse.%s", f, m[1], m[1])
			}
		}
	}
	if found < 20 {
		t.Fatalf("only %d refusals found: the search is broken", found)
	}
}

func TestNumbersAreWrittenAsTheLanguageDoes(t *testing.T) {
	all := allTexts(t)
	for _, c := range []struct {
		lang string
		m    drink.Milli
		u    drink.Unit
		want string
	}{
		{"en", 18_200, drink.Gram, "18.2\u00a0g"},
		{"de", 18_200, drink.Gram, "18,2\u00a0g"},
		{"de", -1_500, drink.Millimetre, "−1,5\u00a0mm"},
		{"de", 3_000, drink.Count, "3"},
	} {
		if got := all[c.lang].Q(c.m, c.u); got != c.want {
			t.Errorf("%s: %q, want %q", c.lang, got, c.want)
		}
	}
	if got := all["de"].Range(drink.NoLow, 65_000, drink.Celsius); got != "höchstens 65\u00a0°C" {
		t.Error(got)
	}
}

func TestParseNumber(t *testing.T) {
	for text, want := range map[string]drink.Milli{
		"18.2": 18_200, "18,2": 18_200, " 36 ": 36_000, "-1.5": -1_500, "−2": -2_000, ".5": 500, "7.": 7_000, "0.125": 125,
	} {
		if got, ok := parseNumber(text); !ok || got != want {
			t.Errorf("%q: %v %t, want %v", text, got, ok, want)
		}
	}
	for _, text := range []string{"", ".", "-", "1.2345", "1.2.3", "1,2,3", "1e3", "12 g", "9999999999", "--1", "٣"} {
		if got, ok := parseNumber(text); ok {
			t.Errorf("%q was read as %v", text, got)
		}
	}
}

func FuzzParseNumber(f *testing.F) {
	for _, s := range []string{"18.2", "-1,5", "", "١٢", "1e9"} {
		f.Add(s)
	}
	all := allTexts(f)
	f.Fuzz(func(t *testing.T, text string) {
		m, ok := parseNumber(text)
		if !ok {
			return
		}
		for _, lang := range all {
			if again, ok := parseNumber(lang.Num(m)); !ok || again != m {
				t.Errorf("%q is %v, written as %q in %s and read as %v", text, m, lang.Num(m), lang.Lang, again)
			}
		}
	})
}

func TestFind(t *testing.T) {
	choices := choicesOf(t)
	for query, want := range map[string]string{
		"lmo": "latte/medium/oat-drink", "lat": "latte/small/whole-milk", "lat med oat": "latte/medium/oat-drink", "MAC": "macchiato/double", "dir": "dirty-chai/medium",
	} {
		found := find(choices, query)
		if len(found) == 0 || found[0].ID != want {
			t.Errorf("%q finds %v, want %s first", query, found, want)
		}
	}
	if found := find(choices, "zzz"); len(found) != 0 {
		t.Errorf("found %v", found)
	}
}

// Three letters typed find any drink, the one meant among the first eight: what
// a small tablet shows without scrolling.
func TestThreeLettersFindEveryDrink(t *testing.T) {
	choices := choicesOf(t)
	for _, c := range choices {
		words := wordsOf(c.Name)
		typed := string([]rune(words[0])[:min(3, len([]rune(words[0])))])
		found := find(choices, typed)
		at := slices.IndexFunc(found, func(f bar.Choice) bool { return f.Drink == c.Drink })
		if at < 0 || at > 7 {
			t.Errorf("%q finds %s at place %d of %d", typed, c.Name, at+1, len(found))
		}
	}
}

func choicesOf(t testing.TB) []bar.Choice {
	t.Helper()
	book := largeBook(t)
	var out []bar.Choice
	for _, s := range book.Servings() {
		c := bar.Choice{ID: s.ID, Name: s.DrinkName, Size: s.Size, Drink: s.Drink}
		if s.Milk != "" {
			c.Milk = nameOf(book, s.Milk)
		}
		out = append(out, c)
	}
	return out
}
