// Package record answers: is this the whole record, as it was written?
//
// It holds an append-only chain of entries, each bound to the one before by
// SHA-256, so that a changed, dropped, inserted or swapped entry is found by
// walking the chain, and a record cut short by comparing its head with one
// that was noted elsewhere (every release carries one).
package record

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"time"
)

// Hash is a SHA-256; the zero Hash stands before the first entry.
type Hash = [32]byte

// domain keeps the hash of an entry from meaning anything else.
const domain = "samecup/record/entry/v1\x00"

// Entry is one act as it stands in the record.
type Entry struct {
	// Number counts from 1 without gaps.
	Number uint64
	// At is in UTC, whole microseconds.
	At time.Time
	// Actor is a person, "station:<site>/<station>" or "authority".
	Actor string
	Kind  string
	// Body is the exact bytes, JSON, that the hash runs over.
	Body []byte
	// Previous is the Hash of the entry before; zero for the first.
	Previous Hash
	Hash     Hash
}

// Sum works out the entry's hash from all its other fields: SHA-256 of the
// domain, then Number and At (microseconds since 1970) as 8 bytes each, then
// Actor, Kind, Body and Previous, each with its length in 8 bytes before it.
func (e Entry) Sum() Hash {
	b := make([]byte, 0, len(domain)+6*8+len(e.Actor)+len(e.Kind)+len(e.Body)+len(e.Previous))
	b = append(b, domain...)
	b = binary.BigEndian.AppendUint64(b, e.Number)
	b = binary.BigEndian.AppendUint64(b, uint64(e.At.UnixMicro())) //nolint:gosec // the bits are what is hashed
	for _, part := range [][]byte{[]byte(e.Actor), []byte(e.Kind), e.Body, e.Previous[:]} {
		b = binary.BigEndian.AppendUint64(b, uint64(len(part)))
		b = append(b, part...)
	}
	return sha256.Sum256(b)
}

// Chain is the end of a record, to which entries are appended. The zero value
// is the empty record. It is not safe for concurrent use.
type Chain struct {
	number uint64
	head   Hash
}

// Resume returns the chain that ends with entry number, whose hash is head.
func Resume(number uint64, head Hash) Chain { return Chain{number: number, head: head} }

// Len is the number of the last entry, 0 for an empty record.
func (c Chain) Len() uint64 { return c.number }

// Head is the hash of the last entry, zero for an empty record.
func (c Chain) Head() Hash { return c.head }

// Append makes the next entry and moves the chain on. The time is cut to whole
// microseconds of UTC, which is what is stored.
func (c *Chain) Append(at time.Time, actor, kind string, body []byte) (Entry, error) {
	if actor == "" || kind == "" {
		return Entry{}, fmt.Errorf("record entry %d: actor is %q and kind %q; both must be named", c.number+1, actor, kind)
	}
	e := Entry{Number: c.number + 1, At: at.UTC().Truncate(time.Microsecond), Actor: actor, Kind: kind, Body: body, Previous: c.head}
	e.Hash = e.Sum()
	c.number, c.head = e.Number, e.Hash
	return e, nil
}

// Follow checks that e is the next entry and moves the chain on. The error is
// a *Broken and leaves the chain where it was.
func (c *Chain) Follow(e Entry) error {
	switch {
	case e.Number != c.number+1:
		return &Broken{Number: c.number + 1, How: fmt.Sprintf("entry %d stands where entry %d belongs: one was dropped, inserted or moved", e.Number, c.number+1)}
	case e.Previous != c.head && e.Number == 1:
		return &Broken{Number: e.Number, How: "the first entry names one before it: the beginning is missing"}
	case e.Previous != c.head:
		return &Broken{Number: e.Number, How: fmt.Sprintf("it does not follow on entry %d as that stands now: one of the two was replaced", c.number)}
	case !e.At.Equal(e.At.Truncate(time.Microsecond)):
		return &Broken{Number: e.Number, How: "its time is finer than a microsecond, which is never written"}
	case e.Sum() != e.Hash:
		return &Broken{Number: e.Number, How: "its content does not give its hash: it was altered after it was written"}
	}
	c.number, c.head = e.Number, e.Hash
	return nil
}

// Broken tells where a record stops being whole.
type Broken struct {
	// Number is the first entry that does not hold.
	Number uint64
	How    string
}

func (b *Broken) Error() string {
	return fmt.Sprintf("the record is broken at entry %d: %s", b.Number, b.How)
}

// Verify walks entries from the first and returns the head and how many held.
// The error is a *Broken for the first entry that does not, or what reading
// them failed with.
func Verify(entries iter.Seq2[Entry, error]) (head Hash, n uint64, err error) {
	var c Chain
	for e, err := range entries {
		if err != nil {
			return c.head, c.number, fmt.Errorf("read record entry %d: %w", c.number+1, err)
		}
		if err := c.Follow(e); err != nil {
			return c.head, c.number, err
		}
	}
	return c.head, c.number, nil
}

// ErrCut is wrapped where a record ends before an entry that is known of.
var ErrCut = errors.New("the record was cut short")

// VerifyTo is Verify, and further compares the record with what is known of it
// from elsewhere: that entry number had the hash head.
func VerifyTo(entries iter.Seq2[Entry, error], number uint64, head Hash) (Hash, uint64, error) {
	met := number == 0 && head == Hash{}
	var c Chain
	for e, err := range entries {
		if err != nil {
			return c.head, c.number, fmt.Errorf("read record entry %d: %w", c.number+1, err)
		}
		if err := c.Follow(e); err != nil {
			return c.head, c.number, err
		}
		if e.Number == number {
			if e.Hash != head {
				return c.head, c.number, &Broken{Number: number, How: "its hash differs from the one noted elsewhere: the record was rewritten up to here"}
			}
			met = true
		}
	}
	if !met {
		return c.head, c.number, fmt.Errorf("%w: it ends with entry %d, and entry %d is known of", ErrCut, c.number, number)
	}
	return c.head, c.number, nil
}
