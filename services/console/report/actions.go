package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// Ranks of what is no case; cases have those of pb.CaseRisk, from 1 to 7.
const (
	rankStop   = 0 // a stop that a site has not acknowledged
	rankSilent = 3 // beside a station that works by an older spec
)

type ranked struct {
	rank int
	Action
}

// actions are all things to do, safety first.
func (b *builder) actions() []Action {
	var list []ranked
	for _, s := range b.d.Stops {
		if a, ok := b.stopAction(s); ok {
			list = append(list, ranked{rankStop, a})
		}
	}
	for _, k := range b.d.Cases {
		list = append(list, ranked{int(k.Case.Risk), b.caseAction(k)})
	}
	if a, ok := b.silentAction(); ok {
		list = append(list, ranked{rankSilent, a})
	}
	slices.SortStableFunc(list, func(x, y ranked) int { return cmp.Compare(x.rank, y.rank) })
	out := make([]Action, len(list))
	for i, r := range list {
		out[i] = r.Action
	}
	return out
}

// caseAction says of a case what is so, what comes next and how sure it is.
func (b *builder) caseAction(res *pb.GetCaseResponse) Action {
	k := res.Case
	a := Action{What: b.caseWhat(res), Next: b.nextStep(res),
		Safety: k.Risk == pb.CaseRisk_CASE_RISK_ALLERGEN || k.Risk == pb.CaseRisk_CASE_RISK_SAFETY}
	sites, site, sure := caseSites(res), "", "found by a rule, no chance stated"
	if len(sites) > 0 {
		site = sites[0]
	}
	if s := telling(res.Evidence); s != nil {
		sure = cmp.Or(s.Sure, sure)
	}
	where := b.places(sites)
	if len(k.Stations) == 1 {
		s, station, _ := strings.Cut(k.Stations[0], "/")
		where = b.place(s, station)
	}
	a.Where = fmt.Sprintf("%s; since about %s", where, b.moment(k.BeganTime.AsTime(), site))
	if k.ReopenedCount > 0 {
		a.Where += fmt.Sprintf("; it came back %s", map[bool]string{true: "once", false: b.count(int(k.ReopenedCount)) + " times"}[k.ReopenedCount == 1])
	}
	if k.ClosedTime != nil {
		a.Where += "; closed since, " + b.moment(k.ClosedTime.AsTime(), site)
	}
	a.Where += fmt.Sprintf("; case %s, %s", k.Id, riskWords(k.Risk))
	a.Sure = sentence(fmt.Sprintf("%s; %s, the last %s", sure, b.many(int(k.SignalCount), "signal"), b.moment(k.LastTime.AsTime(), site)))
	return a
}

func riskWords(r pb.CaseRisk) string {
	return map[pb.CaseRisk]string{
		pb.CaseRisk_CASE_RISK_ALLERGEN: "allergens", pb.CaseRisk_CASE_RISK_SAFETY: "safety", pb.CaseRisk_CASE_RISK_STALE_SPEC: "an older spec in use",
		pb.CaseRisk_CASE_RISK_CHAIN: "the whole chain", pb.CaseRisk_CASE_RISK_SEVERAL: "a lot or several stations", pb.CaseRisk_CASE_RISK_ONE_PLACE: "one place",
		pb.CaseRisk_CASE_RISK_QUESTION: "a question",
	}[r]
}

// nextStep is what a case wants at its stage, in sentences.
func (b *builder) nextStep(res *pb.GetCaseResponse) string {
	k := res.Case
	if k.ClosedTime != nil {
		return "Nothing: the builds after the fix said that it was mended."
	}
	var steps []string
	check := func(i int, lead string) {
		if i < len(k.Suspects) {
			steps = append(steps, sentence(lead+b.read.Advice(k.Suspects[i].Check)))
		}
	}
	switch k.Stage {
	case pb.CaseStage_CASE_STAGE_FIX_STATED, pb.CaseStage_CASE_STAGE_WATCHING:
		switch res.Effect.GetOutcome() {
		case pb.FixOutcome_FIX_OUTCOME_MENDED:
			steps = append(steps, "The builds since the fix say that it is mended: close the case.")
		case pb.FixOutcome_FIX_OUTCOME_NOT_MENDED:
			steps = append(steps, "The builds since the fix say that it is not mended: look for another cause.")
			check(1, "Next, check: ")
		default:
			wait := "Wait: too few builds since the fix to tell."
			if n := res.Effect.GetMore(); n > 0 {
				wait = fmt.Sprintf("Wait and keep measuring: about %s more samples or builds are needed to tell whether it is mended.", b.count(int(n)))
			}
			steps = append(steps, wait)
		}
	case pb.CaseStage_CASE_STAGE_CONTAINED:
		steps = append(steps, sentence("It is contained: "+b.read.Advice(k.Containment)))
		check(0, "Find the cause; most likely first, check: ")
	default:
		if k.Risk == pb.CaseRisk_CASE_RISK_QUESTION {
			steps = append(steps, "Ask whoever works there, and write the answer down as the cause. An honest log can look like this too.")
			break
		}
		if k.Owner == "" {
			steps = append(steps, "Name who looks after it.")
		}
		if !strings.HasPrefix(k.Advice, "none") { // "none until the cause is known"
			steps = append(steps, sentence(b.read.Advice(k.Advice)))
		}
		check(0, "Check first: ")
	}
	if k.Owner != "" {
		steps = append(steps, "It is with: "+k.Owner+".")
	}
	return strings.Join(nonEmpty(steps...), " ")
}

func (b *builder) stopAction(s *pb.StopStatus) (Action, bool) {
	var waiting []string
	for _, site := range s.Sites {
		if site.AcknowledgeTime == nil && b.d.holds(site.Site) {
			waiting = append(waiting, site.Site)
		}
	}
	if s.State == pb.StopState_STOP_STATE_LIFTED || len(waiting) == 0 {
		return Action{}, false
	}
	return Action{Safety: true, What: sentence(fmt.Sprintf("Stop of %s %s: %s", stopWord(s.Stop.GetKind()), b.thing(s.Stop.GetTarget()), s.Stop.GetReason())),
		Where: fmt.Sprintf("Ordered %s by %s; nobody has acknowledged it at %s", b.moment(s.Stop.GetCreateTime().AsTime(), ""), s.Stop.GetAuthor(), b.places(waiting)),
		Next:  sentence("Ring them and have it acknowledged; " + s.Stop.GetInstruction()), Sure: "Certain: this is what the stations answered."}, true
}

func stopWord(k pb.StopKind) string {
	return map[pb.StopKind]string{pb.StopKind_STOP_KIND_DRINK: "drink", pb.StopKind_STOP_KIND_INGREDIENT: "ingredient", pb.StopKind_STOP_KIND_LOT: "lot"}[k]
}

// silent are the scope's stations of which no build of the week is here.
func (b *builder) silent() []string {
	heard := map[string]bool{}
	for _, r := range b.d.StationWeek {
		if r.Builds.GetBuilds() > 0 {
			heard[stationKey(r)] = true
		}
	}
	var out []string
	_, end := b.d.bounds("")
	for _, s := range b.d.Stations {
		if !heard[s.Site+"/"+s.Station] && s.EnrolledTime.AsTime().Before(end) {
			out = append(out, b.place(s.Site, s.Station))
		}
	}
	return out
}

// stationKey is "site/station", whichever way the row holds it.
func stationKey(r *pb.Rollup) string {
	if strings.Contains(r.Station, "/") {
		return r.Station
	}
	return r.Site + "/" + r.Station
}

func (b *builder) silentAction() (Action, bool) {
	list := b.silent()
	// A week of which nothing is here says so at the top.
	if len(list) == 0 || len(list) == len(b.d.Stations) {
		return Action{}, false
	}
	names := list
	if len(list) > 6 {
		names = append(slices.Clone(list[:6]), "and "+b.count(len(list)-6)+" more")
	}
	return Action{What: fmt.Sprintf("No build of the week came from %s.", b.many(len(list), "station")), Where: strings.Join(names, "; "),
		Next: "Ask whether the bar was shut. If it was open, look at its outbox and its line: what a station logged is kept there until it can be sent.",
		Sure: "Certain that nothing arrived; the reason is not known here."}, true
}
