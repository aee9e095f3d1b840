package report_test

import (
	"context"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/report"
)

func deviation(cursor uint64, site string, findings ...string) *pb.Deviation {
	d := &pb.Deviation{
		Cursor: cursor, Verdict: &pb.Verdict{Grade: pb.Grade_GRADE_OFF_SPEC},
		Build: &pb.Build{Site: site, Station: "bar-1", Serving: "latte/m/whole",
			StartedTime: timestamppb.New(time.Date(2026, 11, 2, 13, 2, 59, 0, time.UTC))},
	}
	for _, text := range findings {
		d.Verdict.Findings = append(d.Verdict.Findings, &pb.Finding{Text: text})
	}
	return d
}

func TestWriteDeviation(t *testing.T) {
	zone := time.FixedZone("", 3600)
	now := time.Date(2026, 11, 2, 18, 0, 0, 0, zone)
	disputed := deviation(1, "tannery-row", "no lid")
	disputed.Disputed = true
	corrected := deviation(1, "tannery-row", "no lid")
	corrected.CorrectedBy = "018f2c5e-0000-7000-8000-000000000002"
	for _, test := range []struct {
		name string
		d    *pb.Deviation
		now  time.Time
		want string
	}{
		{"today", deviation(1, "tannery-row", "shot time 22 s: 4 s fast (26 to 32 s); grind finer"), now,
			"14:02 tannery-row/bar-1 latte/m/whole: shot time 22 s: 4 s fast (26 to 32 s); grind finer\n"},
		{"another day", deviation(1, "tannery-row", "no lid"), now.AddDate(0, 0, 1), "2026-11-02 14:02 tannery-row/bar-1 latte/m/whole: no lid\n"},
		{"a line for each finding", deviation(1, "tannery-row", "no lid", "no cup"), now,
			"14:02 tannery-row/bar-1 latte/m/whole: no lid\n14:02 tannery-row/bar-1 latte/m/whole: no cup\n"},
		{"disputed", disputed, now, "14:02 tannery-row/bar-1 latte/m/whole: no lid (the station's own verdict differed)\n"},
		{"corrected", corrected, now, "14:02 tannery-row/bar-1 latte/m/whole: no lid (corrected since)\n"},
		{"without a finding", deviation(1, "tannery-row"), now, "14:02 tannery-row/bar-1 latte/m/whole: off_spec\n"},
		{"control characters do not reach the terminal", deviation(1, "a\x1b[2Jb\n"), now, "14:02 a\ufffd[2Jb\ufffd/bar-1 latte/m/whole: off_spec\n"},
		{"empty", &pb.Deviation{}, now, "1970-01-01 01:00 / : unspecified\n"},
	} {
		t.Run(test.name, func(t *testing.T) {
			var out strings.Builder
			if err := report.WriteDeviation(&out, test.d, test.now); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(test.want, out.String()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestWriteIntake(t *testing.T) {
	for _, test := range []struct {
		name string
		in   *pb.GetIntakeResponse
		want []string
	}{
		{"nothing yet", &pb.GetIntakeResponse{}, []string{"no station has sent a build yet"}},
		{"whole", &pb.GetIntakeResponse{Stations: []*pb.StationIntake{{Site: "tannery-row", Station: "bar-1", Builds: 9, WholeToSequence: 9, HighestSequence: 9}}},
			[]string{"tannery-row/bar-1  9 ", "whole to 9\n"}},
		{"a gap", &pb.GetIntakeResponse{Quarantined: 1, Stations: []*pb.StationIntake{{WholeToSequence: 4, HighestSequence: 9}}},
			[]string{"whole to 4 of 9, 5 is missing\n", "1 message or record was"}},
		{"broken", &pb.GetIntakeResponse{Quarantined: 3, Stations: []*pb.StationIntake{{WholeToSequence: 4, HighestSequence: 9, ChainBrokenAt: 5}}},
			[]string{"whole to 4 of 9; CHAIN BROKEN at 5", "3 messages or records were"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			var out strings.Builder
			if err := report.WriteIntake(&out, test.in); err != nil {
				t.Fatal(err)
			}
			for _, want := range test.want {
				if !strings.Contains(out.String(), want) {
					t.Errorf("%q is not in:\n%s", want, &out)
				}
			}
		})
	}
}

func TestWriteJSON(t *testing.T) {
	var out strings.Builder
	if err := report.WriteJSON(&out, &pb.GetIntakeResponse{Quarantined: 2, Stations: []*pb.StationIntake{{Site: "a", Builds: 1}}}); err != nil {
		t.Fatal(err)
	}
	if want := `{"stations":[{"site":"a","builds":"1"}],"quarantined":"2"}` + "\n"; out.String() != want {
		t.Errorf("got %s want %s", &out, want)
	}
}

// broken is a service that ends the stream after two deviations.
type broken struct {
	pb.UnimplementedQualityServiceServer
}

func (broken) StreamDeviations(req *pb.StreamDeviationsRequest, out grpc.ServerStreamingServer[pb.StreamDeviationsResponse]) error {
	for i, site := range []string{"tannery-row", "lantern-hill"} {
		d := deviation(req.AfterCursor+uint64(i)+1, site)
		if err := out.Send(&pb.StreamDeviationsResponse{Deviation: d}); err != nil {
			return err
		}
	}
	return status.Error(codes.Unavailable, "going away")
}

func (broken) ListDeviations(_ context.Context, req *pb.ListDeviationsRequest) (*pb.ListDeviationsResponse, error) {
	if req.PageToken == "" {
		return &pb.ListDeviationsResponse{NextPageToken: "2", Deviations: []*pb.Deviation{deviation(1, req.Site)}}, nil
	}
	return &pb.ListDeviationsResponse{Deviations: []*pb.Deviation{deviation(2, req.Site)}}, nil
}

func dial(t *testing.T) pb.QualityServiceClient {
	t.Helper()
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := grpc.NewServer()
	pb.RegisterQualityServiceServer(srv, broken{})
	go func() { _ = srv.Serve(lis) }()
	t.Cleanup(srv.Stop)
	cc, err := rpc.Dial(lis.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cc.Close() })
	return pb.NewQualityServiceClient(cc)
}

func TestFollowConnectsAgainAndMissesNothing(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	var got []uint64
	err := report.Follow(ctx, dial(t), report.Filter{Site: "tannery-row", Drink: "latte"}, func(d *pb.Deviation) error {
		if got = append(got, d.Cursor); len(got) == 3 {
			cancel()
		}
		return nil
	})
	if err != nil || !cmp.Equal(got, []uint64{1, 3, 5}) {
		t.Errorf("cursors %v, error %v; want 1, 3, 5", got, err)
	}
}

func TestFollowFailsWhereNobodyListens(t *testing.T) {
	cc, err := rpc.Dial("127.0.0.1:1")
	if err != nil {
		t.Fatal(err)
	}
	defer cc.Close()
	err = report.Follow(t.Context(), pb.NewQualityServiceClient(cc), report.Filter{}, func(*pb.Deviation) error { return nil })
	if status.Code(err) != codes.Unavailable {
		t.Errorf("error %v; want UNAVAILABLE", err)
	}
}

func TestListReadsAllPages(t *testing.T) {
	var got []uint64
	err := report.List(t.Context(), dial(t), report.Filter{Site: "tannery-row"}, func(d *pb.Deviation) error {
		got = append(got, d.Cursor)
		return nil
	})
	if err != nil || !cmp.Equal(got, []uint64{1, 2}) {
		t.Errorf("cursors %v, error %v; want 1, 2", got, err)
	}
}
