package store

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"

	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/encoding/protowire"

	"samecup.example/samecup/internal/sqlitedb"
	"samecup.example/samecup/station/durable"
)

// errDamaged is wrapped by what check finds.
var errDamaged = errors.New("the build log is damaged")

// isDamaged tells damage, which a rescue mends, from other faults of the disk.
func isDamaged(err error) bool {
	fault := sqlitedb.FaultOf(err)
	return errors.Is(err, errDamaged) || fault == sqlitedb.Damaged || fault == sqlitedb.Unexpected
}

// Range is a run of numbers, both ends included.
type Range struct{ First, Last uint64 }

func (r Range) String() string {
	if r.First == r.Last {
		return fmt.Sprint(r.First)
	}
	return fmt.Sprintf("%d to %d", r.First, r.Last)
}

// total is how many numbers are in ranges.
func total(ranges []Range) (n uint64) {
	for _, r := range ranges {
		n += r.Last - r.First + 1
	}
	return n
}

// Lost reports whether all numbers from first to last were lost with a damaged
// log. It is true for none.
func (l *Log) Lost(first, last uint64) bool {
	for _, r := range l.lost {
		if first > last {
			break
		}
		if r.First <= first && first <= r.Last {
			first = r.Last + 1
		}
	}
	return first > last
}

// chainAtStart is how many of the last records have their chain checked at every
// start; the rest of a long backlog would take longer than a start may, and is
// checked when it is sent.
const chainAtStart = 5000

// suspectPath is a file beside the log that asks the next start to check all.
func suspectPath(path string) string { return path + ".suspect" }

// check reads SQLite's own structure and our chain side by side.
func (l *Log) check(ctx context.Context) error {
	from := l.tip.seq - min(l.tip.seq, chainAtStart)
	_, err := os.Stat(suspectPath(l.path))
	suspect := err == nil
	if suspect {
		from = 0
	}
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return l.checkPages(ctx) })
	g.Go(func() error { return l.checkChain(ctx, from) })
	if err := g.Wait(); err != nil || !suspect {
		return err
	}
	return clearSuspect(l.path)
}

func clearSuspect(path string) error {
	if err := os.Remove(suspectPath(path)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("note that the log was checked: %w", err)
	}
	return nil
}

// ToSend is Builds for the outbox, which takes what it gets in order: each
// record is checked to follow on the one before it. One that does not is not
// given out; the error tells to start anew, and the next Open checks all.
func (l *Log) ToSend(ctx context.Context, after uint64, n, size int) ([]Record, error) {
	records, err := l.Builds(ctx, after, n, size)
	if err != nil {
		return nil, err
	}
	before := l.given
	for _, r := range records {
		k, err := readLink(r.Bytes)
		if err != nil || k.seq != r.Seq || before.known && before.seq+1 == r.Seq && !k.follows(before) {
			return nil, errors.Join(fmt.Errorf("%w: record %d does not follow on the one before it; start the station again, which sets the damaged log aside and sends what can be read", errDamaged, r.Seq),
				durable.WriteFile(suspectPath(l.path), nil))
		}
		before = tip{seq: r.Seq, hash: sha256.Sum256(r.Bytes), known: true}
	}
	l.given = before
	return records, nil
}

func (l *Log) checkPages(ctx context.Context) error {
	var found string
	if err := l.db.Read.QueryRowContext(ctx, `PRAGMA quick_check(1)`).Scan(&found); err != nil {
		return fmt.Errorf("check the pages: %w", err)
	}
	if found != "ok" {
		return fmt.Errorf("%w: %s", errDamaged, found)
	}
	return nil
}

// checkChain checks that no number is missing that was not lost, and that each
// record names the hash of the one before it.
func (l *Log) checkChain(ctx context.Context, from uint64) (err error) {
	rows, err := l.db.Read.QueryContext(ctx, `SELECT seq, record FROM builds WHERE seq > ? ORDER BY seq`, int64(from))
	if err != nil {
		return fmt.Errorf("check the chain: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	var before tip
	for rows.Next() {
		var seq uint64
		var raw []byte
		if err := rows.Scan(&seq, &raw); err != nil {
			return fmt.Errorf("check the chain: %w", err)
		}
		k, err := readLink(raw)
		switch {
		case err != nil:
			return fmt.Errorf("%w: record %d: %w", errDamaged, seq, err)
		case k.seq != seq:
			return fmt.Errorf("%w: record %d says that it is %d", errDamaged, seq, k.seq)
		case before.seq != 0 && seq == before.seq+1 && !k.follows(before):
			return fmt.Errorf("%w: record %d does not follow on record %d", errDamaged, seq, before.seq)
		case before.seq != 0 && !l.Lost(before.seq+1, seq-1):
			return fmt.Errorf("%w: after record %d comes %d", errDamaged, before.seq, seq)
		}
		before = tip{seq: seq, hash: sha256.Sum256(raw), known: true}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("check the chain: %w", err)
	}
	return nil
}

// link is what a record says of its place in the chain.
type link struct {
	seq      uint64
	previous []byte
}

func (k link) follows(t tip) bool { return slices.Equal(k.previous, t.hash[:]) }

// readLink reads the two fields that the log appended, passing over the rest.
func readLink(raw []byte) (k link, err error) {
	for len(raw) > 0 {
		field, typ, n := protowire.ConsumeTag(raw)
		if n < 0 {
			return k, protowire.ParseError(n)
		}
		raw = raw[n:]
		switch {
		case field == fieldSequence && typ == protowire.VarintType:
			k.seq, n = protowire.ConsumeVarint(raw)
		case field == fieldPreviousHash && typ == protowire.BytesType:
			k.previous, n = protowire.ConsumeBytes(raw)
		default:
			n = protowire.ConsumeFieldValue(field, typ, raw)
		}
		if n < 0 {
			return k, protowire.ParseError(n)
		}
		raw = raw[n:]
	}
	return k, nil
}
