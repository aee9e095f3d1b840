package quality

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/services/quality/store"
)

// passedMost bounds what is remembered of builds that were passed over; a
// correction follows within minutes, and many thousands a day would be typos.
const passedMost = 5000

// passed holds the ids of builds that were passed over since something corrects
// them, and whose drink the watch has not seen: it is to see their correction.
// The oldest come first.
type passed []string

// sees tells whether the watch is to see a record: one of each drink, whichever
// counts when the first of them is read. corrects is what the record says that
// it corrects, empty for nothing.
func (p *passed) sees(row *store.WatchBuild, corrects string) bool {
	drink := corrects
	if drink == "" {
		drink = row.ID
	}
	at := slices.Index(*p, drink)
	if row.Second && at < 0 {
		return false // another record of the drink was seen
	}
	if at >= 0 {
		*p = slices.Delete(*p, at, at+1)
	}
	switch {
	case row.Corrected:
		p.add(row.ID)
	case row.Outranked:
		p.add(drink)
	default:
		return true
	}
	return false
}

func (p *passed) add(id string) {
	if *p = append(*p, id); len(*p) > passedMost {
		*p = slices.Delete(*p, 0, len(*p)-passedMost)
	}
}

// ripe is how many builds of a page are to be taken now. A build that was logged
// just now is held back for a while, with all behind it, so that its correction
// comes before the watch has seen it. Not so where it or one behind it is unsafe:
// what is unsafe is looked at, at once, and the order stays.
func (w *caseworker) ripe(ctx context.Context, page []store.WatchBuild) (int, error) {
	w.held = 0
	if w.undo <= 0 {
		return len(page), nil
	}
	now := w.now()
	for i := range page {
		row := &page[i]
		wait := w.undo - sinceLogged(row, now)
		if wait <= 0 || row.Ref <= w.urgent {
			continue
		}
		unsafe, newest, err := w.db.UnsafeAfter(ctx, max(row.Ref-1, w.searched))
		if err != nil {
			return 0, err
		}
		w.urgent, w.searched = max(w.urgent, unsafe), max(w.searched, newest)
		if row.Ref <= w.urgent {
			continue
		}
		w.held = wait
		return i, nil
	}
	return len(page), nil
}

// due tells when a build that is held back no longer is; nil for none.
func (w *caseworker) due() <-chan time.Time {
	if w.held <= 0 {
		return nil
	}
	return time.After(w.held)
}

// sinceLogged is how long ago a build was logged, or received where its station's
// clock says a later time. Where the centre's clock was set back it is long ago.
func sinceLogged(row *store.WatchBuild, now time.Time) time.Duration {
	if row.Received.After(now) {
		return 1<<63 - 1
	}
	age := now.Sub(row.Received)
	if logged, ok := loggedTime(row.Record); ok {
		age = max(age, now.Sub(logged))
	}
	return age
}

// fieldLogged is the number of pb.BuildRecord's logged_time; a test holds it
// against the descriptor.
const fieldLogged = 5

// loggedTime reads when a marshalled pb.BuildRecord was logged, and passes over
// all else, since the build itself may be of no interest yet.
func loggedTime(record []byte) (time.Time, bool) {
	for len(record) > 0 {
		number, kind, n := protowire.ConsumeTag(record)
		if n < 0 {
			break
		}
		record = record[n:]
		if number == fieldLogged && kind == protowire.BytesType {
			text, n := protowire.ConsumeBytes(record)
			var at timestamppb.Timestamp
			if n < 0 || proto.Unmarshal(text, &at) != nil || at.CheckValid() != nil {
				break
			}
			return at.AsTime(), true
		}
		if n = protowire.ConsumeFieldValue(number, kind, record); n < 0 {
			break
		}
		record = record[n:]
	}
	return time.Time{}, false
}
