package release

import (
	"crypto/sha256"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// VerifyPlacement checks that a release key signed it for this station of this
// site and that it is not older than one accepted before; then it becomes the
// floor, and PlacedIn answers with its region. It names a region and no scopes,
// so that none can put a station beyond the chain, one region and its own site.
// The error is always a *Refusal.
func (t *Trust) VerifyPlacement(envelope []byte, site, station string) (*pb.Placement, error) {
	env, keys, err := t.open(envelope, PlacementPayloadType, pb.KeyRole_KEY_ROLE_RELEASE, false)
	if err != nil {
		return nil, err
	}
	p := new(pb.Placement)
	if err := proto.Unmarshal(env.Payload, p); err != nil {
		return nil, refuse(PlacementPayloadType, Unreadable, "signed, but not a placement: %v", err)
	}
	no := func(reason Reason, format string, args ...any) (*pb.Placement, error) {
		r := refuse(PlacementPayloadType, reason, format, args...)
		r.Number = p.Serial
		return nil, r
	}
	if err := CheckPlacement(p); err != nil {
		return no(Unreadable, "signed, but %v", err)
	}
	if p.Site != site || p.Station != station {
		return no(OtherSite, "it is for station %s of %s, and this is %s of %s", p.Station, p.Site, station, site)
	}
	digest := sha256.Sum256(env.Payload)
	held := t.placements[placementKey(site, station)]
	switch held.check(p.Serial, digest[:]) {
	case Older:
		return no(Older, "serial %d was accepted before; serials only rise", held.top().Number)
	case Conflict:
		return no(Conflict, "serial %d was accepted before with other bytes", p.Serial)
	}
	if held == nil {
		held = marks{}
		t.placements[placementKey(site, station)] = held
	}
	held.raise(keys, mark{Number: p.Serial, Digest: digest[:], Issued: unix(p.IssuedTime), Region: p.Region})
	return p, nil
}

// CheckPlacement reports what makes a placement unusable: check one before it
// is signed.
func CheckPlacement(p *pb.Placement) error {
	for _, f := range [...]struct{ name, value string }{{"site", p.Site}, {"station", p.Station}, {"region", p.Region}} {
		if !Slug(f.value) && (f.name != "region" || f.value != "") {
			return fmt.Errorf("%s %q: write lower-case letters, digits and hyphens", f.name, clip(f.value))
		}
	}
	switch {
	case p.Serial == 0:
		return fmt.Errorf("serial 0; serials count from 1")
	case !p.IssuedTime.IsValid():
		return fmt.Errorf("issued_time: want a time")
	}
	return nil
}

// PlacedIn is the region that the newest accepted placement of a station names
// ("" for none), with its serial; ok is false before the first one. When the key
// that signed it is revoked, it is the newest one of a key that is not.
func (t *Trust) PlacedIn(site, station string) (region string, serial uint64, ok bool) {
	top := t.placements[placementKey(site, station)].top()
	return top.Region, top.Number, top.Number > 0
}

// placementAt is the highest serial accepted at a site; a follower's own, since
// it takes no other station's.
func (t *Trust) placementAt(site string) (serial uint64) {
	for key, m := range t.placements {
		if strings.HasPrefix(key, placementKey(site, "")) {
			serial = max(serial, m.top().Number)
		}
	}
	return serial
}

// placementKey cannot be another pair's: slugs hold no slash.
func placementKey(site, station string) string { return site + "/" + station }
