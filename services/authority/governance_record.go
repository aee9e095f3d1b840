package authority

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/record"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// verifyStep is how many entries are checked between two words of progress.
const verifyStep = 1000

// StreamRecord implements pb.GovernanceServiceServer.
func (s governanceService) StreamRecord(req *pb.StreamRecordRequest, stream grpc.ServerStreamingServer[pb.StreamRecordResponse]) error {
	var c check
	if req.Drink != "" {
		c.slug("drink", req.Drink, "latte")
	}
	if err := c.err(); err != nil {
		return err
	}
	ctx := stream.Context()
	after := req.After
	for {
		changed := s.changed() // before the look, so that nothing falls between
		for e, err := range s.store.Entries(ctx, after) {
			if err != nil {
				return err
			}
			after = e.Number
			entry, err := entryToProto(e)
			if err != nil {
				return err
			}
			if req.Drink != "" && !slices.Contains(entry.Drinks, req.Drink) {
				continue
			}
			if err := stream.Send(&pb.StreamRecordResponse{Entry: entry}); err != nil {
				return err
			}
		}
		if !req.Follow {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-changed:
		}
	}
}

func entryToProto(e record.Entry) (*pb.RecordEntry, error) {
	a, err := govern.Decode(e)
	if err != nil {
		return nil, err
	}
	return &pb.RecordEntry{Number: e.Number, ActTime: timestamppb.New(e.At), Actor: e.Actor, Kind: e.Kind, Body: e.Body,
		PreviousHash: e.Previous[:], Hash: e.Hash[:], Text: govern.Sentence(a), Drinks: govern.Drinks(a)}, nil
}

// VerifyRecord implements pb.GovernanceServiceServer. It reads what is stored
// and trusts nothing that is held in memory but the head, which must be there.
func (s governanceService) VerifyRecord(_ *pb.VerifyRecordRequest, stream grpc.ServerStreamingServer[pb.VerifyRecordResponse]) error {
	ctx := stream.Context()
	total, head := s.head()
	noted, detail, err := s.notedHeads(ctx)
	if err != nil {
		return err
	}
	res := &pb.VerifyRecordResponse{Total: total}
	var chain record.Chain
	broken := func(at uint64, format string, args ...any) error {
		res.Done, res.BrokenAt, res.Detail = true, at, fmt.Sprintf(format, args...)
		return stream.Send(res)
	}
	for e, err := range s.store.Entries(ctx, 0) {
		if err != nil {
			return err
		}
		if e.Number > total && chain.Len() >= total {
			break // added since; the next walk has it
		}
		if err := chain.Follow(e); err != nil {
			b, ok := errors.AsType[*record.Broken](err)
			if !ok {
				return err
			}
			return broken(b.Number, "%s", b.Error())
		}
		res.Checked, res.Head = chain.Len(), headOf(chain)
		delete(noted, chain.Head())
		if chain.Len()%verifyStep == 0 && chain.Len() < total {
			if err := stream.Send(proto.Clone(res).(*pb.VerifyRecordResponse)); err != nil { //nolint:forcetypeassert // its own type
				return err
			}
		}
	}
	if chain.Len() < total || chain.Head() != head {
		return broken(chain.Len()+1, "the record ends with entry %d (%s), and this authority wrote entry %d (%s): it was cut short or rewritten; restore the database from a copy",
			chain.Len(), hex.EncodeToString(res.Head), total, hex.EncodeToString(head[:]))
	}
	if len(noted) > 0 {
		first := uint64(0)
		for _, number := range noted {
			if first == 0 || number < first {
				first = number
			}
		}
		return broken(chain.Len()+1, "release %d names a head that the record does not have: it was cut short or rewritten; restore the database from a copy", first)
	}
	if detail != "" {
		return broken(chain.Len()+1, "%s", detail)
	}
	res.Done = true
	return stream.Send(res)
}

func headOf(c record.Chain) []byte {
	h := c.Head()
	return h[:]
}

// notedHeads are the heads of the record that the stored releases name, each
// with the first release that does. Only signed bytes count: who can rewrite the
// record could else rewrite them too. A release whose signature does not hold is
// told in detail.
func (s *Service) notedHeads(ctx context.Context) (noted map[record.Hash]uint64, detail string, err error) {
	noted = map[record.Hash]uint64{}
	var before uint64
	for {
		rows, err := s.store.ListReleases(ctx, before, verifyStep)
		if err != nil {
			return nil, "", err
		}
		for _, row := range rows {
			before = row.Number
			rel, err := s.recordedRelease(ctx, row.Number)
			if err != nil {
				detail = fmt.Sprintf("release %d is not as it was signed: %v; restore the database from a copy", row.Number, err)
				continue
			}
			var h record.Hash
			if copy(h[:], rel.RecordHead); h != (record.Hash{}) {
				noted[h] = row.Number
			}
		}
		if len(rows) < verifyStep {
			return noted, detail, nil
		}
	}
}

// recordedRelease reads a stored release whose payload is the one in the record
// and whose signature holds. One that only revoked keys signed counts by the
// record alone: it is signed anew on its way out.
func (s *Service) recordedRelease(ctx context.Context, number uint64) (*pb.Release, error) {
	raw, err := s.store.Envelope(ctx, number)
	if err != nil {
		return nil, err
	}
	var env pb.Envelope
	var rel pb.Release
	if err := proto.Unmarshal(raw, &env); err != nil {
		return nil, fmt.Errorf("read the envelope: %w", err)
	}
	if err := proto.Unmarshal(env.Payload, &rel); err != nil {
		return nil, fmt.Errorf("read the payload: %w", err)
	}
	var made govern.Release
	var ok bool
	s.view(func(st *govern.State) { made, ok = st.Release(number) })
	if !ok || made.Digest != sha256.Sum256(env.Payload) {
		return nil, errors.New("its bytes are not those in the record")
	}
	s.keys.mu.Lock() // a Trust is for one goroutine
	_, err = s.keys.trust.HeldRelease(raw)
	s.keys.mu.Unlock()
	if r, is := errors.AsType[*release.Refusal](err); is && r.Reason != release.RevokedKey {
		return nil, err
	}
	return &rel, nil
}
