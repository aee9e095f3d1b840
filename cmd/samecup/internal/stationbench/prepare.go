package stationbench

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station"
	"samecup.example/samecup/testdata"
)

const (
	site, stationID = "tannery-row", "bar-1"
	// maxDrinks keeps the release below what the bus carries.
	maxDrinks = 1000
	// offSpec is that one build in so many has a reading out of its limits.
	offSpec = 10
	callers = 256
	// outage is how long the builds that wait took.
	outage = 72 * time.Hour
)

// prepared is a station's directory with a book and builds that wait.
type prepared struct {
	dir, busDir string
	servings    []drink.Serving
}

// fleet answers the enrolment.
type fleet struct {
	pb.FleetServiceClient
	answer *pb.EnrolStationResponse
}

func (f fleet) EnrolStation(context.Context, *pb.EnrolStationRequest, ...grpc.CallOption) (*pb.EnrolStationResponse, error) {
	return f.answer, nil
}

func prepare(ctx context.Context, o Options) (*prepared, error) {
	p := &prepared{dir: filepath.Join(o.Dir, "station"), busDir: filepath.Join(o.Dir, "bus")}
	book, err := largeBook(o.Drinks)
	if err != nil {
		return nil, err
	}
	p.servings = book.Servings()
	if err := p.provide(ctx, filepath.Join(o.Dir, "first-bus"), book); err != nil {
		return nil, fmt.Errorf("prepare a station: %w", err)
	}
	if err := p.logAll(ctx, o.Waiting); err != nil {
		return nil, fmt.Errorf("prepare the builds that wait: %w", err)
	}
	return p, nil
}

// largeBook repeats the drinks of the invented chain's book under other names.
func largeBook(n int) (*drink.Book, error) {
	sub, err := fs.Sub(testdata.FS, "harbour-finch")
	if err != nil {
		return nil, fmt.Errorf("embedded book: %w", err)
	}
	book, problems := drink.Load(sub)
	if problems.HasErrors() {
		return nil, fmt.Errorf("embedded book: %v", problems[0])
	}
	first := book.Drinks
	book.Drinks = nil
	for i := range n {
		d := first[i%len(first)]
		if round := i / len(first); round > 0 {
			d.ID, d.Name = fmt.Sprintf("%s-%d", d.ID, round), fmt.Sprintf("%s %d", d.Name, round)
			servings := make([]drink.Serving, len(d.Servings))
			for j, s := range d.Servings {
				s.ID, s.Drink, s.DrinkName = d.ID+s.ID[len(s.Drink):], d.ID, d.Name
				servings[j] = s
			}
			d.Servings = servings
		}
		book.Drinks = append(book.Drinks, d)
	}
	return book, nil
}

// provide enrols the station and lets it take the book from a bus.
func (p *prepared) provide(ctx context.Context, busDir string, book *drink.Book) (err error) {
	key := func() (*release.Signer, error) {
		_, private, err := ed25519.GenerateKey(nil)
		return release.NewSigner(private), err
	}
	root, err := key()
	if err != nil {
		return err
	}
	signer, err := key()
	if err != nil {
		return err
	}
	now := time.Now()
	list, err := release.FirstKeyList(release.KeyListPlan{
		Roots: []ed25519.PublicKey{root.Public()}, Threshold: 1, Issued: now, Lifetime: release.KeyListLifetime,
		Keys: []*pb.SigningKey{{PublicKey: signer.Public(), Label: "bench", Roles: []pb.KeyRole{pb.KeyRole_KEY_ROLE_RELEASE, pb.KeyRole_KEY_ROLE_ONLINE}}},
	})
	if err != nil {
		return err
	}
	signed, err := release.SignKeyList(list, root)
	if err != nil {
		return err
	}
	answer := &pb.EnrolStationResponse{Site: site, Station: stationID, Scopes: release.Scopes("north", site), KeyLists: [][]byte{signed}, TimeZone: lateZone(now)}
	if err := station.Enrol(ctx, p.dir, fleet{answer: answer}, "bench"); err != nil {
		return err
	}
	effective := timestamppb.New(now.Add(-outage - time.Hour))
	rel, digest, err := signer.Seal(release.PayloadType, &pb.Release{
		Number: 1, Edition: 1, Scope: "chain", CreatedTime: effective, EffectiveTime: effective, Book: wire.BookToProto(book),
	})
	if err != nil {
		return err
	}
	orders, _, err := signer.Seal(release.AssignmentPayloadType, &pb.Assignment{
		Site: site, Serial: 1, KeyList: 1, IssuedTime: timestamppb.New(now), ExpireTime: timestamppb.New(now.Add(7 * 24 * time.Hour)),
		Orders: []*pb.Order{{Release: 1, Digest: digest[:], Scope: "chain", Edition: 1, StartTime: effective}},
	})
	if err != nil {
		return err
	}
	srv, err := bus.StartServer(bus.ServerConfig{StoreDir: busDir, Port: -1})
	if err != nil {
		return err
	}
	defer srv.Shutdown()
	nc, err := bus.Connect(ctx, srv.URL(), "bench", zap.NewNop())
	if err != nil {
		return err
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	if err := bus.EnsureStreams(ctx, js); err != nil {
		return err
	}
	for _, m := range []struct {
		subject string
		data    []byte
	}{{bus.ReleaseSubject("chain", 1), rel}, {bus.AssignmentSubject(site), orders}} {
		if _, err := js.Publish(ctx, m.subject, m.data); err != nil {
			return fmt.Errorf("publish %s, %d bytes: %w", m.subject, len(m.data), err)
		}
	}
	return p.follow(ctx, srv.URL())
}

// lateZone is a time zone in which a day is nearly over, and will not end while
// the agent is measured: what the agent keeps of today is then at its most,
// whenever the bench runs.
func lateZone(now time.Time) string {
	const late = 22
	east := late - now.UTC().Hour()
	if east > 12 {
		east -= 24
	}
	// POSIX counts west of Greenwich as positive.
	return fmt.Sprintf("Etc/GMT%+d", -east)
}

// follow runs the station until the release is in force there.
func (p *prepared) follow(ctx context.Context, busURL string) (err error) {
	a, err := station.Open(ctx, station.Config{Dir: p.dir, BusURL: busURL})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.Close()) }()
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	g, gctx := errgroup.WithContext(ctx)
	g.Go(func() error { return a.Run(gctx) })
	for a.Status().Release == 0 {
		select {
		case <-time.After(5 * time.Millisecond):
		case <-gctx.Done():
			return errors.Join(errors.New("the release does not come into force"), g.Wait())
		}
	}
	cancel()
	return g.Wait()
}

// logAll logs builds with no bus, spread over the outage that ends now.
func (p *prepared) logAll(ctx context.Context, n int) (err error) {
	began := time.Now().Add(-outage)
	var passed atomic.Int64
	a, err := station.Open(ctx, station.Config{Dir: p.dir, Now: func() time.Time { return began.Add(time.Duration(passed.Load())) }})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.Close()) }()
	g, ctx := errgroup.WithContext(ctx)
	for k := range callers {
		g.Go(func() error {
			for i := k; i < n; i += callers {
				at := began.Add(time.Duration(passed.Add(int64(outage) / int64(n))))
				if _, err := a.LogBuild(ctx, &pb.LogBuildRequest{Build: p.build(i, at)}); err != nil {
					return err
				}
			}
			return nil
		})
	}
	return g.Wait()
}

// build is the i-th build, finished just before a moment: each serving in turn,
// made to the letter but for one in offSpec.
func (p *prepared) build(i int, at time.Time) *pb.Build {
	s := &p.servings[i%len(p.servings)]
	b := verdict.Exemplar(s)
	b.ID, b.Release, b.Site, b.Station = uuid.NewString(), 0, "", ""
	b.StartedAt = at.Add(-time.Minute)
	b.FinishedAt = b.StartedAt.Add(40 * time.Second)
	for j := range b.Readings {
		b.Readings[j].MeasuredAt, b.Readings[j].EnteredAt, b.Readings[j].ReceivedAt = time.Time{}, time.Time{}, time.Time{}
	}
	if i%offSpec == 0 && len(b.Readings) > 0 {
		b.Readings[0].Value = b.Readings[0].Value * 3 / 2
	}
	return wire.BuildToProto(&b)
}
