package authority

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

// A station's placement says in which region its site lies. It is signed at
// enrolment, when the site moves and when the keys change, and stands on a
// subject of the station's own, so that one which was away finds it.

// placementDue is one to be signed, with the act that it comes from.
type placementDue struct {
	*pb.Placement
	act uint64
}

func placementSubject(k store.StationKey) string { return bus.PlacementSubject(k.Site, k.Station) }

// duePlacements are those that what the state says has outgrown, by station. The
// publisher must be locked.
func (p *publisher) duePlacements(st *govern.State, keyList uint64, now time.Time) (due []placementDue) {
	for x := range st.Stations() {
		key := store.StationKey{Site: x.Site, Station: x.Station}
		had, floor := p.placements[key], uint64(0)
		if len(p.floors) > 0 { // rare, and this runs over every station at each publish
			floor = p.floors[placementSubject(key)]
		}
		if had.serial == x.Placed && had.keyList >= keyList && had.version >= floor {
			continue
		}
		due = append(due, placementDue{act: x.Placed, Placement: &pb.Placement{Site: x.Site, Station: x.Station, Region: x.Region,
			Serial: max(x.Placed, had.version+1, floor+1), IssuedTime: timestamppb.New(now)}})
	}
	slices.SortFunc(due, func(a, b placementDue) int {
		return cmp.Or(cmp.Compare(a.Site, b.Site), cmp.Compare(a.Station, b.Station))
	})
	return due
}

// signPlacements makes the documents of what is due.
func signPlacements(due []placementDue, signers release.Signers, keyList uint64) (map[store.StationKey]document, error) {
	docs := make(map[store.StationKey]document, len(due))
	for _, x := range due {
		envelope, _, err := signers.Placement(x.Placement)
		if err != nil {
			return nil, fmt.Errorf("sign the placement of station %s of %s: %w", x.Station, x.Site, err)
		}
		key := store.StationKey{Site: x.Site, Station: x.Station}
		docs[key] = document{serial: x.act, version: x.Serial, issued: x.IssuedTime.AsTime(), keyList: keyList, envelope: envelope}
	}
	return docs, nil
}

// loadPlacements reads what was signed before. One that says what the state
// says, under keys that are still good, keeps its bytes.
func (s *Service) loadPlacements(ctx context.Context) error {
	docs, err := s.store.Documents(ctx, strings.TrimSuffix(bus.PlacementSubjects, "*.*"))
	if err != nil || len(docs) == 0 {
		return err
	}
	trust, err := trustOf(s.KeyLists())
	if err != nil {
		return err
	}
	for _, d := range docs {
		var x pb.Placement
		if err := payload(d.Envelope, &x); err != nil {
			return fmt.Errorf("read the stored %s: %w", d.Subject, err)
		}
		key := store.StationKey{Site: x.Site, Station: x.Station}
		doc := document{version: d.Version, issued: x.IssuedTime.AsTime(), envelope: d.Envelope}
		if _, err := trust.VerifyPlacement(d.Envelope, x.Site, x.Station); err == nil {
			doc.keyList = trust.Version()
		}
		s.view(func(st *govern.State) {
			if v, ok := st.Station(x.Site, x.Station); ok && v.Region == x.Region {
				doc.serial = v.Placed
			}
		})
		s.pub.keepPlacement(key, doc)
	}
	return nil
}

func (p *publisher) keepPlacement(key store.StationKey, d document) {
	p.placements[key] = d
	p.placed.Store(key, d.version)
}

// placedAt is the serial of a station's newest placement; 0 for none.
func (p *publisher) placedAt(key store.StationKey) uint64 {
	v, _ := p.placed.Load(key)
	serial, _ := v.(uint64)
	return serial
}

// placementFor signs a station's placement for the answer to its enrolment. The
// station is enrolled already and its code is spent, so that a placement which
// cannot be had in time is left to the bus.
func (s *Service) placementFor(ctx context.Context, key store.StationKey) []byte {
	ctx, cancel := context.WithTimeout(ctx, s.busWait)
	defer cancel()
	envelope, err := func() ([]byte, error) {
		if err := s.pub.lock(ctx); err != nil {
			return nil, err
		}
		defer s.pub.unlock()
		if err := s.sign(ctx); err != nil {
			return nil, err
		}
		return s.pub.placements[key].envelope, nil
	}()
	if err != nil {
		s.log.Warn("a station was enrolled without its placement; it gets it over the bus", zap.String("site", key.Site), zap.String("station", key.Station), zap.Error(err))
	}
	return envelope
}
