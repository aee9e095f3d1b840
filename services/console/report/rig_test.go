package report_test

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority"
	"samecup.example/samecup/services/quality"
	"samecup.example/samecup/testdata"
)

// The season of the tests: five weeks, the last of which is reported.
var (
	seasonStart = time.Date(2026, 10, 19, 0, 0, 0, 0, time.UTC)
	seasonEnd   = time.Date(2026, 11, 23, 6, 0, 0, 0, time.UTC)
)

const (
	seasonDays = 35
	perShift   = 6
	badDay     = 28 // the grinder of the first bar wears from here on
)

var rigSites = []*pb.Site{
	{Id: "lantern-hill", Name: "Lantern Hill", Region: "harbour", TimeZone: "Europe/London"},
	{Id: "oyster-steps", Name: "Oyster Steps", Region: "finch", TimeZone: "Europe/Amsterdam"},
	{Id: "quillmaker-street", Name: "Quillmaker Street", Region: "finch", TimeZone: "Europe/Amsterdam"},
	{Id: "tannery-row", Name: "Tannery Row", Region: "harbour", TimeZone: "Europe/London"},
}

// centre is authority and quality in one process, on one connection.
type centre struct {
	t  *testing.T
	cc *grpc.ClientConn
	js jetstream.JetStream
}

func openCentre(t *testing.T) *centre {
	t.Helper()
	dir := t.TempDir()
	server := must(bus.StartServer(bus.ServerConfig{StoreDir: dir + "/bus", Port: -1}))(t)
	t.Cleanup(func() { server.Shutdown() })
	nc := must(bus.Connect(t.Context(), server.URL(), "test", zap.NewNop()))(t)
	t.Cleanup(nc.Close)
	now := func() time.Time { return seasonStart.AddDate(0, 0, -1) }
	late := func() time.Time { return seasonEnd }
	a := must(authority.Open(t.Context(), authority.Config{Dir: dir + "/authority", Log: zap.NewNop(), Now: now, NATS: nc, BusURL: server.URL()}))(t)
	q := must(quality.Open(t.Context(), quality.Config{Dir: dir + "/quality", Log: zap.NewNop(), Now: late, NATS: nc, KeyLists: a.KeyLists(), Sites: a.Sites}))(t)
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{Authorise: a.Authorise})
	a.Register(srv)
	q.Register(srv)
	lis := must(net.Listen("tcp", "127.0.0.1:0"))(t)
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { _ = srv.Serve(lis) })
	for name, run := range map[string]func(context.Context) error{"authority": a.Run, "quality": q.Run} {
		wg.Go(func() {
			if err := run(ctx); err != nil && ctx.Err() == nil {
				t.Errorf("%s: %v", name, err)
			}
		})
	}
	cc := must(rpc.Dial(lis.Addr().String()))(t)
	t.Cleanup(func() {
		_ = cc.Close()
		srv.Stop()
		cancel()
		wg.Wait()
		_ = q.Close()
		_ = a.Close()
	})
	return &centre{t: t, cc: cc, js: must(jetstream.New(nc))(t)}
}

func must[T any](v T, err error) func(testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// open adds the sites, their stations and the book.
func (c *centre) open() {
	c.t.Helper()
	ctx := c.t.Context()
	fleet := pb.NewFleetServiceClient(c.cc)
	for _, s := range rigSites {
		must(fleet.CreateSite(ctx, &pb.CreateSiteRequest{Site: s}))(c.t)
		for _, station := range []string{"bar-1", "bar-2"} {
			code := must(fleet.CreateEnrolment(ctx, &pb.CreateEnrolmentRequest{Site: s.Id, Station: station}))(c.t)
			must(fleet.EnrolStation(ctx, &pb.EnrolStationRequest{Code: code.Code}))(c.t)
		}
	}
	files, problems := drink.ReadFiles(must(fs.Sub(testdata.FS, "harbour-finch-counter"))(c.t))
	if err := problems.Err(); err != nil {
		c.t.Fatal(err)
	}
	req := &pb.CreateReleaseRequest{RequestId: uuid.NewString(), Scope: "chain", Note: "The autumn book", Author: "ada"}
	for path, content := range files {
		req.Files = append(req.Files, &pb.SourceFile{Path: path, Content: content})
	}
	must(pb.NewBookServiceClient(c.cc).CreateRelease(ctx, req))(c.t)
	must(pb.NewStopServiceClient(c.cc).CreateStop(ctx, &pb.CreateStopRequest{RequestId: uuid.NewString(), Kind: pb.StopKind_STOP_KIND_LOT, Target: "HF-0412",
		Scopes: []string{"region.finch"}, Reason: "glass found in a bag", Instruction: "set the lot aside and open another"}))(c.t)
}

// servings of the newest release that a bar of the tests sells.
func (c *centre) servings() []drink.Serving {
	c.t.Helper()
	res := must(pb.NewBookServiceClient(c.cc).GetRelease(c.t.Context(), &pb.GetReleaseRequest{Number: 1}))(c.t)
	var rel pb.Release
	if err := proto.Unmarshal(res.Envelope.Payload, &rel); err != nil {
		c.t.Fatal(err)
	}
	book := must(wire.BookFromProto(rel.Book))(c.t)
	all := book.Servings()
	slices.SortFunc(all, func(a, b drink.Serving) int { return strings.Compare(a.ID, b.ID) })
	var out []drink.Serving
	for _, s := range all {
		if slices.Contains([]string{"latte", "cappuccino", "flat-white", "espresso"}, s.Drink) && slices.ContainsFunc(s.Checks, func(k drink.Check) bool { return k.Measure == "shot_time" }) && len(out) < 6 {
			out = append(out, s)
		}
	}
	if len(out) < 3 {
		c.t.Fatalf("the book has only %d servings with a shot", len(out))
	}
	return out
}

// season has every bar log five weeks of builds. All is random about its target,
// but for the shot times of bar-1 at Tannery Row, which fall and spread from
// badDay on, one latte there whose milk is far too hot, and checks that Lantern
// Hill leaves out.
func (c *centre) season() (builds int) {
	c.t.Helper()
	list := c.servings()
	set := must(verdict.CompileBook(list))(c.t)
	rng := rand.New(rand.NewPCG(7, 9))
	type log struct {
		site, station string
		seq           uint64
		last          []byte
	}
	var bars []*log
	for _, s := range rigSites {
		bars = append(bars, &log{site: s.Id, station: "bar-1"}, &log{site: s.Id, station: "bar-2"})
	}
	for day := range seasonDays {
		for _, b := range bars {
			if b.site == "quillmaker-street" && b.station == "bar-2" && day >= badDay {
				continue // shut for the reported week
			}
			first := b.site == "tannery-row" && b.station == "bar-1"
			var records [][]byte
			for _, hour := range []int{7, 13} {
				shift := rng.NormFloat64() * 0.15
				for k := range perShift {
					s := &list[rng.IntN(len(list))]
					build := verdict.Exemplar(s)
					b.seq++
					build.ID = fmt.Sprintf("%s/%s/%08d", b.site, b.station, b.seq)
					build.Site, build.Station, build.By = b.site, b.station, fmt.Sprintf("p-%d", rng.IntN(3))
					build.StartedAt = seasonStart.AddDate(0, 0, day).Add(time.Duration(hour)*time.Hour + time.Duration(k)*41*time.Minute)
					build.FinishedAt = build.StartedAt.Add(2 * time.Minute)
					for i := range build.Readings {
						r := &build.Readings[i]
						r.EnteredAt, r.MeasuredAt = build.FinishedAt, time.Time{}
						at := slices.IndexFunc(s.Checks, func(k drink.Check) bool { return k.ID == r.Check })
						half := (s.Checks[at].High - s.Checks[at].Low).Float() / 2
						if s.Checks[at].High == drink.NoHigh || s.Checks[at].Low == drink.NoLow {
							continue
						}
						v := s.Checks[at].Target.Float() + half*(rng.NormFloat64()*0.42+shift)
						if first && r.Check == "shot_time" && day >= badDay {
							v += -0.4*float64(day-badDay+1) + rng.NormFloat64()*1.2
						}
						step := max(s.Checks[at].Resolution, 1)
						r.Value = drink.Milli(v*1000) / step * step
						if first && r.Check == "milk_temp" && day == badDay+2 && hour == 7 {
							r.Value = 74_000
						}
					}
					if b.site == "lantern-hill" && rng.IntN(5) == 0 {
						build.Readings = slices.DeleteFunc(build.Readings, func(r drink.Reading) bool { return r.Check == "yield" || r.Check == "milk_temp" })
					}
					var v verdict.Verdict
					set.Judge(&build, build.FinishedAt, &v)
					data := must(proto.Marshal(&pb.BuildRecord{Build: wire.BuildToProto(&build), Verdict: wire.VerdictToProto(&v),
						Sequence: b.seq, PreviousHash: b.last, LoggedTime: timestamppb.New(build.FinishedAt)}))(c.t)
					hash := sha256.Sum256(data)
					b.last = hash[:]
					records = append(records, data)
				}
			}
			batch := must(proto.Marshal(&pb.BuildBatch{Site: b.site, Station: b.station, Records: records}))(c.t)
			must(c.js.Publish(c.t.Context(), bus.BuildSubject(b.site, b.station), batch))(c.t)
			builds += len(records)
		}
	}
	return builds
}

// settled waits until all builds are counted, rolled up and watched.
func (c *centre) settled(builds int) {
	c.t.Helper()
	insight, cases := pb.NewInsightServiceClient(c.cc), pb.NewCaseServiceClient(c.cc)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	missing := ""
	for end := time.Now().Add(4 * time.Minute); ; <-tick.C {
		res, err := insight.QueryRollups(c.t.Context(), &pb.QueryRollupsRequest{Filter: &pb.RollupFilter{FirstDay: "2026-10-18", LastDay: "2026-11-23"}})
		switch {
		case err != nil:
			missing = err.Error()
		case len(res.Rollups) != 1 || res.Rollups[0].Builds.Builds != int64(builds) || res.PendingBuilds+res.PendingHours > 0 || res.Rollups[0].Builds.AwaitingRelease > 0:
			missing = fmt.Sprintf("%v of %d builds are rolled up", res, builds)
		default:
			list, err := cases.ListCases(c.t.Context(), &pb.ListCasesRequest{Site: "tannery-row"})
			domains := ""
			for _, k := range list.GetCases() {
				domains += k.Domain + " "
			}
			switch {
			case err != nil:
				missing = err.Error()
			case list.WaitingBuilds > 0:
				missing = fmt.Sprintf("the watch has not read %d builds", list.WaitingBuilds)
			case !strings.Contains(domains, "coffee") || !strings.Contains(domains, "safety"):
				missing = "cases are " + domains
			default:
				return
			}
		}
		if time.Now().After(end) {
			c.t.Fatal(missing)
		}
	}
}
