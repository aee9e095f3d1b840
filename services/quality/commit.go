package quality

import (
	"bytes"
	"context"
	"fmt"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

// commit stores a chunk in one transaction.
func (s *Service) commit(ctx context.Context, chunk []*prepared) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	now := s.cfg.Now()
	builds, aside := flatten(chunk)
	for i := range aside {
		aside[i].Received = now
	}
	if n := len(aside); n > 0 {
		// One line, however much a faulty station sends.
		s.log.Warn("set aside", zap.Int("records", n), zap.String("subject", aside[0].Subject),
			zap.String("reason", aside[0].Reason), zap.String("detail", aside[0].Detail))
	}
	var j judge
	for _, b := range builds {
		b.Received = now
		if b.Grade != 0 {
			continue
		}
		// What it waits for may have come since the build was looked at.
		by, err := s.rules(ctx, b)
		if err != nil {
			return err
		}
		if by == nil {
			continue
		}
		if _, err := j.stored(b, func(*store.Build) *rules { return by }); err != nil {
			return fmt.Errorf("judge build %q: %w", b.ID, err)
		}
	}
	rang := false
	err := s.store.Write(ctx, func(tx store.Tx) error {
		c := counter{tx: tx, stations: make(map[stationKey]*tally), lacks: s.stops.lacks}
		if err := c.take(builds, aside); err != nil {
			return err
		}
		rang = len(c.deviations) > 0
		return c.save()
	})
	if err != nil {
		return err
	}
	s.taken.ring()
	if rang {
		s.heard.ring()
	}
	return nil
}

// flatten lists a chunk's builds, each id once: the same record often comes as
// a deviation and in its batch. Another record under the same id is set aside.
func flatten(chunk []*prepared) (builds []*store.Build, aside []store.Quarantine) {
	n := 0
	for _, p := range chunk {
		n += len(p.builds)
	}
	builds = make([]*store.Build, 0, n)
	seen := make(map[string]*store.Build, n)
	for _, p := range chunk {
		aside = append(aside, p.aside...)
		for _, b := range p.builds {
			first := seen[b.ID]
			switch {
			case first == nil:
				seen[b.ID] = b
				builds = append(builds, b)
			case !bytes.Equal(first.Hash, b.Hash):
				aside = append(aside, conflict(b))
			}
		}
	}
	return builds, aside
}

// conflict sets a record aside under its station's subject for builds, so that
// it counts once whichever way it came.
func conflict(b *store.Build) store.Quarantine {
	return store.Quarantine{
		Subject: bus.BuildSubject(b.Site, b.Station), Reason: reasonIDConflict, Received: b.Received, Bytes: b.Record,
		Detail: fmt.Sprintf("build %q from %s/%s, sequence %d, is here already with other content", b.ID, b.Site, b.Station, b.Sequence),
	}
}

type stationKey struct{ site, station string }

// tally is a station's counts while a transaction runs.
type tally struct {
	*store.Station
	chain chain
}

// counter counts builds within one transaction.
type counter struct {
	tx         store.Tx
	stations   map[stationKey]*tally
	last       *tally
	deviations []*store.Build
	// lacks tells that a version of the stop list is not here; the service is
	// locked against its arrival.
	lacks func(version uint64) bool
}

func (c *counter) station(site, station string) (*tally, error) {
	if t := c.last; t != nil && t.Site == site && t.Station.Station == station {
		return t, nil
	}
	key := stationKey{site, station}
	t := c.stations[key]
	if t == nil {
		row, err := c.tx.Station(site, station)
		if err != nil {
			return nil, err
		}
		t = &tally{Station: row, chain: startChain(row)}
		c.stations[key] = t
	}
	c.last = t
	return t, nil
}

func (c *counter) take(builds []*store.Build, aside []store.Quarantine) error {
	for _, b := range builds {
		t, err := c.station(b.Site, b.Station)
		if err != nil {
			return err
		}
		b.StationRef = t.Ref
	}
	if err := c.tx.InsertBuilds(builds); err != nil {
		return err
	}
	for _, b := range builds {
		if b.Conflict {
			aside = append(aside, conflict(b))
			continue
		}
		if b.Duplicate {
			continue
		}
		t, err := c.station(b.Site, b.Station)
		if err != nil {
			return err
		}
		t.Builds++
		t.chain.add(b)
		if b.Corrects != "" {
			if err := c.tx.Correct(b, b.Corrects); err != nil {
				return err
			}
		}
		if b.Grade == 0 {
			t.Awaiting++
			if b.StopList != 0 && c.lacks(b.StopList) {
				if err := c.tx.AwaitStopList(b); err != nil {
					return err
				}
			}
			continue
		}
		c.judged(t, b)
	}
	return c.tx.SetAside(aside)
}

// judged counts a build that has the centre's verdict.
func (c *counter) judged(t *tally, b *store.Build) {
	if b.Disputed {
		t.Disputed++
	}
	if b.Grade != int32(pb.Grade_GRADE_IN_SPEC) {
		t.Deviations++
		c.deviations = append(c.deviations, b)
	}
}

// save finishes the chains and writes the counts and the deviations.
func (c *counter) save() error {
	for _, t := range c.stations {
		if err := t.chain.finish(c.tx); err != nil {
			return err
		}
		if err := c.tx.SaveStation(t.Station); err != nil {
			return err
		}
	}
	return c.tx.AddDeviations(c.deviations)
}
