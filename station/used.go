package station

import (
	"context"
	"slices"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/store"
)

const (
	usedFor = time.Hour
	// usedMost bounds what is remembered, usedRead what is read back at start.
	usedMost = 16
	usedRead = 200
)

// used remembers by which releases builds were logged of late.
type used struct {
	mu   sync.Mutex
	list []use
}

type use struct {
	release uint64
	at      time.Time
}

func (u *used) note(release uint64, at time.Time) {
	u.mu.Lock()
	defer u.mu.Unlock()
	oldest := 0
	for i := range u.list {
		if u.list[i].release == release {
			if at.After(u.list[i].at) {
				u.list[i].at = at
			}
			return
		}
		if u.list[i].at.Before(u.list[oldest].at) {
			oldest = i
		}
	}
	if len(u.list) == usedMost {
		u.list[oldest] = use{release, at}
		return
	}
	u.list = append(u.list, use{release, at})
}

// since lists the releases used in the hour before now, the newest first.
func (u *used) since(now time.Time) []uint64 {
	u.mu.Lock()
	defer u.mu.Unlock()
	var out []uint64
	for _, x := range u.list {
		if now.Sub(x.at) <= usedFor {
			out = append(out, x.release)
		}
	}
	slices.Sort(out)
	slices.Reverse(out)
	return out
}

// load reads the last builds of the run before.
func (u *used) load(ctx context.Context, log *store.Log) error {
	s, _ := log.State()
	after := uint64(0)
	if s.Last > usedRead {
		after = s.Last - usedRead
	}
	records, err := log.Builds(ctx, after, usedRead, store.MaxRecordBytes)
	if err != nil {
		return err
	}
	for _, r := range records {
		var rec pb.BuildRecord
		if proto.Unmarshal(r.Bytes, &rec) == nil {
			u.note(rec.GetBuild().GetRelease(), rec.GetLoggedTime().AsTime())
		}
	}
	return nil
}
