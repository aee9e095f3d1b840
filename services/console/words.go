package console

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/reading"
)

func gradeWord(g pb.Grade) string {
	switch g {
	case pb.Grade_GRADE_IN_SPEC:
		return "in spec"
	case pb.Grade_GRADE_OFF_SPEC:
		return "off spec"
	case pb.Grade_GRADE_UNKNOWN:
		return "cannot confirm"
	case pb.Grade_GRADE_UNSAFE:
		return "unsafe"
	}
	return "awaits its release"
}

func gradeTone(g pb.Grade) string {
	switch g {
	case pb.Grade_GRADE_UNSAFE:
		return "alert"
	case pb.Grade_GRADE_UNKNOWN:
		return "caution"
	case pb.Grade_GRADE_UNSPECIFIED:
		return "quiet"
	}
	return ""
}

func riskWord(r pb.CaseRisk) string {
	switch r {
	case pb.CaseRisk_CASE_RISK_ALLERGEN:
		return "allergen"
	case pb.CaseRisk_CASE_RISK_SAFETY:
		return "safety"
	case pb.CaseRisk_CASE_RISK_STALE_SPEC:
		return "older spec in use"
	case pb.CaseRisk_CASE_RISK_CHAIN:
		return "whole chain"
	case pb.CaseRisk_CASE_RISK_SEVERAL:
		return "a site or more"
	case pb.CaseRisk_CASE_RISK_ONE_PLACE:
		return "one place"
	case pb.CaseRisk_CASE_RISK_QUESTION:
		return "a question"
	}
	return "not weighed yet"
}

func riskTone(r pb.CaseRisk) string {
	switch r {
	case pb.CaseRisk_CASE_RISK_ALLERGEN, pb.CaseRisk_CASE_RISK_SAFETY:
		return "alert"
	case pb.CaseRisk_CASE_RISK_STALE_SPEC:
		return "caution"
	}
	return ""
}

func stageWord(s pb.CaseStage) string {
	switch s {
	case pb.CaseStage_CASE_STAGE_OPEN:
		return "open"
	case pb.CaseStage_CASE_STAGE_CONTAINED:
		return "contained"
	case pb.CaseStage_CASE_STAGE_FIX_STATED:
		return "fix stated"
	case pb.CaseStage_CASE_STAGE_WATCHING:
		return "watching the builds"
	case pb.CaseStage_CASE_STAGE_CLOSED:
		return "closed"
	}
	return "unknown"
}

// causes are the codes that a case's cause may have, with the words that people
// read; they are those of internal/watch.
var causes = []struct{ Code, Word string }{
	{"grinder", "grinder or burrs"}, {"coffee_lot", "coffee lot"}, {"milk_lot", "milk lot"}, {"release", "the spec itself"},
	{"technique", "how one person works, and what allows it"}, {"air", "air in the milk at one station"}, {"chain", "all sites at once"},
	{"cups", "another cup"}, {"probe", "a thermometer"}, {"scale", "a scale"}, {"pump", "a syrup pump"}, {"machine", "the machine"},
	{"stale_spec", "an older spec was followed"}, {"overlay", "the site's own allergen rules were missing"}, {"slip", "a slip, once or now and then"},
	{"log_question", "answer to a question about the log"},
}

func causeWord(code string) string {
	for _, c := range causes {
		if c.Code == code {
			return c.Word
		}
	}
	return code
}

// plain turns a code such as "above_tolerance" into words.
func plain(code string) string { return strings.ReplaceAll(code, "_", " ") }

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%s %s", count(int64(n)), many)
}

func count(n int64) string { return reading.Count(n) }

func percent(share float64) string { return reading.Percent(share) }

func listWords(s []string) string {
	switch len(s) {
	case 0:
		return ""
	case 1:
		return s[0]
	}
	return strings.Join(s[:len(s)-1], ", ") + " and " + s[len(s)-1]
}

func unitOf(m *drink.Measure) drink.Unit {
	if m == nil {
		return ""
	}
	return m.Unit
}

func named(m *drink.Measure, check string) string {
	if m == nil {
		return plain(check)
	}
	if check != "" && check != m.Code {
		return m.Label + " (" + plain(check) + ")"
	}
	return m.Label
}

// clock is a moment in a zone, as short as the year allows.
func clock(t *timestamppb.Timestamp, zone *time.Location, now time.Time) string {
	if t == nil {
		return "never"
	}
	return at(t.AsTime(), zone, now)
}

func at(t time.Time, zone *time.Location, now time.Time) string {
	t = t.In(zone)
	if t.Year() != now.Year() {
		return reading.TimeBegins + t.Format("2 Jan 2006 15:04 MST") + reading.TimeEnds
	}
	return reading.TimeBegins + t.Format("Mon 2 Jan 15:04 MST") + reading.TimeEnds
}

// ago is how long before now, roughly.
func ago(t, now time.Time) string {
	d := now.Sub(t)
	switch {
	case d < time.Minute:
		return "just now"
	case d < 2*time.Hour:
		return plural(int(d.Minutes()), "minute ago", "minutes ago")
	case d < 48*time.Hour:
		return plural(int(d.Hours()), "hour ago", "hours ago")
	}
	return plural(int(d.Hours()/24), "day ago", "days ago")
}
