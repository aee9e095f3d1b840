package console

import (
	"strconv"
	"strings"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// placeNames are a case's sites.
func placeNames(k *pb.Case, sites *siteList) string {
	if names := sites.names(k.Sites); names != "" {
		return names
	}
	if k.Risk == pb.CaseRisk_CASE_RISK_QUESTION {
		return "one person's log" // it is about who wrote it, not about a place
	}
	return "the whole chain"
}

// subject is what a case is about, from the title that the watch gave it, which
// names sites, lots and people by their codes.
type subject struct {
	// what in words; lot and person are set where the case is about one.
	what        []string
	lot, person string
}

func subjectOf(k *pb.Case, sites *siteList) (s subject, likely string, ok bool) {
	_, about, ok := strings.Cut(k.Title, ": ")
	if !ok {
		return s, "", false
	}
	about, likely, _ = strings.Cut(about, ", likely ")
	var parts []string
	for _, w := range strings.Split(about, ", ") {
		site, _, _ := strings.Cut(w, "/")
		if sites.by[w] == nil && sites.by[site] == nil && w != "" {
			parts = append(parts, w)
		}
	}
	likeliest := first(k)
	switch {
	case len(parts) == 1 && parts[0] != k.Domain && (likeliest == "milk_lot" || likeliest == "coffee_lot"):
		s.lot = parts[0]
		s.what = []string{causeWord(likeliest) + " " + s.lot}
	case len(parts) == 2 && parts[1] == k.Domain && likeliest == "technique":
		s.person = parts[0]
		s.what = []string{plain(k.Domain) + " in drinks made by " + s.person}
	case len(parts) == 1 && likeliest == "release" && isNumber(parts[0]):
		s.what = []string{"release " + parts[0]}
	case len(parts) == 0 && likeliest == "stale_spec":
		s.what = []string{"an older spec in use"}
	case len(parts) == 0 || len(parts) == 1 && parts[0] == "steps":
		s.what = []string{strings.Replace(plain(k.Domain), "steps", "steps or garnish", 1)}
	default:
		for _, w := range parts {
			s.what = append(s.what, findingWords(w))
		}
	}
	return s, likely, true
}

// first is the likeliest cause by its code; empty where none is known.
func first(k *pb.Case) string {
	if len(k.Suspects) == 0 {
		return ""
	}
	return k.Suspects[0].Cause
}

func isNumber(s string) bool { _, err := strconv.ParseUint(s, 10, 64); return err == nil }

// caseTitle is the case as people say it: what, where, and the likely cause.
func caseTitle(k *pb.Case, sites *siteList) string {
	s, likely, ok := subjectOf(k, sites)
	if !ok {
		return k.Title
	}
	if k.Risk == pb.CaseRisk_CASE_RISK_QUESTION {
		return "A question about the log of " + strings.Join(s.what, ", ")
	}
	place := placeNames(k, sites)
	if site, station, ok := strings.Cut(strings.Join(k.Stations, " "), "/"); ok && len(k.Stations) == 1 {
		place = sites.name(site) + ", " + station
	}
	out := sentenceCase(strings.Join(s.what, ", ")) + pick(len(k.Sites) > 0, " at ", " across ") + place
	switch {
	case k.Fix != nil:
		out += ": " + causeWord(k.Fix.Cause)
	case s.lot != "":
		out += ": it differs from the lots before"
	case s.person != "":
		out += ": likely how that person works, and what allows it"
	case k.Domain == "safety" && first(k) == "technique":
		// One hot jug is no sign of how somebody works; the checks have it.
	case len(s.what) == 1 && s.what[0] == "an older spec in use":
	case len(k.Suspects) > 0:
		out += ": likely " + causeWord(first(k))
	case likely != "":
		out += ": likely " + likely
	}
	return out
}

// waitingWords say that the watch is behind, so that a short list is not taken for
// a good day. The number is an upper bound.
func waitingWords(builds int64) string {
	if builds <= 0 {
		return ""
	}
	n := "1 build"
	if builds > 1 {
		n = count(builds) + " builds"
	}
	return "The watch has up to " + n + " still to read, so cases and signals may be missing here. Load the page again in a while."
}
