package station

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/shelf"
)

// What a bar, or any other face in this process, may ask of the agent.

// HeldRelease is the release with a number while it is held here; nil when it
// is not.
func (a *Agent) HeldRelease(number uint64) *shelf.Held { return a.shelf.ByNumber(number) }

// ReleaseInForce is the release in force now and since when; nil before the
// first.
func (a *Agent) ReleaseInForce() (*shelf.Held, time.Time) {
	o := a.shelf.InForce(a.cfg.Now())
	if o == nil {
		return nil, time.Time{}
	}
	return o.Held, o.Start
}

// ReleaseBefore is the release that was in force just before the present one;
// nil where none is known.
func (a *Agent) ReleaseBefore() *shelf.Held {
	o := a.shelf.InForce(a.cfg.Now())
	if o == nil {
		return nil
	}
	before := a.shelf.InForce(o.Start.Add(-time.Nanosecond))
	if before == nil || before.Held == o.Held {
		return nil
	}
	return before.Held
}

// StopsHere are the stops that hold at this site, which of them somebody here
// acknowledged, and when the centre last confirmed the list (zero for never).
type StopsHere struct {
	Stops       *release.Stops
	Seen        map[string]bool
	ConfirmedAt time.Time
}

// StopsHere reads them; Stops is nil, which stops nothing, without a list.
func (a *Agent) StopsHere(ctx context.Context) (StopsHere, error) {
	var out StopsHere
	l := a.shelf.Stops()
	if l == nil {
		return out, nil
	}
	var err error
	if out.Seen, err = a.store.StopsSeen(ctx); err != nil {
		return StopsHere{}, err
	}
	out.Stops = l.Stops
	out.ConfirmedAt = a.keep.fresh.Load().Freshness(a.id.Site, a.cfg.Now(), a.cfg.StaleAfter).StopList
	return out, nil
}

// StoppedHere reports whether a serving made to the letter must not be made.
func (a *Agent) StoppedHere(s *drink.Serving) bool {
	l := a.shelf.Stops()
	return l != nil && l.Stops.Serving(s)
}

// LoggedAfter returns at most n records of the log after a sequence, in order;
// those that were sent and pruned are passed over.
func (a *Agent) LoggedAfter(ctx context.Context, sequence uint64, n int) ([]*pb.BuildRecord, error) {
	const atOnce = 1 << 20
	list, err := a.store.Builds(ctx, sequence, n, atOnce)
	if err != nil {
		return nil, err
	}
	out := make([]*pb.BuildRecord, len(list))
	for i, r := range list {
		out[i] = new(pb.BuildRecord)
		if err := proto.Unmarshal(r.Bytes, out[i]); err != nil {
			return nil, fmt.Errorf("read record %d of the log: %w", r.Seq, err)
		}
	}
	return out, nil
}

// TakeIn takes a signed release, assignment, stop list or key list that came by
// another way than the bus, such as a stick; the subject is the one that it has
// on the bus. It is verified as one from the bus, and refused alike.
func (a *Agent) TakeIn(ctx context.Context, subject string, envelope []byte) error {
	return a.take(ctx, nil, subject, envelope)
}
