package console

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"time"

	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// What a site has where nobody said otherwise (fleet_service.proto), minutes
// after midnight by the wall clock.
const (
	usualOpening = 300
	usualDayCut  = 180
)

// siteForm is the facts of a site as a form asks for them.
type siteForm struct {
	New     bool
	In      inputs
	Zone    input
	Zones   []zoneGroup
	Days    []dayInput
	DayText string // the fault of the week as a whole
	Regions []string
	Form    *form
}

// dayInput is when a site opens on one weekday.
type dayInput struct {
	Day, Name, Value   string
	ClosedName, Closed string // Closed is "1" where it is
	Fault              string
}

// siteTag stands for the facts of a site, so that a form can tell whether
// somebody changed them since it was made: the fleet's calls have no etag.
func siteTag(s *pb.Site) string {
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(s)
	if err != nil { // a message of plain fields always marshals
		return ""
	}
	sum := sha256.Sum256(raw)
	return hex.EncodeToString(sum[:8])
}

const openPrefix = "open"

func openingFieldName(day int) string { return openPrefix + strconv.Itoa(day) }
func closedFieldName(day int) string  { return "closed" + strconv.Itoa(day) }

// siteForm begins with the facts of s, which has no id where it is a new site.
func (v *visit) siteForm(s *pb.Site) *siteForm {
	f := v.newForm("")
	p := &siteForm{New: s.Id == "", Form: f}
	if !p.New {
		f.Etag = siteTag(s)
	}
	zone := s.TimeZone
	if p.New {
		zone = v.usualZone()
	}
	people := ""
	if s.PeopleCount > 0 {
		people = strconv.Itoa(int(s.PeopleCount))
	}
	cut := s.DayCutMinutes
	if cut == 0 {
		cut = usualDayCut
	}
	p.In = inputs{
		"id":     f.input("site.id", "Id", "", input{Hint: "Short, for addresses and commands, and for good: lower-case letters, digits and hyphens, such as tannery-row.", Max: 63, Need: true, Plain: true}),
		"name":   f.input("site.name", "Name, as people read it", s.Name, input{Max: 200, Need: true}),
		"region": f.input("site.region", "Region", s.Region, input{Hint: "Sites of a region can depart from the chain's book together. Empty where it follows the chain alone.", Max: 63, Plain: true, List: "regions"}),
		"cut":    f.input("site.day_cut_minutes", "The business day begins at", clockOf(cut), input{Type: "time", Hint: "A late closing still belongs to the day before. 03:00 where nobody said."}),
		"people": f.input("site.people_count", "People who work the bar", people, input{Type: "number", Hint: "For the share of them that must have read a release's card. Empty where nobody said.", Max: 6}),
	}
	if id := p.In["id"]; id.Fault == "" { // taken, and by a site with other facts
		id.Fault = f.Fault("site")
		p.In["id"] = id
	}
	p.Zone = f.input("site.time_zone", "Time zone", zone, input{Need: true})
	p.Zones = zoneGroups(p.Zone.Value)
	p.DayText = f.Fault("site.opening_minutes")
	for i, day := range longWeekdays {
		d := dayInput{Day: day, Name: openingFieldName(i), ClosedName: closedFieldName(i), Value: clockOf(usualOpening), Fault: f.Fault(openingFieldName(i))}
		if len(s.OpeningMinutes) == 7 {
			d.Value = clockOf(s.OpeningMinutes[i])
			if s.OpeningMinutes[i] < 0 {
				d.Value, d.Closed = "", "1"
			}
		}
		if f.Did("add") || f.Did("change") { // a box that is not ticked is not sent
			d.Value, d.Closed = f.Or(d.Name, ""), f.Or(d.ClosedName, "")
		}
		p.Days = append(p.Days, d)
	}
	for _, x := range v.sites().Sites {
		if x.Region != "" && !slices.Contains(p.Regions, x.Region) {
			p.Regions = append(p.Regions, x.Region)
		}
	}
	slices.Sort(p.Regions)
	return p
}

var longWeekdays = [7]string{"Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"}

// usualZone is the zone of most sites; empty where there is none yet.
func (v *visit) usualZone() string {
	n, best := map[string]int{}, ""
	for _, s := range v.sites().Sites {
		if n[s.TimeZone]++; n[s.TimeZone] > n[best] {
			best = s.TimeZone
		}
	}
	return best
}

func clockOf(minutes int32) string { return fmt.Sprintf("%02d:%02d", minutes/60, minutes%60) }

// minutesOf reads a time of the wall clock.
func minutesOf(s string) (int32, bool) {
	t, err := time.Parse("15:04", s)
	if err != nil {
		return 0, false
	}
	return int32(t.Hour()*60 + t.Minute()), true //nolint:gosec // below 1440
}

// formSite reads the site that a form states; faults are told at their fields.
func (v *visit) formSite(id string) (*pb.Site, error) {
	s := &pb.Site{Id: id, Name: v.typed("site.name"), Region: v.typed("site.region"), TimeZone: v.typed("site.time_zone")}
	bad := faults{}
	if s.Name == "" {
		bad.at("site.name", "Write the name that people read.")
	}
	if s.TimeZone == "" {
		bad.at("site.time_zone", "Choose the zone that the site's clocks go by.")
	}
	s.OpeningMinutes = v.formOpening(bad)
	cut := v.typed("site.day_cut_minutes")
	switch m, ok := minutesOf(cut); {
	case cut == "":
	case !ok:
		bad.at("site.day_cut_minutes", fmt.Sprintf("%q is not a time. Write it as 03:00, or leave it empty for that.", cut))
	case m == 0: // 0 stands for the usual
		bad.at("site.day_cut_minutes", "A business day cannot begin at 00:00 itself. Write 00:01 or later.")
	case m != usualDayCut:
		s.DayCutMinutes = m
	}
	if n := v.typed("site.people_count"); n != "" {
		x, err := strconv.Atoi(n)
		if err != nil || x < 0 || x > 100_000 {
			bad.at("site.people_count", fmt.Sprintf("%q is not a number of people. Write one from 0 to 100000, or nothing.", n))
		}
		s.PeopleCount = int32(x) //nolint:gosec // bounded above
	}
	return s, bad.err()
}

// formOpening reads the week; nil stands for the usual opening every day.
func (v *visit) formOpening(bad faults) []int32 {
	out, usual, written := make([]int32, 7), true, false
	for i := range out {
		written = written || v.typed(openingFieldName(i)) != "" || v.typed(closedFieldName(i)) != ""
	}
	if !written {
		return nil
	}
	for i := range out {
		at, closed := v.typed(openingFieldName(i)), v.typed(closedFieldName(i)) != ""
		m, ok := minutesOf(at)
		switch {
		case closed: // what stands in the time's field does not count
			m = -1
		case at == "":
			bad.at(openingFieldName(i), "Write when it opens, or tick that it is closed.")
		case !ok:
			bad.at(openingFieldName(i), fmt.Sprintf("%q is not a time. Write it as 06:30.", at))
		}
		out[i], usual = m, usual && m == usualOpening
	}
	if usual {
		return nil
	}
	return out
}

// siteMask names what a form changes of a site, by the fields of an update mask.
func siteMask(was, now *pb.Site) (out []string) {
	for _, f := range []struct {
		name string
		same bool
	}{
		{"name", was.Name == now.Name}, {"region", was.Region == now.Region}, {"time_zone", was.TimeZone == now.TimeZone},
		{"opening_minutes", slices.Equal(normalWeek(was.OpeningMinutes), normalWeek(now.OpeningMinutes))},
		{"day_cut_minutes", normalCut(was.DayCutMinutes) == normalCut(now.DayCutMinutes)}, {"people_count", was.PeopleCount == now.PeopleCount},
	} {
		if !f.same {
			out = append(out, f.name)
		}
	}
	return out
}

func normalWeek(w []int32) []int32 {
	if len(w) == 0 {
		return slices.Repeat([]int32{usualOpening}, 7)
	}
	return w
}

func normalCut(m int32) int32 {
	if m == 0 {
		return usualDayCut
	}
	return m
}
