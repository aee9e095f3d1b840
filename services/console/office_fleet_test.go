package console

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/protobuf/testing/protocmp"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// Each zone of the list is one that a site may have.
func TestZonesCanBeLoaded(t *testing.T) {
	n := 0
	for _, g := range zoneGroups("Europe/London") {
		for _, z := range g.Zones {
			if n++; z.Chosen != (z.ID == "Europe/London") {
				t.Errorf("%s: chosen %v", z.ID, z.Chosen)
			}
			if _, err := time.LoadLocation(z.ID); err != nil {
				t.Errorf("%s: %v", z.ID, err)
			}
		}
	}
	if n < 300 {
		t.Errorf("%d zones", n)
	}
	if g := zoneGroups("Old/Zone"); !g[len(g)-1].Zones[0].Chosen {
		t.Error("a zone that the list has not is lost")
	}
}

// week fills in the seven days of a form.
func week(at string, more ...string) url.Values {
	f := url.Values{"site.name": {"Oyster Steps"}, "site.time_zone": {"Europe/Amsterdam"}}
	for i := range 7 {
		f.Set(openingFieldName(i), at)
	}
	for i := 0; i+1 < len(more); i += 2 {
		f.Set(more[i], more[i+1])
	}
	return f
}

func TestTheFormOfASite(t *testing.T) {
	base := func(change func(*pb.Site)) *pb.Site {
		s := &pb.Site{Id: "x", Name: "Oyster Steps", TimeZone: "Europe/Amsterdam"}
		if change != nil {
			change(s)
		}
		return s
	}
	for _, c := range []struct {
		name string
		form url.Values
		want *pb.Site
		at   string // the field that is refused
	}{
		{"the usual week", week("05:00"), base(nil), ""},
		{"nothing said of the week", week(""), base(nil), ""},
		{"later on one day", week("05:00", "open6", "08:30"), base(func(s *pb.Site) { s.OpeningMinutes = []int32{300, 300, 300, 300, 300, 300, 510} }), ""},
		{"closed on one day, whatever its time says", week("05:00", "closed0", "1"), base(func(s *pb.Site) { s.OpeningMinutes = []int32{-1, 300, 300, 300, 300, 300, 300} }), ""},
		{"at midnight", week("00:00"), base(func(s *pb.Site) { s.OpeningMinutes = make([]int32, 7) }), ""},
		{"a day left out", week("05:00", "open3", ""), nil, "open3"},
		{"no time", week("25:00"), nil, "open0"},
		{"the usual cut", week("", "site.day_cut_minutes", "03:00"), base(nil), ""},
		{"another cut", week("", "site.day_cut_minutes", "04:30"), base(func(s *pb.Site) { s.DayCutMinutes = 270 }), ""},
		{"a cut that cannot be stated", week("", "site.day_cut_minutes", "00:00"), nil, "site.day_cut_minutes"},
		{"people", week("", "site.people_count", "9"), base(func(s *pb.Site) { s.PeopleCount = 9 }), ""},
		{"no number of people", week("", "site.people_count", "-1"), nil, "site.people_count"},
		{"no name", week("", "site.name", " "), nil, "site.name"},
		{"no zone", week("", "site.time_zone", ""), nil, "site.time_zone"},
	} {
		got, err := formVisit(t, c.form).formSite("x")
		if c.at != "" {
			if f := faultsOf(err); err == nil || f[c.at] == "" {
				t.Errorf("%s: %v, want a fault at %s", c.name, err, c.at)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if diff := cmp.Diff(c.want, got, protocmp.Transform()); diff != "" {
			t.Errorf("%s: -want +got\n%s", c.name, diff)
		}
	}
}

func TestTheMaskNamesWhatAFormChanges(t *testing.T) {
	was := &pb.Site{Id: "x", Name: "A", Region: "harbour", TimeZone: "UTC"}
	same := &pb.Site{Id: "x", Name: "A", Region: "harbour", TimeZone: "UTC", OpeningMinutes: []int32{300, 300, 300, 300, 300, 300, 300}, DayCutMinutes: 180}
	if m := siteMask(was, same); len(m) != 0 {
		t.Errorf("what is usual was said, and it names %v", m)
	}
	other := &pb.Site{Id: "x", Name: "B", Region: "finch", TimeZone: "Europe/London", OpeningMinutes: []int32{-1, 300, 300, 300, 300, 300, 300}, DayCutMinutes: 200, PeopleCount: 3}
	if m := siteMask(was, other); len(m) != 6 {
		t.Errorf("all six facts differ, and it names %v", m)
	}
}

func TestASiteIsAddedChangedAndEnrolled(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "flo", "ada")
	flo, ada := p["flo"], p["ada"]
	flo.want("/places", 200, "Add a site", `href="/places/tannery-row"`)
	ada.want("/places", 200, "To add a site or enrol a station needs the role fleet-manager or administrator")
	ada.want("/places/new", 200, "To add a site needs the role")
	flo.want("/places/new", 200, "Time zone", `<optgroup label="Europe">`, `value="Europe/Amsterdam" selected`, "Monday: closed")
	site := []string{"site.id", "foundry-lane", "site.name", "Foundry Lane", "site.region", "harbour", "site.time_zone", "Europe/London", "site.people_count", "6"}
	body := flo.refused("/places/new", 422, []string{"lower-case letters"}, "add", append([]string{"site.id", "Foundry Lane"}, site[2:]...)...)
	if !strings.Contains(body, `id="in-site-id-f"`) || !strings.Contains(body, `value="Foundry Lane"`) {
		t.Error("the id's fault is not at its field, or what was typed is lost")
	}
	flo.refused("/places/new", 409, []string{"exists with other facts"}, "add", append([]string{"site.id", "tannery-row"}, site[2:]...)...)
	ada.refused("/places/new", 403, []string{"it needs the role fleet-manager or administrator"}, "add", site...)
	if at := flo.did("/places/new", "add", site...); at != "/places/foundry-lane" {
		t.Fatal(at)
	}
	page := flo.want("/places/foundry-lane", 200, "Foundry Lane", "6 people", "05:00 every day", "begins at 03:00", "No station is enrolled here yet", `value="bar-1"`, "/overlays/new?scope=site.foundry-lane")
	flo.want("/places", 200, "Foundry Lane")
	etag := formEtag(page, "change")

	// The code is shown once, in an answer that nobody keeps, and enrols.
	f := url.Values{"act": {"enrol"}, "request_id": {uuid.NewString()}, "station": {"bar-1"}}
	res, body := flo.post("/places/foundry-lane", f)
	code := shownSecret.FindStringSubmatch(body)
	if res.StatusCode != 200 || code == nil || res.Header.Get("Cache-Control") != "no-store" || !strings.Contains(body, "15 minutes") || !strings.Contains(body, "<span>--enrol</span> <span>"+code[1]+"</span>") {
		t.Fatalf("%d %s", res.StatusCode, told(body))
	}
	if res, body := flo.post("/places/foundry-lane", f); res.StatusCode != 200 || shownSecret.MatchString(body) || !strings.Contains(body, "This was done before") {
		t.Errorf("the same form twice: %d %s", res.StatusCode, told(body))
	}
	if _, err := pb.NewFleetServiceClient(c.cc).EnrolStation(t.Context(), &pb.EnrolStationRequest{Code: code[1]}); err != nil {
		t.Fatal(err)
	}
	flo.want("/places/foundry-lane", 200, "never heard of since it was enrolled", `value="bar-2"`)
	flo.refused("/places/foundry-lane", 422, []string{"lower-case letters"}, "enrol", "station", "Bar 1")
	ada.refused("/places/foundry-lane", 403, []string{"it needs the role fleet-manager or administrator"}, "enrol", "station", "bar-2")

	// Changed: only what differs, and not over somebody else's change.
	change := func(etag string, more ...string) url.Values {
		f := week("05:00", append([]string{"site.name", "Foundry Lane", "site.region", "harbour", "site.time_zone", "Europe/London", "site.day_cut_minutes", "03:00", "site.people_count", "6"}, more...)...)
		f.Set("act", "change")
		f.Set("request_id", uuid.NewString())
		f.Set("etag", etag)
		return f
	}
	first := change(etag, "open6", "08:00", "site.people_count", "7")
	for range 2 { // the second says what is so already
		if res, body := flo.post("/places/foundry-lane", first); res.StatusCode != 303 {
			t.Fatalf("%d %s", res.StatusCode, told(body))
		}
	}
	page = flo.want("/places/foundry-lane", 200, "Mon to Sat 05:00, Sun 08:00", "7 people")
	if res, body := flo.post("/places/foundry-lane", change(etag, "site.name", "Foundry Lane East")); res.StatusCode != 409 || !strings.Contains(body, "Somebody was faster") || !strings.Contains(body, `value="Foundry Lane East"`) {
		t.Errorf("an old form: %d %s", res.StatusCode, told(body))
	}
	// Another region takes its stations along, and says so.
	res, _ = flo.post("/places/foundry-lane", change(formEtag(page, "change"), "open6", "08:00", "site.people_count", "7", "site.region", "finch"))
	page = flo.want(res.Header.Get("Location"), 200, "These move with the site: bar-1", "<dd>finch</dd>")
	res, body = flo.post("/places/foundry-lane", change(formEtag(page, "change"), "site.time_zone", "Mars/Olympus"))
	if res.StatusCode != 422 || !strings.Contains(body, "IANA time zone") {
		t.Errorf("a zone that is none: %d %s", res.StatusCode, told(body))
	}
	flo.want("/places/nowhere", 404, "There is no such site", `href="/places"`)
}

// formEtag is the etag of the form on a page that has this act.
func formEtag(page, act string) string {
	for _, f := range strings.Split(page, "<form ")[1:] {
		if strings.Contains(f, `name="act" value="`+act+`"`) {
			return cutBetween(f, `name="etag" value="`, `"`)
		}
	}
	return ""
}
