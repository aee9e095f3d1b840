package authority

import (
	"context"
	"crypto/sha256"
	"fmt"
	"hash/fnv"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/govern"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

const (
	// assignmentLife is how long an assignment is good. It is renewed at half
	// of that, under a new serial, since a serial's bytes never change.
	assignmentLife = 30 * 24 * time.Hour
	// renewals bounds how many assignments are renewed at a time: those of a
	// large chain were often all signed at once.
	renewals = 250
)

// publisher holds the signed documents as they should stand on the bus, and
// what the bus may lack of them.
type publisher struct {
	// turn lets one goroutine at a time sign and publish, pass one at a time
	// compare. Whoever holds turn asks the bus nothing without a bound.
	turn, pass gate
	// askWait bounds a question to the bus; a field so that tests can lower it.
	askWait time.Duration
	// assignments by site, placements by station, stops the newest list.
	assignments map[string]document
	placements  map[store.StationKey]document
	stops       document
	// stopSums are the digests of every stop list's envelope by version.
	stopSums map[uint64][32]byte
	// floors are versions seen on the bus above ours, by site, by the subject of a
	// placement and of "stops", as after the database was
	// restored from an older copy: what is signed next is above them.
	floors map[string]uint64
	// seen is the act up to which documents were made.
	seen uint64
	// streams is set while the streams are thought to be there.
	streams atomic.Bool
	// quiet is the state of the stream after which nothing was missing.
	quiet streamState
	// compared is set once the bus was looked at for documents above ours.
	compared atomic.Bool

	// out is what the bus lacks as far as we know, by subject.
	outMu sync.Mutex
	out   map[string]outgoing
	bell  chan struct{}
	// standing has the versions that a presence is answered with.
	standing sync.Map // site -> uint64
	placed   sync.Map // store.StationKey -> uint64
	stopVer  atomic.Uint64
}

// document is a signed document with what it says.
type document struct {
	// serial is the state's number for what it says, version the document's
	// own. They are the same unless the document was renewed meanwhile or the
	// bus knew a higher one.
	serial, version uint64
	issued          time.Time
	keyList         uint64
	envelope        []byte
}

// outgoing is a message to be published; a release is read when it is sent.
type outgoing struct {
	release  uint64
	version  uint64
	envelope []byte
}

func newPublisher() *publisher {
	return &publisher{
		turn: newGate(), pass: newGate(), askWait: askWait,
		assignments: map[string]document{}, placements: map[store.StationKey]document{}, stopSums: map[uint64][32]byte{}, floors: map[string]uint64{},
		out: map[string]outgoing{}, bell: make(chan struct{}, 1),
	}
}

// gate lets one goroutine at a time through; one that waits may give up.
type gate chan struct{}

func newGate() gate { return make(gate, 1) }

// enter waits until ctx ends; what is behind the gate stands in the error.
func (g gate) enter(ctx context.Context, what string) error {
	select {
	case g <- struct{}{}:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("wait for %s: %w", what, ctx.Err())
	}
}

func (g gate) leave() { <-g }

func (p *publisher) lock(ctx context.Context) error { return p.turn.enter(ctx, "the publisher") }

func (p *publisher) unlock() { p.turn.leave() }

// ring wakes the publisher.
func (p *publisher) ring() {
	select {
	case p.bell <- struct{}{}:
	default:
	}
}

func (p *publisher) put(subject string, o outgoing) {
	p.outMu.Lock()
	defer p.outMu.Unlock()
	p.out[subject] = o
}

// sent takes a message off the list unless a newer one took its place.
func (p *publisher) sent(subject string, o outgoing) {
	p.outMu.Lock()
	defer p.outMu.Unlock()
	if now := p.out[subject]; now.version == o.version && now.release == o.release {
		delete(p.out, subject)
	}
}

func (p *publisher) waiting() map[string]outgoing {
	p.outMu.Lock()
	defer p.outMu.Unlock()
	return maps.Clone(p.out)
}

// want asks for releases to be published, and rings.
func (p *publisher) want(releases []uint64) {
	for _, n := range releases {
		p.put(fmt.Sprintf("release %d", n), outgoing{release: n})
	}
	p.ring()
}

// loadDocuments reads what was signed before. A document that says what the
// state says keeps its bytes.
func (s *Service) loadDocuments(ctx context.Context) error {
	p := s.pub
	docs, err := s.store.Documents(ctx, bus.AssignmentSubject(""))
	if err != nil {
		return err
	}
	for _, d := range docs {
		var a pb.Assignment
		if err := payload(d.Envelope, &a); err != nil {
			return fmt.Errorf("read the stored %s: %w", d.Subject, err)
		}
		doc := document{version: d.Version, issued: a.IssuedTime.AsTime(), keyList: a.KeyList, envelope: d.Envelope}
		s.view(func(st *govern.State) {
			orders, serial := st.Orders(a.Site)
			if equal(&pb.Assignment{Orders: a.Orders}, &pb.Assignment{Orders: ordersToProto(orders)}) {
				doc.serial = serial
			}
		})
		p.assignments[a.Site] = doc
		p.standing.Store(a.Site, d.Version)
	}
	if docs, err = s.store.Documents(ctx, strings.TrimSuffix(bus.StopListSubjects, "*")); err != nil {
		return err
	}
	trust, err := trustOf(s.KeyLists())
	if err != nil {
		return err
	}
	for _, d := range docs {
		p.stopSums[d.Version] = sha256.Sum256(d.Envelope)
		var l pb.StopList
		if err := payload(d.Envelope, &l); err != nil {
			return fmt.Errorf("read the stored %s: %w", d.Subject, err)
		}
		p.stops = document{version: d.Version, issued: l.IssuedTime.AsTime(), envelope: d.Envelope}
		if _, err := trust.VerifyStopList(d.Envelope); err == nil {
			p.stops.keyList = trust.Version()
		}
		s.view(func(st *govern.State) {
			version, stops := st.StopList()
			if equal(&pb.StopList{Stops: l.Stops}, &pb.StopList{Stops: stopsToProto(stops)}) {
				p.stops.serial = version
			}
		})
	}
	p.stopVer.Store(p.stops.version)
	return s.loadPlacements(ctx)
}

// payload reads an envelope of our own database.
func payload(envelope []byte, into proto.Message) error {
	var env pb.Envelope
	if err := proto.Unmarshal(envelope, &env); err != nil {
		return err
	}
	return proto.Unmarshal(env.Payload, into)
}

func equal(a, b proto.Message) bool { return proto.Equal(a, b) }

// sign makes the documents that what the state says has outgrown, stores them,
// and lists them for the bus. The publisher must be locked.
func (s *Service) sign(ctx context.Context) error {
	p := s.pub
	now := s.now().UTC().Truncate(time.Microsecond)
	forReleases, online, keyList := s.keys.signers()
	var docs []store.Document
	next := map[string]document{}
	var places []placementDue
	var stops *pb.StopList
	var stopSerial, seen uint64
	var due []*pb.Assignment
	serials := map[string]uint64{}
	s.view(func(st *govern.State) {
		seen = st.Number()
		if version, list := st.StopList(); (version > 0 || p.floors["stops"] > p.stops.version) && (p.floors["stops"] > p.stops.version || version != p.stops.serial || p.stops.keyList < keyList) {
			stopSerial = version
			stops = &pb.StopList{IssuedTime: timestamppb.New(now), Stops: stopsToProto(list),
				Version: max(version, p.stops.version+1, p.floors["stops"]+1)}
		}
		places = p.duePlacements(st, keyList, now)
		renewed := 0
		for _, site := range st.Sites() {
			orders, serial := st.Orders(site.ID)
			had := p.assignments[site.ID]
			if serial == 0 {
				continue
			}
			if had.serial == serial && had.keyList >= keyList && had.version >= p.floors[site.ID] {
				if now.Before(had.issued.Add(renewAfter(site.ID))) || renewed == renewals {
					continue
				}
				renewed++
			}
			serials[site.ID] = serial
			due = append(due, &pb.Assignment{
				Site: site.ID, Serial: max(serial, had.version+1, p.floors[site.ID]+1),
				IssuedTime: timestamppb.New(now), ExpireTime: timestamppb.New(now.Add(assignmentLife)),
				Orders: ordersToProto(orders), KeyList: keyList,
			})
		}
	})
	placed, err := signPlacements(places, forReleases, keyList)
	if err != nil {
		return err
	}
	for key, d := range placed {
		docs = append(docs, store.Document{Subject: placementSubject(key), Version: d.version, Envelope: d.envelope})
	}
	stopVersion := p.stops.version
	var stopDoc document
	if stops != nil {
		envelope, _, err := online.StopList(stops)
		if err != nil {
			return fmt.Errorf("sign stop list %d: %w", stops.Version, err)
		}
		stopVersion = stops.Version
		stopDoc = document{serial: stopSerial, version: stops.Version, issued: now, keyList: keyList, envelope: envelope}
		docs = append(docs, store.Document{Subject: bus.StopListSubject(stops.Version), Version: stops.Version, Envelope: envelope})
	}
	for _, a := range due {
		a.StopList = stopVersion
		envelope, _, err := online.Assignment(a)
		if err != nil {
			return fmt.Errorf("sign the assignment of %s: %w", a.Site, err)
		}
		next[a.Site] = document{serial: serials[a.Site], version: a.Serial, issued: now, keyList: keyList, envelope: envelope}
		docs = append(docs, store.Document{Subject: bus.AssignmentSubject(a.Site), Version: a.Serial, Envelope: envelope})
	}
	if len(docs) > 0 {
		// On disk before anybody can see it, so that a version has one content.
		if err := s.store.SaveDocuments(ctx, docs); err != nil {
			return err
		}
	}
	for _, d := range docs {
		p.put(d.Subject, outgoing{version: d.Version, envelope: d.Envelope})
	}
	if stops != nil {
		p.stops = stopDoc
		p.stopSums[stops.Version] = sha256.Sum256(stopDoc.envelope)
		p.stopVer.Store(stops.Version)
	}
	for key, doc := range placed {
		p.keepPlacement(key, doc)
	}
	for site, doc := range next {
		p.assignments[site] = doc
		p.standing.Store(site, doc.version)
	}
	p.seen = seen
	if len(docs) > 0 {
		s.log.Info("signed", zap.Int("placements", len(placed)), zap.Int("assignments", len(due)), zap.Bool("stop_list", stops != nil))
	}
	return nil
}

// renewAfter spreads the renewals of a chain over a tenth of a life.
func renewAfter(site string) time.Duration {
	h := fnv.New32a()
	_, _ = h.Write([]byte(site))
	return assignmentLife/2 - time.Duration(h.Sum32()%1000)*(assignmentLife/10/1000)
}

func ordersToProto(orders []govern.Order) []*pb.Order {
	out := make([]*pb.Order, len(orders))
	for i, o := range orders {
		out[i] = &pb.Order{Release: o.Release, Digest: o.Digest[:], Scope: o.Scope, Edition: o.Edition,
			StartTime: timestamppb.New(o.Start), BusinessDay: o.BusinessDay}
	}
	return out
}

var stopKinds = map[govern.StopKind]pb.StopKind{
	govern.StopDrink:      pb.StopKind_STOP_KIND_DRINK,
	govern.StopIngredient: pb.StopKind_STOP_KIND_INGREDIENT,
	govern.StopLot:        pb.StopKind_STOP_KIND_LOT,
}

func stopsToProto(stops []govern.Stop) []*pb.Stop {
	out := make([]*pb.Stop, len(stops))
	for i, v := range stops {
		out[i] = &pb.Stop{Id: v.ID, Kind: stopKinds[v.Kind], Target: v.Target, Scopes: v.Scopes, Reason: v.Reason,
			Instruction: v.Instruction, CreateTime: timestamppb.New(v.Created), Author: v.Author}
	}
	return out
}

// liveReleases are those that some site follows, will follow or followed last,
// with all of the newest edition.
func liveReleases(st *govern.State) []uint64 {
	live := map[uint64]bool{}
	if e, ok := st.Edition(st.Newest()); ok {
		for _, n := range e.Members {
			live[n] = true
		}
	}
	for _, site := range st.Sites() {
		orders, _ := st.Orders(site.ID)
		for _, o := range orders {
			live[o.Release] = true
		}
	}
	delete(live, 0)
	return slices.Sorted(maps.Keys(live))
}
