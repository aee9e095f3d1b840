package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// causes as people say them; a code that is not here is said as it stands.
var causes = map[string]string{
	"technique": "how it is made", "probe": "the probe", "grinder": "the grinder", "coffee_lot": "the lot of coffee", "milk_lot": "the lot of milk",
	"release": "the release", "machine": "the machine", "pump": "the pump", "scale": "the scale", "cups": "the cups", "slip": "a slip of the hand",
	"overlay": "the site's own rules", "stale": "an old release on the screen", "stale_spec": "an older spec was followed", "air": "air in the milk",
	"chain": "something that all sites share", "log_question": "a question about the log",
}

func causeWords(code string) string {
	if s, ok := causes[strings.ReplaceAll(code, " ", "_")]; ok {
		return s
	}
	return strings.ReplaceAll(code, "_", " ")
}

// telling is the signal that says best what a case is about: the surest, and of
// equals the latest. nil for none.
func telling(list []*pb.Signal) *pb.Signal {
	var best *pb.Signal
	for _, s := range list {
		if best == nil || sureRank(s.Sure) <= sureRank(best.Sure) {
			best = s
		}
	}
	return best
}

func sureRank(words string) int {
	if i := slices.Index(sureOrder, words); i >= 0 {
		return i
	}
	if strings.HasPrefix(words, "certain") {
		return -1
	}
	return len(sureOrder)
}

// caseWhat says in a sentence what a case is about.
func (b *builder) caseWhat(res *pb.GetCaseResponse) string {
	k := res.Case
	s := telling(res.Evidence)
	if s == nil {
		// Words of the watch, without the place, which stands beneath.
		_, what, found := strings.Cut(k.Title, ": ")
		if !found {
			what = k.Title
		}
		return sentence(strings.ReplaceAll(what, "_", " "))
	}
	what := b.signalWords(s)
	if m := b.movedBy(s); m != "" && s.Moved != 0 {
		what += " by " + m
	}
	if len(k.Suspects) > 0 && k.Suspects[0].Cause != "chain" && k.Risk != pb.CaseRisk_CASE_RISK_QUESTION {
		what += "; most likely " + causeWords(k.Suspects[0].Cause)
	}
	return sentence(what)
}

// caseSites are the sites of a case, or those of its evidence: a question may
// name none itself.
func caseSites(res *pb.GetCaseResponse) []string {
	if len(res.Case.Sites) > 0 {
		return res.Case.Sites
	}
	var out []string
	for _, s := range res.Evidence {
		if s.Site != "" && !slices.Contains(out, s.Site) {
			out = append(out, s.Site)
		}
	}
	return out
}

// signalWords say what a signal is about, without how much.
func (w *writer) signalWords(s *pb.Signal) string {
	about := capital(w.measure(s.Measure))
	switch s.Kind {
	case "level":
		return about + " has moved"
	case "spread":
		return about + " scatters more than it did"
	case "trend":
		return about + " drifts within the shift"
	case "setting":
		return "The grinder's setting keeps moving"
	case "site":
		return about + " has moved against the other sites"
	case "chain":
		return about + " has moved at all sites at once"
	case "lot":
		return about + " differs with the lot"
	case "barista":
		return about + " differs between people at one station"
	case "release":
		return about + " has moved with a release"
	case "stale":
		return "A station works by an older spec"
	case "question":
		return "Something to ask about a log"
	case "rate":
		return w.findingWords(s) + ", more often than before"
	}
	return w.findingWords(s)
}

// findingWords say a finding's kind and its subject in plain words.
func (w *writer) findingWords(s *pb.Signal) string {
	if s.Finding == "" {
		return capital(w.measure(s.Measure)) + " has moved"
	}
	kind, about, _ := strings.Cut(s.Finding, " ")
	subject := w.measure(cmp.Or(about, s.Measure))
	if about == "" && s.Measure == "" {
		return capital(strings.ReplaceAll(kind, "_", " "))
	}
	switch kind {
	case "missing_reading":
		return capital(subject) + " was not read"
	case "below_tolerance":
		return capital(subject) + " below what the book allows"
	case "above_tolerance":
		return capital(subject) + " above what the book allows"
	case "wrong_milk", "wrong_vessel", "wrong_shots":
		return "The wrong " + strings.TrimPrefix(kind, "wrong_") + ": " + subject
	case "garnish_unexpected":
		return "A garnish that the drink does not have: " + subject
	case "garnish_missing", "step_missing":
		return "A " + strings.TrimSuffix(kind, "_missing") + " was left out: " + subject
	case "step_out_of_order", "step_repeated", "step_unknown":
		return "A step " + map[string]string{"step_out_of_order": "out of order", "step_repeated": "done twice", "step_unknown": "that the drink does not have"}[kind] + ": " + subject
	case "substitution_not_allowed":
		return "A substitution that is not allowed: " + subject
	case "unconfirmed":
		return capital(subject) + " could not be confirmed"
	case "impossible_value":
		return capital(subject) + " reads what cannot be"
	case "tolerance":
		return capital(subject) + map[int32]string{1: " above", -1: " below", 0: " outside"}[s.Direction] + " what the book allows"
	}
	return capital(strings.TrimSpace(strings.ReplaceAll(kind, "_", " ") + " " + subject))
}

// measureOfCheck is what the newest book measures by a check, or the measure that
// the check's id begins with: a serving that checks one measure twice gives the
// second an id of its own, such as pour_height_end. nil where there is none.
func (w *writer) measureOfCheck(id string) (m *drink.Measure, label string) {
	if m := drink.MeasureByCode(w.d.Measures[id]); m != nil && !strings.HasPrefix(id, m.Code) {
		return m, strings.ReplaceAll(id, "_", " ")
	}
	for i := range drink.Measures {
		c := &drink.Measures[i]
		if (id == c.Code || strings.HasPrefix(id, c.Code+"_")) && (m == nil || len(c.Code) > len(m.Code)) {
			m = c
		}
	}
	if m == nil {
		return nil, strings.ReplaceAll(id, "_", " ")
	}
	if rest := strings.TrimPrefix(id, m.Code); rest != "" {
		return m, fmt.Sprintf("%s (%s)", m.Label, strings.ReplaceAll(rest[1:], "_", " "))
	}
	return m, m.Label
}

// evidence says in a sentence what a signal rests on.
func (b *builder) evidence(s *pb.Signal) string {
	if s.Kind == "question" {
		return b.question(s.Site, s.Text)
	}
	out := b.signalWords(s)
	if m := b.movedBy(s); m != "" && s.Moved != 0 {
		out += " by " + m
	}
	if s.BeganTime != nil {
		out += ", since about " + b.moment(s.BeganTime.AsTime(), s.Site)
	}
	if s.Count > 1 {
		out += ", " + b.many(int(s.Count), "value")
	}
	if s.Site != "" {
		out += ", at " + b.place(s.Site, s.Station)
	}
	return sentence(strings.Join(nonEmpty(out, s.Sure), "; "))
}

// question is the watch's question with its site by name.
func (b *builder) question(site, text string) string {
	if rest, ok := strings.CutPrefix(text, site+", "); ok && site != "" {
		return b.place(site, "") + ", " + rest
	}
	return text
}
