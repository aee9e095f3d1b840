package launch

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"

	"google.golang.org/protobuf/encoding/protowire"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// bookField is the number of Release.book.
const bookField protowire.Number = 5

// bookOf is the bytes of the book as they stand in a release's payload. The
// authority has a reader of its own for this; that two agree is the point.
func bookOf(payload []byte) (book []byte, err error) {
	for b := payload; len(b) > 0; {
		num, typ, n := protowire.ConsumeTag(b)
		if n < 0 {
			return nil, fmt.Errorf("read the payload: %w", protowire.ParseError(n))
		}
		b = b[n:]
		if n = protowire.ConsumeFieldValue(num, typ, b); n < 0 {
			return nil, fmt.Errorf("read the payload: %w", protowire.ParseError(n))
		}
		if num == bookField && typ == protowire.BytesType {
			if book != nil {
				return nil, errors.New("the payload holds two books")
			}
			book, _ = protowire.ConsumeBytes(b)
		}
		b = b[n:]
	}
	if book == nil {
		return nil, errors.New("the payload holds no book")
	}
	return book, nil
}

// same holds a station's book against what was resolved for its site.
func (k *counter) same(want *pb.ResolveSiteResponse) (bool, error) {
	number, payload, err := k.agent.InForce()
	if err != nil {
		return false, err
	}
	if number != want.Release.Number {
		return false, fmt.Errorf("%s follows release %d; resolved is %d", k.site, number, want.Release.Number)
	}
	book, err := bookOf(payload)
	if err != nil {
		return false, err
	}
	if !bytes.Equal(book, want.Book) {
		return false, fmt.Errorf("%s holds other bytes than resolved", k.site)
	}
	return true, nil
}

// agree waits until each station that is on follows what the authority resolves
// for its site at this moment, byte for byte.
func (s *season) agree(ctx context.Context) error {
	_, err := s.agreed(ctx)
	return err
}

func (s *season) agreed(ctx context.Context) (map[string]*pb.ResolveSiteResponse, error) {
	want := map[string]*pb.ResolveSiteResponse{}
	for _, k := range s.counters {
		if k.agent == nil {
			continue
		}
		got, err := s.ben.overlays.ResolveSite(ctx, &pb.ResolveSiteRequest{Site: "sites/" + k.site})
		if err != nil {
			return nil, fmt.Errorf("resolve %s: %w", k.site, err)
		}
		want[k.site] = got
	}
	return want, eventually(ctx, "stations follow what is resolved for them", func() (bool, error) {
		for _, k := range s.counters {
			if k.agent == nil {
				continue
			}
			if ok, err := k.same(want[k.site]); !ok {
				return false, err
			}
		}
		return true, nil
	})
}

// wantEdition wants the stations of sites to follow an edition.
func (s *season) wantEdition(_ context.Context, edition uint64, sites ...string) error {
	for _, site := range sites {
		if got := s.counter(site).agent.Status().Edition; got != edition {
			return fmt.Errorf("%s follows edition %d, want %d", site, got, edition)
		}
	}
	return nil
}

// compare is the end: all on, all equal, and a record that is whole.
func (s *season) compare(ctx context.Context) error {
	if err := s.allOn(ctx); err != nil {
		return err
	}
	want, err := s.agreed(ctx)
	if err != nil {
		return err
	}
	books := map[[32]byte]bool{}
	for _, k := range s.counters {
		ok, err := k.same(want[k.site])
		if !ok {
			return err
		}
		if want[k.site].Release.Edition != s.rollout.Edition {
			return fmt.Errorf("%s follows edition %d, want %d", k.site, want[k.site].Release.Edition, s.rollout.Edition)
		}
		s.res.Equal++
		s.res.BookBytes += len(want[k.site].Book)
		books[sha256.Sum256(want[k.site].Book)] = true
	}
	if s.res.Books = len(books); s.res.Books != 2 {
		return fmt.Errorf("%d different books; the chain's and that of %s are wanted", s.res.Books, oyster)
	}
	stream, err := s.ada.office.VerifyRecord(ctx, &pb.VerifyRecordRequest{})
	if err != nil {
		return err
	}
	for {
		got, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return fmt.Errorf("verify the record: %w", err)
		}
		if got.BrokenAt != 0 {
			return fmt.Errorf("the record is broken at entry %d: %s", got.BrokenAt, got.Detail)
		}
		s.res.Acts = got.Checked
	}
	s.say("   All %d stations are on, and each holds the book that the authority resolves for its site, byte for byte.", s.res.Equal)
	return nil
}
