package station

import (
	"context"
	"strings"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/station/shelf"
)

// A station's scopes are those of the newest placement that it accepted, and
// before the first those that it learnt when it enrolled. They live in the
// trusted state with the floors, so that a placement counts from the moment at
// which no older one can come back, and goes with the key that signed it.

// scopes that the station belongs to, from the widest to the most specific.
func (k *keeper) scopes() []string { return scopesIn(k.fresh.Load(), k.id) }

func scopesIn(t *release.Trust, id *Identity) []string {
	if region, _, ok := t.PlacedIn(id.Site, id.Station); ok {
		return release.Scopes(region, id.Site)
	}
	return id.Scopes
}

// placement is the serial of the one that is held, 0 for none.
func (k *keeper) placement() uint64 {
	_, serial, _ := k.fresh.Load().PlacedIn(k.id.Site, k.id.Station)
	return serial
}

// takePlacement takes a newer placement; false for the one that is held.
func (k *keeper) takePlacement(ctx context.Context, raw []byte) (bool, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	p, err := k.trust.VerifyPlacement(raw, k.id.Site, k.id.Station)
	// Against what is on disk, so that one whose commit failed is not taken for
	// one that is held.
	if err != nil || p.Serial == k.placement() {
		return false, err
	}
	if err := k.commit(); err != nil {
		return false, err
	}
	k.log.Info("placement taken", zap.Uint64("serial", p.Serial), zap.String("region", p.Region))
	return true, k.settle(ctx)
}

// settle follows what keys and placement say now.
func (k *keeper) settle(ctx context.Context) error {
	k.shelf.Place(k.scopes())
	k.reset()
	k.weigh(ctx)
	return k.advanceLocked(ctx)
}

// doubtful objections may only lack a placement that is on its way: pushes of
// several subjects come in any order, and a station that was away reads them one
// by one. They are told once the newest placement was read.
func doubtful(o *shelf.Order, r *release.Refusal) bool {
	return r.Reason == release.OtherScope && strings.HasPrefix(o.Scope, "region.")
}

// placed is called when no newer placement stands on the bus: what is still
// objected to is told.
func (k *keeper) placed(ctx context.Context) {
	if !k.inDoubt.Load() {
		return
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.certain = true
	k.weigh(ctx)
	k.certain = false
	k.inDoubt.Store(false)
}
