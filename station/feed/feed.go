// Package feed answers one question: how do the readings of instruments reach
// the bar?
//
// A [Service] takes them over gRPC, a [Broker] over MQTT. Neither knows what a
// reading means: both stamp when it came and hand it to the one bar, which joins
// it to the open build. docs/instruments.md is the contract.
package feed

import (
	"errors"
	"io"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/instrument"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// Bar takes readings in; *bar.Bar in a running station.
type Bar interface {
	// TakeReading takes one reading that was received at a time by the station's
	// clock; the error says why it was not taken.
	TakeReading(r instrument.Reading, received time.Time) (instrument.Result, []instrument.Fault, error)
	// FollowReadings has f told what was joined and which faults began or ended.
	// f does not wait.
	FollowReadings(f func(instrument.Result, []instrument.Fault)) (end func())
}

// Service is the station's InstrumentService.
type Service struct {
	pb.UnimplementedInstrumentServiceServer
	bar     Bar
	now     func() time.Time
	closing sync.Once
	closed  chan struct{}
}

// NewService takes readings for a bar; now is the station's clock.
func NewService(b Bar, now func() time.Time) *Service {
	return &Service{bar: b, now: now, closed: make(chan struct{})}
}

// Register puts it on a gRPC server.
func (s *Service) Register(r grpc.ServiceRegistrar) { pb.RegisterInstrumentServiceServer(r, s) }

// answersWaiting bounds what a client that does not read may have waiting; what
// is beyond it is dropped, since a client that is behind wants the newest.
const answersWaiting = 256

// Close ends all streams, so that a server that stops need not wait for
// instruments, which never end theirs.
func (s *Service) Close() { s.closing.Do(func() { close(s.closed) }) }

// StreamReadings implements pb.InstrumentServiceServer. Every reading is
// answered; what was joined and which faults began or ended comes beside, for
// the instruments that this stream sends for.
func (s *Service) StreamReadings(stream grpc.BidiStreamingServer[pb.StreamReadingsRequest, pb.StreamReadingsResponse]) error {
	out := make(chan *pb.StreamReadingsResponse, answersWaiting)
	seen := &known{ids: map[string]bool{}}
	defer s.bar.FollowReadings(func(r instrument.Result, faults []instrument.Fault) {
		if m := seen.answer(r, faults); m != nil {
			select {
			case out <- m:
			default:
			}
		}
	})()
	ended := make(chan error, 1)
	// It ends with the stream's context, which ends with this call.
	go func() { ended <- s.receive(stream, out, seen) }()
	for {
		select {
		case m := <-out:
			if err := stream.Send(m); err != nil {
				return err
			}
		case err := <-ended:
			for len(out) > 0 && err == nil {
				err = stream.Send(<-out)
			}
			return err
		case <-s.closed:
			return status.Error(codes.Unavailable, "the station is stopping; begin the stream anew")
		}
	}
}

func (s *Service) receive(stream grpc.BidiStreamingServer[pb.StreamReadingsRequest, pb.StreamReadingsResponse], out chan<- *pb.StreamReadingsResponse, seen *known) error {
	for {
		req, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		received := s.now()
		answer := &pb.StreamReadingsResponse{Instrument: req.GetReading().GetInstrument(), Sequence: req.GetReading().GetSequence()}
		r, err := instrument.FromProto(req.GetReading())
		if err == nil {
			seen.add(r.Instrument)
			_, _, err = s.bar.TakeReading(r, received)
		}
		if err != nil {
			answer.Refusal = err.Error()
		}
		select {
		case out <- answer:
		case <-stream.Context().Done():
			return stream.Context().Err()
		}
	}
}

// known are the instruments of one stream.
type known struct {
	mu  sync.Mutex
	ids map[string]bool
}

// mostOfOneStream is what a station takes in all.
const mostOfOneStream = 32

func (k *known) add(id string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if len(k.ids) < mostOfOneStream {
		k.ids[id] = true
	}
}

// answer is what of a result concerns this stream; nil for nothing.
func (k *known) answer(r instrument.Result, faults []instrument.Fault) *pb.StreamReadingsResponse {
	k.mu.Lock()
	defer k.mu.Unlock()
	m := &pb.StreamReadingsResponse{}
	for _, j := range r.Joined {
		if k.ids[j.Reading.Instrument] {
			m.Joined = append(m.Joined, joinedProto(j))
		}
	}
	for _, f := range faults {
		if k.ids[f.Instrument] {
			m.Faults = append(m.Faults, faultProto(f))
		}
	}
	if len(m.Joined)+len(m.Faults) == 0 {
		return nil
	}
	return m
}

func joinedProto(j instrument.Joined) *pb.JoinedReading {
	r := j.Reading
	return &pb.JoinedReading{
		Build: j.Build, Check: r.Check, Occurrence: int32(r.Occurrence), ValueMilli: int64(r.Value), Unit: string(r.Unit),
		ResolutionMilli: int64(r.Resolution), Instrument: r.Instrument, MeasuredTime: timestamppb.New(r.MeasuredAt),
		EnteredTime: timestamppb.New(r.EnteredAt), How: j.How, Doubt: j.Doubt, Extra: j.Extra,
	}
}

func faultProto(f instrument.Fault) *pb.InstrumentFault {
	out := &pb.InstrumentFault{Instrument: f.Instrument, Kind: string(f.Kind), StartTime: timestamppb.New(f.BeganAt), Text: f.Words}
	if !f.EndedAt.IsZero() {
		out.EndTime = timestamppb.New(f.EndedAt)
	}
	return out
}
