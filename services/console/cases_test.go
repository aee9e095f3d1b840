package console

import (
	"math/rand/v2"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestTheTitleOfACaseNamesLotAndPerson(t *testing.T) {
	k := tellerFor(t, "en-GB", false)
	suspect := func(cause string) []*pb.CaseSuspect { return []*pb.CaseSuspect{{Cause: cause, Weight: 1}} }
	at := []string{"tannery-row"}
	for want, c := range map[string]*pb.Case{
		"Milk lot whole-a-x at Tannery Row: it differs from the lots before": {Title: "several sites: whole-a-x, likely milk lot", Domain: "milk", Sites: at, Suspects: suspect("milk_lot")},
		// Milk work whose likeliest cause is a lot is not about a lot that is known.
		"Milk at Tannery Row: likely milk lot": {Title: "tannery-row: tannery-row, milk, likely milk lot", Domain: "milk", Sites: at, Suspects: suspect("milk_lot")},
		"Milk in drinks made by b-119 at Tannery Row: likely how that person works, and what allows it": {Title: "tannery-row: b-119, milk, likely technique", Domain: "milk", Sites: at, Suspects: suspect("technique")},
		"Milk temperature above tolerance at Tannery Row":                                               {Title: "tannery-row: tannery-row, above_tolerance milk_temp, likely technique", Domain: "safety", Sites: at, Suspects: suspect("technique")},
		"Garnish unexpected: cocoa at Tannery Row: likely the site's own allergen rules were missing":   {Title: "tannery-row: tannery-row, garnish_unexpected cocoa, likely overlay", Domain: "safety", Sites: at, Suspects: suspect("overlay")},
		"Release 2 across the whole chain: likely the spec itself":                                      {Title: "several sites: 2, likely release", Domain: "milk", Suspects: suspect("release")},
		"A question about the log of b-7":                                                               {Title: "tannery-row: tannery-row, b-7, likely log question", Domain: "log", Risk: pb.CaseRisk_CASE_RISK_QUESTION, Suspects: suspect("log_question")},
		"Milk in drinks made by b-119 at Tannery Row: how one person works, and what allows it":         {Title: "tannery-row: b-119, milk, likely technique", Domain: "milk", Sites: at, Suspects: suspect("technique"), Fix: &pb.CaseFix{Cause: "technique"}},
		"An older spec in use at Tannery Row, bar-1":                                                    {Title: "tannery-row/bar-1: tannery-row/bar-1, likely stale spec", Domain: "steps", Sites: at, Stations: []string{"tannery-row/bar-1"}, Suspects: suspect("stale_spec")},
		"Coffee at Tannery Row and Oyster Steps: likely all sites at once":                              {Title: "several sites: coffee, likely chain", Domain: "coffee", Sites: []string{"tannery-row", "oyster-steps"}, Suspects: suspect("chain")},
		"a title without its two parts":                                                                 {Title: "a title without its two parts"},
	} {
		if got := caseTitle(c, k.sites); got != want {
			t.Errorf("%q is called %q, want %q", c.Title, got, want)
		}
	}
}

// playPeople plays a month of day means: moves tells by how much each person's drinks
// moved in its second half, in standard deviations of a day.
func playPeople(seed uint64, days int, moves ...float64) []made {
	rng := rand.New(rand.NewPCG(seed, 7))
	began := time.Date(2026, 10, 15, 0, 0, 0, 0, time.UTC)
	by := map[string]map[time.Time]*dayMean{}
	for i, move := range moves {
		who := "b-" + string(rune('1'+i))
		by[who] = map[time.Time]*dayMean{}
		for d := -days; d < days; d++ {
			x := rng.NormFloat64()
			if d >= 0 {
				x += move
			}
			by[who][began.AddDate(0, 0, d)] = &dayMean{n: 2, sum: 2 * x}
		}
	}
	return peopleOf(by, began)
}

func TestWhoseDrinksMoved(t *testing.T) {
	k := tellerFor(t, "en-GB", false)
	mass := drink.MeasureByCode("cup_mass")
	for name, c := range map[string]struct {
		list         []made
		way          int32
		person, says string
	}{
		"one of four":           {playPeople(1, 14, 0, -5, 0, 0), -1, "b-2", "went down by about"},
		"one of two":            {playPeople(2, 14, 4, 0), 1, "b-1", "in those of 1 other person here no move"},
		"all of them":           {playPeople(3, 14, 5, 5, 5), 1, "", "more likely the place than a person"},
		"two of four":           {playPeople(4, 14, 6, 6, 0, 0), 1, "", "look at what they share"},
		"nobody":                {playPeople(5, 14, 0, 0, 0), 1, "", "cannot be told"},
		"one, the other way":    {playPeople(8, 14, 0, -5, 0, 0), 1, "", "cannot be told"},
		"one, in too few days":  {playPeople(6, 3, 9, 0, 0), 1, "", ""},
		"one, nobody beside it": {playPeople(7, 14, 9), 1, "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			told := judge(c.list, c.way)
			var h byHand
			if told >= 2 {
				h.words(c.list, told, mass, k)
			}
			if h.Person != c.person || !strings.Contains(h.Words, c.says) || (h.Words == "") != (c.says == "") {
				t.Errorf("of %d people, %q: %q; want %q: %q", told, h.Person, h.Words, c.person, c.says)
			}
			if h.Person != "" && (!strings.Contains(h.Why, "not of blame") || !strings.Contains(h.Check, h.Person)) {
				t.Errorf("the check does not ask with care: %q %q", h.Check, h.Why)
			}
		})
	}
}

// Where nobody's drinks moved, Bonferroni's bound holds the chance that somebody's are
// said to have at 1 %, for all people together; of the two ways one counts.
func TestNobodyIsNamedByChanceTooOften(t *testing.T) {
	const seasons = 1500
	named := 0
	for seed := range uint64(seasons) {
		list := playPeople(1000+seed, 12, 0, 0, 0, 0)
		told := judge(list, 1)
		for _, p := range list {
			if p.moved {
				named++
				break
			}
		}
		if told != 4 {
			t.Fatalf("%d of 4 people can be told", told)
		}
	}
	if share := float64(named) / seasons; share > 0.012 || share == 0 {
		t.Errorf("in %.1f %% of seasons without a fault somebody's drinks are said to have moved; about half of 1 %% are expected", 100*share)
	}
}

func TestReadingsWithALotAndWithoutIt(t *testing.T) {
	mass := drink.MeasureByCode("cup_mass")
	limit := func(v float64) *float64 { return &v }
	var all []lotReading
	for i := range 40 {
		all = append(all, lotReading{away: float64(i%9) - 4, low: limit(-8), high: limit(8), with: i%2 == 0})
	}
	all[0].away = 12
	f := lotReadingsFigure(all, mass, "HF-7", tellerFor(t, "en-GB", false).read)
	if f == nil || len(f.Panels) != 2 {
		t.Fatalf("no pair of histograms: %+v", f)
	}
	for i, p := range f.Panels {
		if len(p.Limits) > 0 || len(p.Tolerances) != 1 || *p.Tolerances[0].High != 8 {
			t.Errorf("panel %d mixes limits and tolerances: %+v", i, p)
		}
		share := 0.0
		for _, b := range p.Bars {
			share += b.Long
		}
		if share < 99.99 || share > 100.01 {
			t.Errorf("the bars of panel %d make %.2f %%", i, share)
		}
	}
	if !strings.Contains(plainWords(f.Desc), "With it 5.0 % of") && !strings.Contains(plainWords(f.Desc), "with it 5.0 % of") {
		t.Errorf("1 of 20 readings outside is told as %q", plainWords(f.Desc))
	}
	// Unlike tolerances are drawn as shares of the way to the limit.
	all[1].high = limit(4)
	if f = lotReadingsFigure(all, mass, "HF-7", tellerFor(t, "en-GB", false).read); *f.Panels[0].Tolerances[0].High != 1 {
		t.Errorf("unlike tolerances share a band of %g", *f.Panels[0].Tolerances[0].High)
	}
	if lotReadingsFigure(all[:1], mass, "HF-7", tellerFor(t, "en-GB", false).read) != nil {
		t.Error("one side alone is drawn as a comparison")
	}
}

func plainWords(s string) string { return metric.Words(s) }

func TestWhatHappenedIsToldOnceAndInOrder(t *testing.T) {
	begun := time.Date(2026, 10, 15, 7, 0, 0, 0, time.UTC)
	build := func(minutes int, release uint64, lots []string, events ...*pb.BarEvent) *pb.JudgedBuild {
		return &pb.JudgedBuild{Build: &pb.Build{StartedTime: timestamppb.New(begun.Add(time.Duration(minutes) * time.Minute)), Release: release, Lots: lots, Events: events}}
	}
	event := func(minutes int, kind, detail string) *pb.BarEvent {
		return &pb.BarEvent{Kind: kind, Detail: detail, Time: timestamppb.New(begun.Add(time.Duration(minutes) * time.Minute))}
	}
	list := happenings([]*pb.JudgedBuild{
		build(0, 1, []string{"coffee:HF-1", "milk:M-1"}, event(-5, "adjusted", "2.4")),
		build(10, 1, []string{"coffee:HF-2", "milk:M-1"}, event(8, "new_lot", "HF-2"), event(9, "missed", "milk")),
		build(20, 2, []string{"coffee:HF-2", "oats"}, event(15, "spilt", "")),
	})
	var said []string
	for i := range list {
		said = append(said, list[i].words())
	}
	if got, want := strings.Join(said, "; "), "grinder set 2.4; release 1; coffee lot HF-1; milk lot M-1; coffee lot HF-2; check not done milk; spilt; release 2; lot oats"; got != want {
		t.Errorf("told as %q, want %q", got, want)
	}
	var rows []string
	for _, l := range dayLanes(list, begun, time.UTC) {
		rows = append(rows, l.Name)
	}
	if got, want := strings.Join(rows, "; "), "release; coffee lot; milk lot; lot; grinder set; check not done; spilt"; got != want {
		t.Errorf("rows %q, want %q", got, want)
	}
	if shot, milk := dayMarks(list, "shot_time", begun), dayMarks(list, "milk_temp", begun); len(shot) != len(milk)+1 {
		t.Errorf("%d lines through the shots and %d through the milk; the grinder moves shots alone", len(shot), len(milk))
	}
	many := make([]happening, 60)
	for i := range many {
		many[i] = happening{at: begun, kind: "adjusted"}
	}
	if lines := dayMarks(many, "dose", begun); lines != nil {
		t.Errorf("%d lines hide the points", len(lines))
	}
}

func TestChecksAndTastingsOfADay(t *testing.T) {
	begun := time.Date(2026, 10, 15, 7, 0, 0, 0, time.UTC)
	build := func(events ...*pb.BarEvent) *pb.JudgedBuild {
		for _, e := range events {
			e.Time = timestamppb.New(begun)
		}
		return &pb.JudgedBuild{Build: &pb.Build{StartedTime: timestamppb.New(begun), Release: 1, Events: events}}
	}
	builds := []*pb.JudgedBuild{
		build(&pb.BarEvent{Kind: "measured", Detail: "prompt=2026-10-15/1/mid.2.1 window=mid late_s=252"}, &pb.BarEvent{Kind: "measured", Detail: "nonsense"}),
		build(&pb.BarEvent{Kind: "tasted", Detail: "score=2 of=5 words=sour,thin blind=yes prompt=2026-10-15/1/taste.1.1 build=b-1"}, &pb.BarEvent{Kind: "missed", Detail: "mid, too busy"}),
		build(&pb.BarEvent{Kind: "tasted", Detail: "score=4 of=5 prompt=2026-10-15/1/taste.1.1 build=b-1 entry=2"}),
	}
	if f := checksDone(builds); f == nil || f.Share != "50 %" || f.N != "2" {
		t.Errorf("%+v, want 50 %% of 2", f)
	}
	if f := checksDone(builds[2:]); f != nil {
		t.Errorf("%+v of a day without a plan, want nothing", f)
	}
	var said []string
	for _, h := range happenings(builds) {
		said = append(said, h.words())
	}
	if got, want := strings.Join(said, "; "), "tasting 4 of 5, not blind; check not done mid, too busy; release 1"; got != want {
		t.Errorf("told as %q, want %q", got, want)
	}
}

func TestAMorningSaysThatTheWatchIsBehind(t *testing.T) {
	ch := seasonChain(t)
	behind := int64(0)
	d := openDesk(t, ch, func(c *Config) {
		c.Quality = &tellConn{ClientConnInterface: ch.qc, change: func(reply any) {
			switch r := reply.(type) {
			case *pb.ListCasesResponse:
				if r.WaitingBuilds = behind; behind > 1 {
					r.Cases = nil
				}
			case *pb.ListSignalsResponse:
				r.WaitingBuilds = behind
			}
		}}
	}).as(ch.tokens["lea"])
	for _, path := range []string{"/", "/cases"} {
		if behind = 0; strings.Contains(d.want(path, 200), "still to read") {
			t.Errorf("%s says that the watch is behind, and it is not", path)
		}
		behind = 1
		d.want(path, 200, "up to 1 build still to read")
		behind = 12345
		d.want(path, 200, "12\u202f345 builds still to read", "so far")
	}
}

func TestTheFileOfACaseStaysAsStored(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	d.c.Jar.(*oneJar).cookies = append(d.c.Jar.(*oneJar).cookies, &http.Cookie{Name: readingCookie, Value: "en-US.us"})
	k := driftCase(t, ch)
	page, file := d.want(caseLink(k.Id), 200, "Evidence", "Tannery Row"), d.want(caseLink(k.Id)+"?format=csv&of=evidence", 200, "tannery-row", "standard deviations of a subgroup", "method")
	if strings.Contains(page, "standard deviations of a subgroup") || strings.Contains(page, "tannery-row/bar-1:") {
		t.Error("the page tells the watch's own sentence")
	}
	if strings.Contains(file, "Tannery Row, bar-1:") {
		t.Errorf("the file has a page's words:\n%s", file)
	}
}

func TestAFindingIsCountedAtItsSitesAndAtTheOthers(t *testing.T) {
	s := span{time.Date(2026, 10, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 10, 3, 0, 0, 0, 0, time.UTC)}
	row := func(site, day string, builds, n int64) *pb.Rollup {
		return &pb.Rollup{Site: site, Period: day, Builds: &pb.BuildCounts{Builds: builds, Unsafe: n, InSpec: builds - n}, Findings: []*pb.FindingCount{{Kind: "garnish_unexpected", Count: n}, {Kind: "step_missing", Count: 9}}}
	}
	got := countDays([]*pb.Rollup{row("tannery-row", "2026-10-02", 40, 8), row("oyster-steps", "2026-10-02", 30, 1), row("lantern-hill", "2026-10-02", 20, 1), row("quillmaker-street", "2026-10-02", 50, 7), row("tannery-row", "2026-10-09", 40, 8)},
		"garnish_unexpected", []string{"tannery-row", "quillmaker-street"}, []string{"tannery-row"}, s)
	want := []map[int]found{{1: {8, 40}}, {1: {2, 50}}}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(found{})); diff != "" {
		t.Error(diff)
	}
}

func TestWhichFindingACaseIsAbout(t *testing.T) {
	unsafe := func(serving string) *pb.Signal {
		return &pb.Signal{Kind: "safety", Finding: "garnish_unexpected cocoa", Text: "tannery-row/bar-1: build 7 of " + serving + ": garnish_unexpected cocoa; unsafe, and bears on allergens"}
	}
	for name, c := range map[string]struct {
		list   []*pb.Signal
		kind   string
		drinks []string
	}{
		"an allergen in two drinks": {[]*pb.Signal{unsafe("mocha/medium/oat-drink"), unsafe("cappuccino/small"), unsafe("mocha/small")}, "garnish_unexpected", []string{"cappuccino", "mocha"}},
		"a step more often":         {[]*pb.Signal{{Kind: "rate", Finding: "step_missing purge", Text: "x"}}, "step_missing", nil},
		"a value":                   {[]*pb.Signal{{Kind: "safety", Measure: "milk_temp", Finding: "above_tolerance milk_temp"}}, "", nil},
		"nothing":                   {nil, "", nil},
	} {
		if kind, drinks := countedFinding(c.list); kind != c.kind || !cmp.Equal(drinks, c.drinks) {
			t.Errorf("%s: %q in %v, want %q in %v", name, kind, drinks, c.kind, c.drinks)
		}
	}
}
