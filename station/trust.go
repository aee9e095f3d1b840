package station

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/durable"
	"samecup.example/samecup/station/shelf"
)

const (
	// heardEvery is how often a standing that changes nothing else is put on
	// disk. It raises no floor, so that losing one only makes the station look
	// a minute older than it is.
	heardEvery = time.Minute
	// maxSpare bounds the releases kept in memory until an assignment names
	// them: the centre sends a release before the assignments that do.
	maxSpare = 4
)

// keeper decides what this station believes. It alone touches the trusted
// state, one document at a time, and puts it on disk before what it accepted
// counts.
type keeper struct {
	id   *Identity
	path string
	now  func() time.Time
	log  *zap.Logger
	// refused is told of each refusal.
	refused func(context.Context, *release.Refusal)
	shelf   *shelf.Shelf

	// fresh is a copy of the trusted state for readers.
	fresh atomic.Pointer[release.Trust]

	mu    sync.Mutex
	trust *release.Trust
	saved []byte
	heard time.Time
	spare []spare
	// bad are the orders whose release was fetched and refused, told what was
	// said of orders, since the last assignment.
	bad  map[orderKey]*release.Refusal
	told map[orderKey]release.Reason
	// certain is set while doubtful objections are told as well; inDoubt says
	// that some were not.
	certain bool
	inDoubt atomic.Bool
}

type spare struct {
	number uint64
	raw    []byte
}

type orderKey struct {
	release uint64
	digest  [32]byte
}

// openKeeper reads the trusted state and the shelf. State that is missing or
// damaged is an error, never a fresh start, which would forget what was
// revoked.
func openKeeper(ctx context.Context, k *keeper, dir string) (*keeper, error) {
	k.path = filepath.Join(dir, trustFile)
	raw, err := readState(dir)
	if err != nil {
		return nil, fmt.Errorf("%w; restore %s from a backup, or enrol this station again with a new code, which sets its keys and floors anew", err, k.path)
	}
	if k.trust, err = release.Open(raw); err != nil {
		return nil, fmt.Errorf("%s: %w", k.path, err)
	}
	k.saved = raw
	k.reset()
	k.shelf, err = shelf.Open(shelf.Config{Dir: filepath.Join(dir, "books"), Site: k.id.Site, Scopes: scopesIn(k.trust, k.id), Now: k.now, Log: k.log}, k.trust)
	if err != nil {
		return nil, err
	}
	if err := k.commit(); err != nil {
		return nil, err
	}
	k.weigh(ctx)
	return k, k.advanceLocked(ctx)
}

func (k *keeper) reset() {
	k.bad, k.told = make(map[orderKey]*release.Refusal), make(map[orderKey]release.Reason)
}

// commit puts the trusted state on disk if it changed, and then shows it.
func (k *keeper) commit() error {
	raw, err := k.trust.Marshal()
	if err != nil {
		return err
	}
	if !bytes.Equal(raw, k.saved) {
		if err := durable.WriteFile(k.path, raw); err != nil {
			return fmt.Errorf("keep the trusted state: %w", err)
		}
		k.saved = raw
	}
	return k.show(raw)
}

func (k *keeper) show(raw []byte) error {
	t, err := release.Open(raw)
	if err != nil {
		return err
	}
	k.fresh.Store(t)
	return nil
}

// close keeps the last word of the centre.
func (k *keeper) close() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.commit()
}

// takeKeyList takes the next key list; false for the one that is held.
func (k *keeper) takeKeyList(ctx context.Context, raw []byte) (bool, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	change, err := k.trust.AddKeyList(raw)
	// Against what is on disk, so that a list whose commit failed is not taken
	// for one that is held.
	if err != nil || change.Version == k.version() {
		return false, err
	}
	if err := k.commit(); err != nil {
		return false, err
	}
	k.log.Info("key list taken", zap.Uint64("version", change.Version), zap.Strings("revoked", change.Revoked), zap.Strings("forgotten", change.Forgotten))
	if err := k.shelf.Drop(k.trust.Dropped); err != nil {
		return true, err
	}
	return true, k.settle(ctx)
}

// takeStops takes a newer stop list; false for the one that is held.
func (k *keeper) takeStops(_ context.Context, raw []byte) (bool, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if l := k.shelf.Stops(); l != nil && bytes.Equal(l.Raw(), raw) {
		return false, nil
	}
	l, err := k.trust.VerifyStopList(raw)
	if err != nil {
		return false, err
	}
	if err := k.shelf.TakeStops(raw, l, k.commit); err != nil {
		return false, err
	}
	k.log.Info("stop list taken", zap.Uint64("version", l.List.Version), zap.Int("stops", len(k.shelf.Stops().Stops.Open())))
	return true, nil
}

// takeAssignment takes a newer assignment; false for the one that is held.
func (k *keeper) takeAssignment(ctx context.Context, raw []byte) (bool, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if _, held := k.shelf.Assigned(); bytes.Equal(held, raw) {
		return false, nil
	}
	a, err := k.trust.VerifyAssignment(raw, k.id.Site)
	if err != nil {
		return false, err
	}
	if err := k.shelf.TakeAssignment(raw, a, k.commit); err != nil {
		return false, err
	}
	k.log.Info("assignment taken", zap.Uint64("serial", a.Assignment.Serial), zap.Int("orders", len(a.Assignment.Orders)))
	k.reset()
	for _, o := range k.shelf.Missing(k.now()) {
		i := slices.IndexFunc(k.spare, func(s spare) bool { return s.number == o.Release })
		if i < 0 {
			continue
		}
		raw := k.spare[i].raw
		k.spare = slices.Delete(k.spare, i, i+1)
		// What cannot be used is read again where it should stand.
		if _, err := k.takeReleaseLocked(ctx, raw); err != nil {
			k.log.Debug("a release that was kept for an assignment cannot be used", zap.Error(err))
		}
	}
	k.weigh(ctx)
	return true, k.advanceLocked(ctx)
}

// takeRelease takes a release that the assignment names; false for one that is
// held. One that it does not name is kept in memory for the next assignment.
func (k *keeper) takeRelease(ctx context.Context, raw []byte) (bool, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	isNew, err := k.takeReleaseLocked(ctx, raw)
	if err != nil || !isNew {
		return isNew, err
	}
	k.weigh(ctx)
	return true, k.advanceLocked(ctx)
}

func (k *keeper) takeReleaseLocked(_ context.Context, raw []byte) (bool, error) {
	v, err := k.trust.VerifyRelease(raw)
	if err != nil {
		return false, err
	}
	number := v.Release.GetNumber()
	a, _ := k.shelf.Assigned()
	if h := k.shelf.ByNumber(number); h != nil && h.Digest == v.Digest {
		return false, nil
	}
	if a == nil || !slices.ContainsFunc(a.Assignment.Orders, func(o *pb.Order) bool { return o.Release == number }) {
		k.spare = slices.DeleteFunc(k.spare, func(s spare) bool { return s.number == number })
		if len(k.spare) == maxSpare {
			k.spare = slices.Delete(k.spare, 0, 1)
		}
		k.spare = append(k.spare, spare{number: number, raw: bytes.Clone(raw)})
		return false, nil
	}
	if _, err := k.trust.Admit(v, a, k.scopes()); err != nil {
		return false, err
	}
	isNew, err := k.shelf.TakeRelease(raw, v)
	if isNew {
		k.log.Info("release taken", zap.Uint64("release", number), zap.String("scope", v.Release.GetScope()))
	}
	return isNew, err
}

// spoilt remembers that what stands on the bus for an order was refused, so
// that it is not fetched again and again.
func (k *keeper) spoilt(ctx context.Context, o shelf.Order, r *release.Refusal) {
	k.mu.Lock()
	defer k.mu.Unlock()
	key := orderKey{o.Release, o.Digest}
	k.bad[key], k.told[key] = r, r.Reason
	k.weigh(ctx)
}

// forgive lets refused fetches be tried anew, as after a reconnect.
func (k *keeper) forgive(ctx context.Context) {
	k.mu.Lock()
	defer k.mu.Unlock()
	clear(k.bad)
	k.weigh(ctx)
}

// weigh marks the orders from the one in force on that must not be followed,
// since they would go back below what was in force, here or by an order before
// them, or name what this station may not take. Orders before the one in force
// are history.
func (k *keeper) weigh(ctx context.Context) {
	a, _ := k.shelf.Assigned()
	orders := k.shelf.Orders()
	_, _, floors := k.trust.Floor(k.id.Site)
	found := make(map[int]*release.Refusal)
	for i := k.shelf.Current(k.now()); i < len(orders); i++ {
		o := &orders[i]
		if r := k.objection(o, a, floors); r != nil {
			found[i] = r
			key := orderKey{o.Release, o.Digest}
			switch {
			case k.told[key] == r.Reason:
			case doubtful(o, r) && !k.certain:
				k.inDoubt.Store(true)
			default:
				k.told[key] = r.Reason
				k.refused(ctx, r)
			}
			continue
		}
		floors[o.Scope] = o.Release
	}
	k.shelf.Refuse(func(i int) bool { return found[i] != nil })
}

func (k *keeper) objection(o *shelf.Order, a *release.Assigned, floors map[string]uint64) *release.Refusal {
	no := func(reason release.Reason, format string, args ...any) *release.Refusal {
		return &release.Refusal{Number: o.Release, Reason: reason, Detail: fmt.Sprintf(format, args...)}
	}
	switch h := k.shelf.ByNumber(o.Release); {
	case k.bad[orderKey{o.Release, o.Digest}] != nil:
		return k.bad[orderKey{o.Release, o.Digest}]
	case !slices.Contains(k.scopes(), o.Scope):
		return no(release.OtherScope, "assignment %d orders it for %s, which this station does not belong to by its placement, %d", a.Assignment.Serial, o.Scope, k.placement())
	case o.Release < floors[o.Scope]:
		return no(release.Older, "assignment %d orders it, and release %d comes before it for %s; numbers only rise, and a roll-back is a new number with old content", a.Assignment.Serial, floors[o.Scope], o.Scope)
	case h != nil && h.Digest != o.Digest:
		return no(release.WrongDigest, "assignment %d names other bytes under this number: %x, and %x are held", a.Assignment.Serial, o.Digest, h.Digest)
	case h != nil:
		_, err := k.trust.Admit(h.Verified, a, k.scopes())
		if r, ok := errors.AsType[*release.Refusal](err); ok {
			return r
		}
	}
	return nil
}

// advance raises the floor to what is in force by now.
func (k *keeper) advance(ctx context.Context) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.advanceLocked(ctx)
}

func (k *keeper) advanceLocked(ctx context.Context) error {
	now := k.now()
	a, _ := k.shelf.Assigned()
	o := k.shelf.InForce(now)
	if a == nil || o == nil {
		return nil
	}
	if in := a.InForce(now); in == nil || in.Release != o.Release || !bytes.Equal(in.Digest, o.Digest[:]) {
		return nil
	}
	if _, _, floors := k.trust.Floor(k.id.Site); floors[o.Scope] != o.Release {
		_, err := k.trust.Follow(o.Held.Verified, a, k.scopes(), now)
		if r, ok := errors.AsType[*release.Refusal](err); ok {
			k.bad[orderKey{o.Release, o.Digest}] = r
			k.weigh(ctx)
			return nil
		}
		if err := k.commit(); err != nil {
			return err
		}
		k.log.Info("release in force", zap.Uint64("release", o.Release), zap.String("scope", o.Scope), zap.Time("since", o.Start))
	}
	return k.shelf.Started()
}

// standing takes the centre's word on what is newest.
func (k *keeper) standing(raw, nonce []byte) (*pb.Standing, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	now := k.now()
	s, err := k.trust.VerifyStanding(raw, k.id.Site, k.id.Station, nonce, now)
	if err != nil {
		return nil, err
	}
	if now.Sub(k.heard).Abs() >= heardEvery {
		k.heard = now
		return s, k.commit()
	}
	state, err := k.trust.Marshal()
	if err != nil {
		return nil, err
	}
	return s, k.show(state)
}

// version of the key list held.
func (k *keeper) version() uint64 { return k.fresh.Load().Version() }
