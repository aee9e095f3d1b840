package console

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/text/language"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/reading"
)

// tellerFor reads as somebody with the language and units would.
func tellerFor(t testing.TB, tag string, us bool) teller {
	t.Helper()
	read, ok := reading.New(tag)
	if !ok {
		t.Fatalf("language %s is not known", tag)
	}
	read.US = us
	london, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	sites := &siteList{by: map[string]*pb.Site{}, zones: map[string]*time.Location{"tannery-row": london}}
	for id, name := range map[string]string{"tannery-row": "Tannery Row", "oyster-steps": "Oyster Steps"} {
		sites.by[id] = &pb.Site{Id: id, Name: name}
	}
	return teller{sites: sites, read: read, now: time.Date(2026, 11, 2, 8, 0, 0, 0, time.UTC)}
}

// The sentences are those that internal/watch makes; times are UTC in them.
func TestASentenceOfTheWatchIsToldInTheReadersWords(t *testing.T) {
	for name, c := range map[string]struct{ in, metric, us string }{
		"level": {
			"tannery-row/bar-1: milk temperature: level down by -2.32 °C, 5.3 standard deviations of a subgroup, since about 2026-10-17 13:58 (3 readings); very sure (p 7e-05)",
			"Tannery Row, bar-1: milk temperature down by 2.32\u00a0°C, since about Sat 17 Oct 14:58 BST (3 readings)",
			"Tannery Row, bar-1: milk temperature down by 4.2\u00a0°F, since about Sat, Oct 17, 2:58\u00a0PM BST (3 readings)"},
		"spread": {
			"oyster-steps/bar-1: dose: spread within the shift up by 1.4 standard deviations of a subgroup, since about 2026-10-28 13:59 (165 readings); fairly sure (p 0.0002)",
			"Oyster Steps, bar-1: dose scatters more within the shift, by 1.4 standard deviations of its samples, since about Wed 28 Oct 13:59 UTC (165 readings)", ""},
		"dial": {
			"oyster-steps/bar-1: grinder setting: turn of the dial a shift down by -4.67 , 5.2 standard deviations of a subgroup, since about 2026-10-18 13:59 (1 readings); very sure (p 7e-05)",
			"Oyster Steps, bar-1: the grinder is turned down by 4.67 more each shift, since about Sun 18 Oct 13:59 UTC (1 reading)", ""},
		"drift": {
			"oyster-steps/bar-1: shot time: drift an hour since the last adjustment up by +0.5 s, 2.0 standard deviations of a subgroup, since about 2026-10-18 13:59 (12 readings); may be chance (p 0.06)",
			"Oyster Steps, bar-1: shot time: drift since the last adjustment up by 0.5\u00a0s an hour, since about Sun 18 Oct 13:59 UTC (12 readings)", ""},
		"site": {
			"oyster-steps: shot time: level against the other sites down by -0.924 s, 1.4 standard deviations of a subgroup, since about 2026-10-19 21:59 (3472 readings); fairly sure (p 0.0002)",
			"Oyster Steps: shot time down by 0.924\u00a0s against the other sites, since about Mon 19 Oct 21:59 UTC (3472 readings)", ""},
		"vessel": {
			"tannery-row: drinks in C350: froth depth: level against the other sites up by +3.1 mm, 2.4 standard deviations of a subgroup, since about 2026-10-19 09:00 (31 readings); very sure (p 1e-06)",
			"Tannery Row: drinks in C350: froth depth up by 3.1\u00a0mm against the other sites, since about Mon 19 Oct 10:00 BST (31 readings)",
			"Tannery Row: drinks in C350: froth depth up by 0.12\u00a0in against the other sites, since about Mon, Oct 19, 10:00\u00a0AM BST (31 readings)"},
		"chain": {
			"all sites: pour height: level at all sites up by +12 mm, 3.1 standard deviations of a subgroup, since about 2026-10-19 21:59 (34 readings); fairly sure (p 0.0002)",
			"Pour height up by 12\u00a0mm at all sites, since about Mon 19 Oct 21:59 UTC (34 readings)", ""},
		"peer": {
			"oyster-steps/bar-1 against bar-2: shot time: level against others at the same time down by -1.5 s, 3.1 standard deviations of a subgroup, since about 2026-10-19 21:59 (34 readings); fairly sure (p 0.0002); which of the two moved is not known",
			"Oyster Steps, bar-1: shot time down by 1.5\u00a0s against bar-2, since about Mon 19 Oct 21:59 UTC (34 readings); which of the two moved is not known", ""},
		"pump": {
			"oyster-steps/bar-1, chai-latte: powder or sauce: what the pump gives down by -2.5 g, 3.1 standard deviations of a subgroup, since about 2026-10-19 21:59 (34 readings); fairly sure (p 0.0002)",
			"Oyster Steps, bar-1: chai latte: powder or sauce: the pump gives 2.5\u00a0g less, since about Mon 19 Oct 21:59 UTC (34 readings)", ""},
		"lot": {
			"milk lot whole-a-x: whole-cup mass +17.2 g against the lots before, 1.36 half-widths of the tolerance, over 16 subgroups at 2 stations of 2 sites (oyster-steps/bar-1 +15.5 g; tannery-row/bar-1 +19 g); very sure (p 1e-05)",
			"Milk lot whole-a-x: whole-cup mass +17.2\u00a0g against the lots before, 1.36 times the distance from target to limit, in 16 samples at 2 stations of 2 sites (Oyster Steps, bar-1 +15.5\u00a0g; Tannery Row, bar-1 +19\u00a0g)",
			"Milk lot whole-a-x: whole-cup mass +0.607\u00a0oz against the lots before, 1.36 times the distance from target to limit, in 16 samples at 2 stations of 2 sites (Oyster Steps, bar-1 +0.547\u00a0oz; Tannery Row, bar-1 +0.67\u00a0oz)"},
		"person": {
			"drinks made by b-119: whole-cup mass -12 g against those beside, -0.90 half-widths of the tolerance, over 9 subgroups at 1 stations of 1 sites (tannery-row/bar-1 -12 g); fairly sure (p 0.001)",
			"Drinks made by b-119: whole-cup mass −12\u00a0g against those beside, 0.90 times the distance from target to limit, in 9 samples at 1 station of 1 site (Tannery Row, bar-1 −12\u00a0g)", ""},
		"rate": {
			`tannery-row/bar-1: "above_tolerance milk_temp" in 12 of 340 since about 2026-10-19 21:59, 1.2 % before; very sure (p 1e-05)`,
			"Tannery Row, bar-1: milk temperature above tolerance in 12 of 340 since about Mon 19 Oct 22:59 BST, 1.2 % before", ""},
		"old target": {
			"tannery-row/bar-1: milk temperature is made to the target of the release before, 30 readings since the change at about 2026-10-19 21:59; very sure (chance of error 0.001)",
			"Tannery Row, bar-1: milk temperature is made to the target of the release before: 30 readings since the change at about Mon 19 Oct 22:59 BST", ""},
		"behind": {
			"tannery-row/bar-1: 30 of 30 builds follow release 1 where 5 of 6 stations follow release 2 or later",
			"Tannery Row, bar-1: 30 of 30 builds follow release 1, where 5 of 6 stations follow release 2 or a later one", ""},
		"safety": {
			"tannery-row/bar-1: build cd5bf7b7-fe77-46e1 of flat-white/small/oat-drink: garnish_unexpected cocoa; unsafe, and bears on allergens",
			"Tannery Row, bar-1: flat-white, small, oat-drink: garnish unexpected: cocoa; unsafe, and bears on allergens", ""},
		"question": {
			"tannery-row, log of b-7: please ask, it is no verdict: Was each of these builds measured? (shot time 0.42)",
			"Tannery Row: please ask about the log of b-7; it is no verdict. Was each of these builds measured? (shot time 0.42)", ""},
		"history": {
			"opened: tannery-row/bar-1: 30 of 30 builds follow release 1 where 5 of 6 stations follow release 2 or later",
			"Opened: Tannery Row, bar-1: 30 of 30 builds follow release 1, where 5 of 6 stations follow release 2 or a later one", ""},
		"another site":    {"cooper-lane: 30 of 30 builds follow release 1 where 5 of 6 stations follow release 2 or later", "cooper-lane: 30 of 30 builds follow release 1 where 5 of 6 stations follow release 2 or later", ""},
		"another unit":    {"tannery-row: dose: level up by +1 kg, 1.0 standard deviations of a subgroup, since about 2026-10-19 21:59 (3 readings); very sure (p 1)", "tannery-row: dose: level up by +1 kg, 1.0 standard deviations of a subgroup, since about 2026-10-19 21:59 (3 readings); very sure (p 1)", ""},
		"typed by a hand": {"note: the grinder at tannery-row was set by 0.5 s", "note: the grinder at tannery-row was set by 0.5 s", ""},
	} {
		t.Run(name, func(t *testing.T) {
			plain, us := tellerFor(t, "en-GB", false), tellerFor(t, "en-US", true)
			if got := plain.read.Words(plain.tell(c.in)); got != c.metric {
				t.Error(cmp.Diff(c.metric, got))
			}
			if got := us.read.Words(us.tell(c.in)); c.us != "" && got != c.us {
				t.Error(cmp.Diff(c.us, got))
			}
		})
	}
}

func TestASentenceWithoutItsPlace(t *testing.T) {
	k := tellerFor(t, "de-DE", false)
	in := "tannery-row/bar-1: milk temperature: level down by -2.32 °C, 5.3 standard deviations of a subgroup, since about 2026-10-17 13:58 (3 readings); very sure (p 7e-05)"
	if got, want := k.read.Words(k.short(in)), "Milk temperature down by 2,32\u00a0°C, since about Sat 17 Oct 14:58 BST (3 readings)"; got != want {
		t.Error(cmp.Diff(want, got))
	}
}

func TestWhatTheBuildsSinceAFixTell(t *testing.T) {
	k := tellerFor(t, "de-DE", false)
	for in, want := range map[string]string{
		"tannery-row/bar-1 shot_time (level): 0.12 after the fix over 5 subgroups (20 readings), 0.01 before, 0.90 with the fault: mended at 5 %": "Tannery Row, bar-1, shot time, its distance from target over that to the limit: 0,12 in 5 samples since the fix, 0,01 before, 0,90 with the fault: mended at 5 %",
		"b-119 cup_mass (barista): 2 subgroups after the fix, about 9 would do; something else":                                                   "b-119, whole-cup mass: 2 samples since the fix, about 9 would do; something else",
		"tannery-row/bar-1 garnish_unexpected cocoa (safety): no builds after the fix, about 300 without one would do":                            "Tannery Row, bar-1, garnish unexpected: cocoa: no builds after the fix, about 300 without one would do",
		"there is nothing to test": "there is nothing to test",
	} {
		if got := k.read.Words(k.effect(in)); got != want {
			t.Error(cmp.Diff(want, got))
		}
	}
}

func TestAdviceInTheReadersUnits(t *testing.T) {
	us := tellerFor(t, "en-US", true)
	for in, want := range map[string]string{
		"probe in ice slurry, 0 ± 1 °C, and beside another probe in hot milk": "probe in ice slurry, 32 ± 1.8 °F, and beside another probe in hot milk",
		"put the 20 g and the 100 g mass on the scale":                        "put the 20 g and the 100 g mass on the scale",
		"a smaller cup holds less; cups were delivered on 2026-10-20":         "a smaller cup holds less; cups were delivered on October 20",
	} {
		if got := us.read.Words(us.advice(in)); got != want {
			t.Error(cmp.Diff(want, got))
		}
	}
}

// A sentence is told whole or left alone: no site that is not known, no figure that
// has no unit of its measure, and nothing that is told already is touched.
func FuzzASentenceIsToldWholeOrNotAtAll(f *testing.F) {
	for _, s := range []string{
		"tannery-row/bar-1: milk temperature: level down by -2.32 °C, 5.3 standard deviations of a subgroup, since about 2026-10-17 13:58 (3 readings); very sure (p 7e-05)",
		"milk lot whole-a-x: whole-cup mass +17.2 g against the lots before, 1.36 half-widths of the tolerance, over 16 subgroups at 2 stations of 2 sites (oyster-steps/bar-1 +15.5 g); very sure (p 1e-05)",
		`tannery-row/bar-1: "above_tolerance milk_temp" in 12 of 340 since about 2026-10-19 21:59, 1.2 % before; very sure (p 1e-05)`,
		"all sites: dose: level at all sites up by +1e308 g, 1.0 standard deviations of a subgroup, since about 2026-10-19 21:59 (3 readings); very sure (p 1)",
		"opened: tannery-row: x", "tannery-row", "", ": ", "nobody/bar: 1 of 2 builds follow release 1 where 5 of 6 stations follow release 2 or later",
	} {
		f.Add(s)
	}
	us, nowhere := tellerFor(f, "en-US", true), tellerFor(f, "en-GB", false)
	nowhere.sites = &siteList{}
	nowhere.read.Tag = language.German
	f.Fuzz(func(t *testing.T, s string) {
		for _, k := range []teller{us, nowhere} {
			for _, say := range []func(string) string{k.tell, k.short, k.effect, k.advice} {
				if got := say(s); utf8.ValidString(s) && !utf8.ValidString(got) {
					t.Errorf("%q is told as %q, which is no text", s, got)
				}
			}
		}
		if got := nowhere.tell(s); got != s && !strings.HasPrefix(strings.TrimPrefix(strings.TrimPrefix(s, "opened: "), "came back: "), "all sites: ") {
			t.Errorf("%q names no site that is known, and is told as %q", s, got)
		}
		if once := us.tell(s); us.tell(once) != once {
			t.Errorf("%q is told twice as %q", s, us.tell(once))
		}
	})
}

func TestAFindingInTheReadersUnits(t *testing.T) {
	us, de := tellerFor(t, "en-US", true), tellerFor(t, "de-DE", false)
	for _, f := range []verdict.Finding{
		{Kind: verdict.BelowTolerance, Measure: "shot_time", Check: "shot_time", Low: 26_000, High: 32_000, Actual: 22_000, By: 4_000},
		{Kind: verdict.AboveTolerance, Measure: "milk_temp", Check: "milk_temp", Low: drink.NoLow, High: 65_000, Actual: 68_500, By: 3_500, Criticality: drink.Safety},
		{Kind: verdict.AboveTolerance, Measure: "dose", Check: "dose", Low: 17_700, High: 18_300, Actual: 18_900, By: 600, Occurrence: 2},
		{Kind: verdict.Unconfirmed, Measure: "milk_temp", Check: "milk_temp", Low: drink.NoLow, High: 65_000, Actual: 64_800, By: 1_000},
		{Kind: verdict.ImpossibleValue, Measure: "dose", Check: "dose", Low: 1_000, High: 40_000, Actual: 90_000, By: 50_000},
		{Kind: verdict.MissingReading, Measure: "milk_temp", Check: "milk_temp", Low: 57_000, High: 63_000},
		{Kind: verdict.GarnishMissing, Expected: "cocoa"},
	} {
		p := wire.VerdictToProto(&verdict.Verdict{Findings: []verdict.Finding{f}}).Findings[0]
		got := us.read.Words(us.finding(p))
		if p.Measure != "" && f.Measure != "shot_time" && (got == p.Text || strings.Contains(got, " g") || strings.Contains(got, "°C")) {
			t.Errorf("%q is read in US units as %q", p.Text, got)
		}
		if got := de.read.Words(de.finding(p)); strings.ContainsAny(strings.ReplaceAll(got, "no. ", ""), ".") {
			t.Errorf("%q is read in German as %q", p.Text, got)
		}
		p.Text = "typed otherwise, 22 s"
		if got := us.finding(p); got != p.Text {
			t.Errorf("a sentence that the fields do not make is read as %q", got)
		}
	}
	p := wire.VerdictToProto(&verdict.Verdict{Findings: []verdict.Finding{{Kind: verdict.AboveTolerance, Measure: "dose", Check: "dose", Low: 17_700, High: 18_300, Actual: 18_900, By: 600}}}).Findings[0]
	if got := us.read.Words(us.finding(p)); !strings.HasPrefix(got, "dose 0.667\u00a0oz: 0.021\u00a0oz ") || !strings.Contains(got, "(0.624 to 0.646\u00a0oz)") {
		t.Errorf("read as %q", got)
	}
}
