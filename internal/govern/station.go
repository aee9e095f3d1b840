package govern

import (
	"fmt"
	"iter"
	"time"
)

// Station is an enrolled station, as far as the record knows it: those that an
// earlier version enrolled are not in it.
type Station struct {
	Site    string `json:"site"`
	Station string `json:"station"`
	// Region that its site lies in, and whose releases it takes once it was told.
	Region   string    `json:"region,omitempty"`
	Enrolled time.Time `json:"enrolled"`
	// Placed is the number of the act that said so last: its enrolment, or the
	// move of its site.
	Placed uint64 `json:"placed"`
}

// EnrolmentMade is a code with which a station may enrol once; the code itself
// is not in the record.
type EnrolmentMade struct {
	Site    string    `json:"site"`
	Station string    `json:"station"`
	Expires time.Time `json:"expires"`
}

func (*EnrolmentMade) kind() string { return "enrolment.made" }

func (b *EnrolmentMade) tell() string {
	return fmt.Sprintf("made a code for station %s of %s, good once until %s", b.Station, b.Site, b.Expires.Format(time.RFC3339))
}

func (*EnrolmentMade) apply(*State, *Act) error { return nil }

// StationEnrolled is a station that came with its code.
type StationEnrolled struct {
	Site    string `json:"site"`
	Station string `json:"station"`
	Region  string `json:"region,omitempty"`
}

func (*StationEnrolled) kind() string { return "station.enrolled" }

func (b *StationEnrolled) tell() string {
	if b.Region == "" {
		return "enrolled with a code, in no region"
	}
	return "enrolled with a code, in region " + b.Region
}

func (b *StationEnrolled) apply(s *State, a *Act) error {
	s.t.Stations[b.Site+"/"+b.Station] = &Station{Site: b.Site, Station: b.Station, Region: b.Region, Enrolled: a.At, Placed: a.Number}
	return nil
}

// MakeEnrolment allows a code to be made for a station.
func (s *State) MakeEnrolment(c Call, site, station string, expires time.Time) ([]Act, error) {
	if err := s.may(c, "enrol stations", FleetManager, Administrator); err != nil {
		return nil, err
	}
	if err := wantSlug("station", station); err != nil {
		return nil, err
	}
	if s.t.Sites[site] == nil {
		return nil, noSite("site", site)
	}
	return s.acts(c, &EnrolmentMade{Site: site, Station: station, Expires: expires.UTC()}), nil
}

// EnrolStation takes a station whose code the caller found good.
func (s *State) EnrolStation(c Call, site, station string) ([]Act, error) {
	v := s.t.Sites[site]
	switch {
	case v == nil:
		return nil, noSite("site", site)
	case !c.Actor.Station || c.Actor.Site != site:
		return nil, refuse(PermissionDenied, "OTHER_SITE", "site", "is %q, and %s speaks for %s only", site, c.Actor.Person, c.Actor.Site)
	}
	return s.acts(c, &StationEnrolled{Site: site, Station: station, Region: v.Region}), nil
}

func noSite(field, site string) *Refused {
	return refuse(NotFound, "SITE_NOT_FOUND", field, "there is no site %.80q; add it first, or mend the name", site)
}

// StationsOf lists a site's stations, by id, that the record knows.
func (s *State) StationsOf(site string) (out []Station) {
	for _, v := range list(s.t.Stations) {
		if v.Site == site {
			out = append(out, v)
		}
	}
	return out
}

// Stations yields those that the record knows, in no order.
func (s *State) Stations() iter.Seq[Station] {
	return func(yield func(Station) bool) {
		for _, v := range s.t.Stations {
			if !yield(*v) {
				return
			}
		}
	}
}

// Station finds one.
func (s *State) Station(site, station string) (Station, bool) {
	return get(s.t.Stations, site+"/"+station)
}

// move places the stations of a site that changed its region.
func (s *State) move(site Site, a *Act) {
	for _, v := range s.t.Stations {
		if v.Site == site.ID {
			v.Region, v.Placed = site.Region, a.Number
		}
	}
}
