package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/method"
	"samecup.example/samecup/services/console/reading"
)

// checksTaken says what was measured and what was not.
func (b *builder) checksTaken() error {
	b.add(Heading{Text: "Checks taken and missed"})
	taken := int64(0)
	t := Table{Headers: []string{"Check", "Readings", "Mean", "Spread (s.d.)", "Below tolerance", "Above tolerance"},
		Weights: []float64{3, 1.3, 1.6, 1.6, 1.8, 1.8}, Right: []bool{false, true, true, true, true, true}, None: "No reading of this week is here."}
	for _, r := range b.d.CheckWeek {
		k := r.Check
		if k.GetReadings() == 0 {
			continue
		}
		taken += k.Readings
		m, label := b.measureOfCheck(k.Check)
		value := func(v *float64, words func(milli float64, m *drink.Measure) string) string {
			if v == nil {
				return ""
			}
			unit := drink.Unit("")
			if m != nil {
				unit = m.Unit
			}
			return reading.WithUnit(words(*v, m), b.read.Symbol(unit))
		}
		t.Rows = append(t.Rows, []string{capital(label), b.count(int(k.Readings)), value(k.MeanMilli, b.read.Rounded), value(k.SdMilli, b.read.Spread),
			b.of(k.OffLow, k.Readings), b.of(k.OffHigh, k.Readings)})
	}
	missed := int64(0)
	gaps := Table{Headers: []string{"Station", "Builds", "Checks missed", "Builds not confirmed", "Verdicts that differed"}, Weights: []float64{3.4, 1.4, 1.8, 2.2, 2.2},
		Right: []bool{false, true, true, true, true}}
	rows := slices.Clone(b.d.StationWeek)
	slices.SortStableFunc(rows, func(x, y *pb.Rollup) int {
		return cmp.Compare(findings(y, "missing_reading"), findings(x, "missing_reading"))
	})
	for _, r := range rows {
		m := findings(r, "missing_reading")
		missed += m
		if m+r.Builds.GetUnknown()+r.Builds.GetDisputed() == 0 || len(gaps.Rows) == mostRows {
			continue
		}
		site, station, _ := strings.Cut(stationKey(r), "/")
		gaps.Rows = append(gaps.Rows, []string{b.place(site, station), b.count(int(r.Builds.GetBuilds())), b.count(int(m)), b.count(int(r.Builds.GetUnknown())), b.count(int(r.Builds.GetDisputed()))})
	}
	b.say("%s taken and %s missed that the sampling plan or the book asked for. A mean over several drinks mixes their targets; it tells of the week, not of one drink.",
		capital(b.are(int(taken), "reading")), b.are(int(missed), "check"))
	b.add(t)
	if len(gaps.Rows) > 0 {
		b.add(gaps)
	}
	return nil
}

// areNow is "1 build is", "3 builds are".
func (b *builder) areNow(n int, one string) string {
	return b.many(n, one) + map[bool]string{true: " is", false: " are"}[n == 1]
}

// are is "1 reading was", "3 readings were".
func (b *builder) are(n int, one string) string {
	return b.many(n, one) + map[bool]string{true: " was", false: " were"}[n == 1]
}

func (b *builder) of(x, n int64) string {
	if x == 0 {
		return "none"
	}
	return fmt.Sprintf("%s (%s)", b.count(int(x)), b.percent(float64(x)/float64(n)))
}

// happened lists releases, rollouts and stops.
func (b *builder) happened() error {
	b.add(Heading{Text: "Releases and stops"})
	t := Table{Headers: []string{"When", "What", "State"}, Weights: []float64{1.7, 5, 3}, Right: make([]bool, 3),
		None: "No release took effect, no rollout was under way and no stop held this week."}
	type row struct {
		at    int64
		cells []string
	}
	var rows []row
	for _, r := range b.d.Releases {
		what := fmt.Sprintf("Release %d for %s", r.Number, scopeWords(b, r.Scope))
		if r.Note != "" {
			what += ": " + r.Note
		}
		state := "took effect"
		if r.Safety {
			state += "; it changed allergens, a hard limit or a caution"
		}
		if r.RollsBackTo > 0 {
			state += fmt.Sprintf("; it brings release %d back", r.RollsBackTo)
		}
		rows = append(rows, row{r.EffectiveTime.AsTime().Unix(), []string{b.moment(r.EffectiveTime.AsTime(), ""), what, state}})
	}
	for _, r := range b.d.Rollouts {
		state := strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(r.State.String(), "ROLLOUT_STATE_")), "_", " ")
		what := fmt.Sprintf("Rollout of edition %d: %d of %d waves open", r.Edition, r.OpenWaves, len(r.Waves))
		if a := r.Adoption; a.GetExpected() > 0 {
			what += fmt.Sprintf("; %s of %s stations use it", b.count(int(a.UsesIt)), b.count(int(a.Expected)))
		}
		rows = append(rows, row{r.CreateTime.AsTime().Unix(), []string{b.moment(r.CreateTime.AsTime(), ""), what, strings.Join(nonEmpty(state, r.Reason, r.Report.GetText()), ": ")}})
	}
	for _, s := range b.d.Stops {
		state := "open"
		switch s.State {
		case pb.StopState_STOP_STATE_LIFTED:
			state = "lifted " + b.moment(s.LiftTime.AsTime(), "")
		case pb.StopState_STOP_STATE_LIFT_ASKED:
			state = s.LiftAskedBy + " asked for it to be lifted; a second person must agree"
		}
		if s.OpenSites > 0 && s.State != pb.StopState_STOP_STATE_LIFTED {
			state += fmt.Sprintf("; %s not acknowledged it", b.many(int(s.OpenSites), "site")+map[bool]string{true: " has", false: " have"}[s.OpenSites == 1])
		}
		rows = append(rows, row{s.Stop.GetCreateTime().AsTime().Unix(), []string{b.moment(s.Stop.GetCreateTime().AsTime(), ""),
			fmt.Sprintf("Stop of %s %s: %s", stopWord(s.Stop.GetKind()), b.thing(s.Stop.GetTarget()), s.Stop.GetReason()), state}})
	}
	slices.SortStableFunc(rows, func(x, y row) int { return cmp.Compare(x.at, y.at) })
	for _, r := range rows {
		t.Rows = append(t.Rows, r.cells)
	}
	b.add(t)
	return nil
}

func scopeWords(b *builder, scope string) string {
	kind, name, named_ := strings.Cut(scope, ".")
	switch {
	case !named_:
		return "the whole chain"
	case kind == "site":
		return b.place(name, "")
	}
	return "area " + named(name)
}

// questions lists what to ask about logs, and accuses nobody.
func (b *builder) questions() error {
	b.add(Heading{Text: "Questions about logs"})
	if len(b.d.Questions) == 0 {
		b.say("There is nothing to ask this week.")
		return nil
	}
	b.use(method.Honest)
	b.say("These logs look in more than one way unlike what the same instruments and hands usually give. That is a question, not a finding: an honest log can look like this too. Ask openly, and write the answer down in the case.")
	t := Table{Headers: []string{"Where", "To ask", "How sure", "Case"}, Weights: []float64{2, 6, 1.8, 1.2}, Right: make([]bool, 4)}
	for i, q := range b.d.Questions {
		if i == mostSignalRows {
			b.note("%s more are not listed: the oldest.", capital(b.count(len(b.d.Questions)-i)))
			break
		}
		t.Rows = append(t.Rows, []string{b.place(q.Site, q.Station), b.question(q.Site, q.Text), q.Sure, q.CaseId})
	}
	b.add(t)
	return nil
}

// otherCases lists every open case with its evidence, for who wants to know why.
func (b *builder) otherCases() error {
	if len(b.d.Cases) == 0 {
		return nil
	}
	b.add(Heading{Text: "The open cases and what they rest on"})
	t := Table{Headers: []string{"Case", "Where", "With", "Most likely causes", "Latest evidence"}, Weights: []float64{1.1, 1.7, 1.4, 2.1, 4.2}, Right: make([]bool, 5)}
	for _, res := range b.d.Cases {
		k := res.Case
		var names []string
		for i, s := range k.Suspects {
			if i == 3 {
				break
			}
			names = append(names, causeWords(s.Cause))
		}
		last := ""
		if n := len(res.Evidence); n > 0 {
			last = b.evidence(res.Evidence[n-1])
		}
		t.Rows = append(t.Rows, []string{k.Id, b.places(caseSites(res)), cmp.Or(k.Owner, "nobody yet"), strings.Join(names, ", "), last})
	}
	b.add(t)
	return nil
}
