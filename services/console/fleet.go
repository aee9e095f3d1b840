package console

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// placeLink is the page of a site where head office looks after it.
func placeLink(site string) string { return "/places/" + site }

// placeNewPage adds a site.
type placeNewPage struct {
	Site  *siteForm
	Lacks string
	// First is set where it is the first site of all.
	First bool
}

func placeNew(v *visit) (*view, error) {
	p := &placeNewPage{Site: v.siteForm(&pb.Site{}), Lacks: v.lacks("add a site", roleSites), First: len(v.sites().Sites) == 0}
	return &view{Title: "Add a site", Data: p}, nil
}

func placeAdd(v *visit) (string, error) {
	if v.typed("act") != "add" {
		return "", v.unknownAct()
	}
	s, err := v.formSite(v.typed("site.id"))
	if err != nil {
		return "", err
	}
	if _, err := v.ask.fleet.CreateSite(v.ctx, &pb.CreateSiteRequest{RequestId: v.requestID(), Site: s}); err != nil {
		return "", err
	}
	v.forgetSites()
	return placeLink(s.Id), nil
}

// forgetSites has the next page ask for the sites anew.
func (v *visit) forgetSites() {
	c := &v.c.sites
	c.mu.Lock()
	defer c.mu.Unlock()
	c.list = nil
}

// placePage is one site with its stations.
type placePage struct {
	*pb.Site
	Facts    []fact
	Change   *siteForm
	Stations *Table
	// Moving are the stations that move with the site: each is sent a signed
	// placement by itself, so that none has to be enrolled anew (fleet_service.proto,
	// UpdateSiteResponse.moving_stations).
	Moving  []string
	Station input
	Known   []string
	Code    *codeOnce
	// Overlay leads to the site's overlay, or to where one is begun.
	Overlay link
	Lacks   string
	Form    *form
}

// fact is a word and what it is.
type fact struct{ Name, Value string }

// codeOnce is an enrolment code, shown in the answer to the form that made it.
type codeOnce struct {
	Code, Station  string
	Until, Minutes string
	Command        command
}

// command is a line for a shell; a page breaks it between its words alone.
type command string

// Words are the parts between which it may be broken.
func (c command) Words() []string { return strings.Fields(string(c)) }

// oneSite finds a site as it stands now, not as it was remembered.
func (v *visit) oneSite(id string) (*pb.Site, error) {
	l, err := v.askSites()
	if err != nil {
		return nil, err
	}
	if s := l.by[id]; s != nil {
		return s, nil
	}
	return nil, notFound("site", id, link{"/places", "All places"})
}

func placeShow(v *visit) (*view, error) {
	s, err := v.oneSite(v.PathValue("site"))
	if err != nil {
		return nil, err
	}
	all, err := v.stations()
	if err != nil {
		return nil, err
	}
	p := &placePage{Site: s, Form: v.newForm(""), Lacks: v.lacks("change it or enrol its stations", roleSites)}
	if p.Lacks == "" {
		p.Change = v.siteForm(s)
	}
	cut := clockOf(normalCut(s.DayCutMinutes))
	people := "nobody said how many"
	if s.PeopleCount > 0 {
		people = plural(int(s.PeopleCount), "person", "people")
	}
	p.Facts = []fact{{"Region", orElse(s.Region, "none: it follows the chain alone")}, {"Time zone", s.TimeZone}, {"Opens", openingWords(s.OpeningMinutes)},
		{"Business day", "begins at " + cut}, {"At the bar", people}}
	zone := v.sites().zone(s.Id)
	p.Stations = &Table{ID: "stations", Caption: "Its stations", Cols: cols("station", "~state", "#follows release", "#should follow", "last heard", "enrolled"),
		Empty: "No station is enrolled here yet. Make a code for the first below."}
	for _, x := range all {
		if x.Site != s.Id {
			continue
		}
		words, tone := trouble(x, nil, v.now)
		if words == "" && x.PlacementDue {
			words, tone = "has not taken its new region yet", "caution"
		}
		p.Known = append(p.Known, x.Station)
		p.Stations.add(head(x.Station, stationLink(x.Site, x.Station, "")), Cell{Text: orElse(words, "well"), Tone: tone}, textf("%d", x.GetPresence().GetRelease()), textf("%d", x.ExpectedRelease),
			text(clock(x.PresenceTime, zone, v.now)), text(clock(x.EnrolledTime, zone, v.now)))
	}
	for _, x := range v.URL.Query()["moving"] {
		if slices.Contains(p.Known, x) {
			p.Moving = append(p.Moving, x)
		}
	}
	p.Station = p.Form.input("station", "Station", nextStation(p.Known), input{Hint: "A name of its own within the site, such as bar-1. One that is there already gets a new machine, or the old one wiped.", Max: 63, Need: true, Plain: true, List: "known"})
	p.Code, _ = v.once.(*codeOnce)
	p.Overlay = link{"/overlays/new?scope=site." + s.Id, "Do something otherwise here"}
	if overlays, err := v.everyOverlay(); v.part("its overlay", err) {
		if slices.ContainsFunc(overlays, func(o *pb.Overlay) bool {
			return o.Scope == "site."+s.Id && o.State != pb.OverlayState_OVERLAY_STATE_RETIRED
		}) {
			p.Overlay = link{"/overlays/site." + s.Id, "What it does otherwise than the chain"}
		}
	}
	return &view{Title: s.Name, Data: p, Tables: []*Table{p.Stations}}, nil
}

// nextStation proposes a name for one more station.
func nextStation(known []string) string {
	for n := 1; ; n++ {
		if name := fmt.Sprintf("bar-%d", n); !slices.Contains(known, name) {
			return name
		}
	}
}

func placeAct(v *visit) (string, error) {
	id := v.PathValue("site")
	switch v.PostFormValue("act") {
	case "change":
		return v.changeSite(id)
	case "enrol":
		station := v.typed("station")
		res, err := v.ask.fleet.CreateEnrolment(v.ctx, &pb.CreateEnrolmentRequest{RequestId: v.requestID(), Site: id, Station: station})
		if err != nil {
			return "", err
		}
		code := spacedCode(res.Code)
		v.once = &codeOnce{Code: code, Station: station, Until: clock(res.ExpireTime, v.sites().zone(id), v.now), Minutes: minutesTo(res.ExpireTime, v.now),
			Command: command(fmt.Sprintf("samecup station --data %s --enrol %s --centre ADDRESS", station, code))}
		return "", nil
	}
	return "", v.unknownAct()
}

// spacedCode writes a code in two groups, as it is read over the phone; whoever
// takes it passes over the hyphen.
func spacedCode(code string) string {
	if n := len(code); n > 4 {
		return code[:n/2] + "-" + code[n/2:]
	}
	return code
}

func minutesTo(t *timestamppb.Timestamp, now time.Time) string {
	return plural(max(0, int(t.AsTime().Sub(now).Minutes())), "minute", "minutes")
}

// changeSite sends what the form changes, and only that.
func (v *visit) changeSite(id string) (string, error) {
	was, err := v.oneSite(id)
	if err != nil {
		return "", err
	}
	now, err := v.formSite(id)
	if err != nil {
		return "", err
	}
	mask := siteMask(was, now)
	if len(mask) == 0 { // said already, as by the same form sent twice
		return placeLink(id), nil
	}
	if v.PostFormValue("etag") != siteTag(was) {
		return "", &refusal{Title: "Somebody was faster", Points: []string{"The facts of this site were changed since the page was opened; what stands now is shown above the form."},
			Next: "Nothing was changed. Look at it, and send yours again if it is still right.", Status: http.StatusConflict}
	}
	res, err := v.ask.fleet.UpdateSite(v.ctx, &pb.UpdateSiteRequest{RequestId: v.requestID(), Site: now, UpdateMask: &fieldmaskpb.FieldMask{Paths: mask}})
	if err != nil {
		return "", err
	}
	v.forgetSites()
	to := placeLink(id)
	if slices.Contains(mask, "region") && len(res.MovingStations) > 0 {
		to += "?" + url.Values{"moving": res.MovingStations}.Encode()
	}
	return to, nil
}
