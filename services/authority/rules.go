package authority

import (
	"time"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// rules tell decisions when a business day begins at a site.
func rules() govern.Rules {
	return govern.Rules{Start: func(site govern.Site, w govern.When) (time.Time, error) {
		hours, err := hoursOf(site)
		if err != nil {
			return time.Time{}, err
		}
		return release.EffectiveAt(w.BusinessDay, w.Minute, hours)
	}}
}

func hoursOf(site govern.Site) (release.Hours, error) { return release.HoursOf(siteToProto(site)) }

func siteToProto(v govern.Site) *pb.Site {
	out := &pb.Site{Id: v.ID, Name: v.Name, Region: v.Region, TimeZone: v.Zone,
		DayCutMinutes: int32(v.DayCut), PeopleCount: int32(v.People)} //nolint:gosec // bounded when it was set
	for _, m := range v.Opening {
		out.OpeningMinutes = append(out.OpeningMinutes, int32(m)) //nolint:gosec // a minute of the day
	}
	return out
}

func siteFromProto(v *pb.Site) govern.Site {
	out := govern.Site{ID: v.Id, Name: v.Name, Region: v.Region, Zone: v.TimeZone, DayCut: int(v.DayCutMinutes), People: int(v.PeopleCount)}
	for _, m := range v.OpeningMinutes {
		out.Opening = append(out.Opening, int(m))
	}
	return out
}
