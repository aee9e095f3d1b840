package console

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// placesPage is where the chain is, and whom it trusts.
type placesPage struct {
	Region                        string
	Regions                       []choice
	Sites, Stations, Keys, People *Table
	// Keys in short.
	KeyWords, KeyTone string
}

func placesShow(v *visit) (*view, error) {
	l := v.sites()
	stations, err := v.stations()
	if err != nil {
		return nil, err
	}
	per := map[string]int{}
	for _, s := range stations {
		per[s.Site]++
	}
	p := &placesPage{Region: v.URL.Query().Get("region")}
	in := map[string]bool{}
	regions := map[string]bool{}
	for _, s := range l.Sites {
		in[s.Id] = p.Region == "" || s.Region == p.Region
		if s.Region != "" && !regions[s.Region] {
			regions[s.Region] = true
			p.Regions = append(p.Regions, choice{s.Region, s.Region, s.Region == p.Region})
		}
	}
	p.Sites = &Table{ID: "sites", Caption: "Sites", Cols: cols("site", "id", "region", "time zone", "opens", "#people at the bar", "#stations"),
		Empty: "No site is there yet. The first: samecup site add tannery-row --name \"Tannery Row\" --region harbour --time-zone Europe/London"}
	for _, s := range l.Sites {
		if !in[s.Id] {
			continue
		}
		people := text("not said")
		if s.PeopleCount > 0 {
			people = textf("%d", s.PeopleCount)
		}
		p.Sites.add(head(s.Name, ""), text(s.Id), text(s.Region), text(s.TimeZone), text(openingWords(s.OpeningMinutes)), people, textf("%d", per[s.Id]))
	}
	p.Stations = &Table{ID: "stations", Caption: "Stations", Cols: cols("station", "~state", "#follows release", "#should follow", "last heard", "enrolled"),
		Empty: "No station is enrolled yet. A code for one: samecup station-code SITE STATION; it is good for a short while and enrols one machine."}
	for _, s := range stations {
		if p.Region != "" && !in[s.Site] {
			continue
		}
		words, tone := trouble(s, nil, v.now)
		if words == "" {
			words = "well"
		}
		z := l.zone(s.Site)
		p.Stations.add(head(l.name(s.Site)+", "+s.Station, stationLink(s.Site, s.Station, "")), Cell{Text: words, Tone: tone}, textf("%d", s.GetPresence().GetRelease()), textf("%d", s.ExpectedRelease),
			text(clock(s.PresenceTime, z, v.now)), text(clock(s.EnrolledTime, z, v.now)))
	}
	v.shorten(p.Sites)
	v.shorten(p.Stations)
	p.keys(v)
	p.People = &Table{ID: "people", Caption: "People of head office", Cols: cols("person", "id", "~roles", "since"), Empty: "Nobody was added yet, so whoever is at the centre's machine may do everything. The first, an administrator: samecup person add"}
	for _, x := range v.people() {
		roles := Cell{Text: orNone(x.Roles)}
		if x.Disabled {
			roles = Cell{Text: "disabled", Tone: "quiet"}
		}
		p.People.add(head(x.DisplayName, ""), text(shortName(x.Name)), roles, v.moment(x.CreateTime))
	}
	return &view{Title: "Places", Data: p, Tables: []*Table{p.Sites, p.Stations, p.Keys, p.People}}, nil
}

// openingWords says when a site opens, in as few words as its week allows.
func openingWords(minutes []int32) string {
	if len(minutes) != 7 {
		return "05:00 every day"
	}
	one := func(m int32) string {
		if m < 0 {
			return "closed"
		}
		return fmt.Sprintf("%02d:%02d", m/60, m%60)
	}
	same := true
	for _, m := range minutes {
		same = same && m == minutes[0]
	}
	if same {
		return one(minutes[0]) + " every day"
	}
	var out []string
	for i := 0; i < 7; {
		k := i
		for k+1 < 7 && minutes[k+1] == minutes[i] {
			k++
		}
		days := weekdays[i]
		if k > i {
			days += " to " + weekdays[k]
		}
		out = append(out, days+" "+one(minutes[i]))
		i = k + 1
	}
	return strings.Join(out, ", ")
}

var weekdays = [7]string{"Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"}

// keyWarning is how long before its end a key list is worth a word.
const keyWarning = 30 * 24 * time.Hour

// keys lists the keys of the newest list.
func (p *placesPage) keys(v *visit) {
	p.Keys = &Table{ID: "keys", Caption: "Keys of the newest list", Cols: cols("key", "~may sign", "id"), Empty: "No key list is there."}
	res, err := v.ask.office.ListKeyLists(v.ctx, &pb.ListKeyListsRequest{})
	if !v.part("the keys", err) || len(res.KeyLists) == 0 {
		return
	}
	var env pb.Envelope
	var list pb.KeyList
	err = proto.Unmarshal(res.KeyLists[len(res.KeyLists)-1], &env)
	if err == nil {
		err = proto.Unmarshal(env.Payload, &list)
	}
	if !v.part("the newest key list", err) {
		return
	}
	p.KeyWords = fmt.Sprintf("Key list %d, good until %s. The next one is signed by %d or more of %s.", list.Version, v.at(list.ExpireTime), list.RootThreshold, plural(len(list.RootKeys), "root key", "root keys"))
	if end := list.ExpireTime.AsTime(); list.ExpireTime != nil && end.Sub(v.now) < keyWarning {
		p.KeyTone = "caution"
		p.KeyWords += " It ends soon: make the next one, samecup keys list next."
	}
	for _, k := range list.Keys {
		p.Keys.add(keyCells(k)...)
	}
}

func keyCells(k *pb.SigningKey) []Cell {
	var may []string
	for _, r := range k.Roles {
		switch r {
		case pb.KeyRole_KEY_ROLE_RELEASE:
			may = append(may, "releases")
		case pb.KeyRole_KEY_ROLE_ONLINE:
			may = append(may, "assignments, stop lists and standings")
		}
	}
	return []Cell{head(orElse(k.Label, "without a label"), ""), text(orElse(listWords(may), "nothing")), text(release.KeyID(k.PublicKey))}
}
