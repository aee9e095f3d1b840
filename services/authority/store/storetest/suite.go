// Package storetest holds the contract that every store of the authority must
// pass, whatever database stands behind it.
package storetest

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/record"
	"samecup.example/samecup/services/authority/store"
)

// Open opens an empty store that the test closes by its own cleanup.
type Open func(t *testing.T) store.Store

var now = time.Date(2026, 3, 2, 9, 30, 0, 123_000, time.UTC)

// RunSuite runs the contract against the stores that open gives.
func RunSuite(t *testing.T, open Open) {
	for _, c := range []struct {
		name string
		run  func(*testing.T, store.Store)
	}{
		{"a release comes back as it was stored", releaseRoundTrip},
		{"releases are listed newest first, page by page", listReleases},
		{"a commit is whole or not at all", wholeCommit},
		{"of two decisions on one end of the record one counts", movedRecord},
		{"the record comes back as it was written", recordRoundTrip},
		{"a source comes back by its digest", blobs},
		{"the last snapshot stands", snapshots},
		{"the last document of a subject stands", documents},
		{"the course of a test comes back without what was thinned out", course},
		{"a site is replaced, not doubled", sites},
		{"a code is good once, in time", enrolment},
		{"of many callers one spends a code", spendRace},
		{"a new code voids the old one", newCode},
		{"stations are listed in order, with what they last said", listStations},
		{"presence of a stranger is passed over", strangerPresence},
		{"refusals are kept once each, the newest", refusals},
	} {
		t.Run(c.name, func(t *testing.T) { c.run(t, open(t)) })
	}
}

func digest(b byte) (d [32]byte) {
	d[0] = b
	return d
}

// chained adds releases to the end of a store's record, an entry each.
type chained struct {
	store.Store
	chain record.Chain
}

func (c *chained) add(t *testing.T, scope string, number uint64) {
	t.Helper()
	next := c.chain
	e, err := next.Append(now, "ada", "release_made", fmt.Appendf(nil, `{"release":%d}`, number))
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Commit(t.Context(), store.Commit{
		After: c.chain.Len(), Entries: []record.Entry{e}, Releases: []store.SealedRelease{sealed(scope, number)},
	}); err != nil {
		t.Fatal(err)
	}
	c.chain = next
}

func sealed(scope string, number uint64) store.SealedRelease {
	return store.SealedRelease{Release: store.Release{
		Number: number, Scope: scope, Edition: number, RollsBackTo: 3, Safety: true,
		NeedsRebase: []string{"region.north", "site.tannery-row"}, CreatedAt: now, EffectiveAt: now.Add(time.Hour),
		Note: "Flat white at 5 mm", Author: "ada", Digest: digest(byte(number)), ServingCount: 12,
		Chain: "Harbour & Finch", Problems: []byte{1, 2, 3},
	}, Envelope: fmt.Appendf(nil, "envelope %d", number)}
}

func wantErr(t *testing.T, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Errorf("error is %v, want %v", err, want)
	}
}

func releaseRoundTrip(t *testing.T, s store.Store) {
	ctx := t.Context()
	(&chained{Store: s}).add(t, "chain", 1)
	got, err := s.Release(ctx, 1)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(sealed("chain", 1).Release, got); d != "" {
		t.Errorf("read release (-want +got):\n%s", d)
	}
	raw, err := s.Envelope(ctx, 1)
	if err != nil || string(raw) != "envelope 1" {
		t.Errorf("envelope is %q, %v", raw, err)
	}
	_, err = s.Release(ctx, 2)
	wantErr(t, err, store.ErrNotFound)
	_, err = s.Envelope(ctx, 2)
	wantErr(t, err, store.ErrNotFound)
}

func listReleases(t *testing.T, s store.Store) {
	c := &chained{Store: s}
	for i := uint64(1); i <= 5; i++ {
		c.add(t, "chain", i)
	}
	for _, c := range []struct {
		before uint64
		limit  int
		want   []uint64
	}{{0, 2, []uint64{5, 4}}, {4, 2, []uint64{3, 2}}, {2, 2, []uint64{1}}, {1, 2, nil}} {
		rows, err := s.ListReleases(t.Context(), c.before, c.limit)
		if err != nil {
			t.Fatal(err)
		}
		var got []uint64
		for _, r := range rows {
			got = append(got, r.Number)
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("before %d (-want +got):\n%s", c.before, d)
		}
	}
}

var tannery = store.Site{ID: "tannery-row", Name: "Tannery Row", Region: "north", TimeZone: "Europe/London"}

func mustSite(t *testing.T, s store.Store, site store.Site) {
	t.Helper()
	if err := s.Commit(t.Context(), store.Commit{Sites: []store.Site{site}}); err != nil {
		t.Fatal(err)
	}
}

func sites(t *testing.T, s store.Store) {
	ctx := t.Context()
	other := tannery
	other.Region = "south"
	mustSite(t, s, other)
	mustSite(t, s, tannery)
	got, err := s.Site(ctx, tannery.ID)
	if err != nil || got != tannery {
		t.Errorf("site is %+v, %v", got, err)
	}
	_, err = s.Site(ctx, "nowhere")
	wantErr(t, err, store.ErrNotFound)
	for region, want := range map[string]bool{"north": true, "south": false} {
		if got, err := s.RegionExists(ctx, region); err != nil || got != want {
			t.Errorf("region %s exists: %v, %v; want %v", region, got, err, want)
		}
	}
}

func bar(n int) store.StationKey {
	return store.StationKey{Site: tannery.ID, Station: fmt.Sprintf("bar-%d", n)}
}

func mustCode(t *testing.T, s store.Store, key store.StationKey, code byte) {
	t.Helper()
	e := store.Enrolment{StationKey: key, CodeHash: digest(code), ExpiresAt: now.Add(15 * time.Minute)}
	if err := createEnrolment(t, s, e); err != nil {
		t.Fatal(err)
	}
}

func enrolment(t *testing.T, s store.Store) {
	ctx := t.Context()
	e := store.Enrolment{StationKey: bar(1), CodeHash: digest(1), ExpiresAt: now.Add(15 * time.Minute)}
	wantErr(t, createEnrolment(t, s, e), store.ErrNotFound) // no such site
	mustSite(t, s, tannery)
	mustCode(t, s, bar(1), 1)
	_, err := s.Enrolment(ctx, digest(2), now)
	wantErr(t, err, store.ErrNotFound)
	_, err = s.Enrolment(ctx, digest(1), now.Add(15*time.Minute))
	wantErr(t, err, store.ErrCodeExpired)
	err = spend(t, s, digest(1), now.Add(15*time.Minute))
	wantErr(t, err, store.ErrCodeExpired)
	got, err := s.Enrolment(ctx, digest(1), now.Add(14*time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	wantErr(t, spend(t, s, digest(1), now.Add(14*time.Minute)), nil)
	if d := cmp.Diff(e, got); d != "" {
		t.Errorf("enrolment (-want +got):\n%s", d)
	}
	err = spend(t, s, digest(1), now)
	wantErr(t, err, store.ErrCodeSpent)
	_, err = s.Enrolment(ctx, digest(1), now)
	wantErr(t, err, store.ErrCodeSpent)
	members, err := s.Members(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]store.Member{{StationKey: bar(1), Region: "north"}}, members); d != "" {
		t.Errorf("members (-want +got):\n%s", d)
	}
}

func spendRace(t *testing.T, s store.Store) {
	mustSite(t, s, tannery)
	mustCode(t, s, bar(1), 1)
	const callers = 16
	errs := make([]error, callers)
	var wg sync.WaitGroup
	for i := range callers {
		wg.Go(func() { errs[i] = spend(t, s, digest(1), now) })
	}
	wg.Wait()
	won := 0
	for _, err := range errs {
		if err == nil {
			won++
			continue
		}
		wantErr(t, err, store.ErrCodeSpent)
	}
	if won != 1 {
		t.Errorf("%d callers spent the code, want 1", won)
	}
}

func newCode(t *testing.T, s store.Store) {
	mustSite(t, s, tannery)
	mustCode(t, s, bar(1), 1)
	mustCode(t, s, bar(2), 2)
	mustCode(t, s, bar(1), 3)
	_, err := s.Enrolment(t.Context(), digest(1), now)
	wantErr(t, err, store.ErrNotFound)
	for _, code := range []byte{2, 3} {
		_, err := s.Enrolment(t.Context(), digest(code), now)
		wantErr(t, err, nil)
	}
}

func createEnrolment(t *testing.T, s store.Store, e store.Enrolment) error {
	t.Helper()
	return s.Commit(t.Context(), store.Commit{Enrolment: &e, Now: now})
}

func spend(t *testing.T, s store.Store, hash [32]byte, at time.Time) error {
	t.Helper()
	return s.Commit(t.Context(), store.Commit{Spent: &hash, Now: at})
}

func mustEnrol(t *testing.T, s store.Store, key store.StationKey, code byte) {
	t.Helper()
	mustCode(t, s, key, code)
	if err := spend(t, s, digest(code), now); err != nil {
		t.Fatal(err)
	}
}

func mustSave(t *testing.T, s store.Store, rows ...store.Presence) {
	t.Helper()
	if err := s.SavePresence(t.Context(), rows); err != nil {
		t.Fatal(err)
	}
}

func listStations(t *testing.T, s store.Store) {
	ctx := t.Context()
	mustSite(t, s, tannery)
	for i := 3; i >= 1; i-- {
		mustEnrol(t, s, bar(i), byte(i))
	}
	mustSave(t, s,
		store.Presence{StationKey: bar(2), SeenAt: now.Add(time.Minute), Body: []byte("newer")},
		store.Presence{StationKey: bar(2), SeenAt: now, Body: []byte("older")},
		store.Presence{StationKey: bar(3), SeenAt: now, Body: []byte("new")})
	station := func(n int) store.Station {
		return store.Station{Member: store.Member{StationKey: bar(n), Region: "north"}, EnrolledAt: now}
	}
	two, three := station(2), station(3)
	two.SeenAt, two.Presence = now.Add(time.Minute), []byte("newer")
	three.SeenAt, three.Presence = now, []byte("new")
	for _, c := range []struct {
		after store.StationKey
		want  []store.Station
	}{{store.StationKey{}, []store.Station{station(1), two}}, {bar(2), []store.Station{three}}, {bar(3), nil}} {
		got, err := s.ListStations(ctx, c.after, 2)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("after %v (-want +got):\n%s", c.after, d)
		}
	}
}

func strangerPresence(t *testing.T, s store.Store) {
	mustSite(t, s, tannery)
	mustEnrol(t, s, bar(1), 1)
	refused := []store.Refusal{{Release: 1, Reason: "OLDER", RefusedAt: now}}
	mustSave(t, s,
		store.Presence{StationKey: bar(9), SeenAt: now, Refusals: refused},
		store.Presence{StationKey: bar(1), SeenAt: now, Body: []byte("here")})
	got, err := s.ListStations(t.Context(), store.StationKey{}, 10)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 1 || string(got[0].Presence) != "here" {
		t.Errorf("stations are %+v, want bar-1 alone", got)
	}
	if rows, err := s.Refusals(t.Context(), bar(9)); err != nil || len(rows) != 0 {
		t.Errorf("refusals of a stranger: %v, %v", rows, err)
	}
}

func refusals(t *testing.T, s store.Store) {
	mustSite(t, s, tannery)
	mustEnrol(t, s, bar(1), 1)
	var all []store.Refusal
	for i := range store.RefusalsKept + 10 {
		all = append(all, store.Refusal{Release: uint64(i), Reason: "BAD_SIGNATURE", Detail: strings.Repeat("x", i), RefusedAt: now.Add(time.Duration(i) * time.Second)})
	}
	for range 2 { // a station repeats its refusals in each presence
		mustSave(t, s, store.Presence{StationKey: bar(1), SeenAt: now, Refusals: all[:8]})
	}
	mustSave(t, s, store.Presence{StationKey: bar(1), SeenAt: now, Refusals: all[8:]})
	want := slices.Clone(all[len(all)-store.RefusalsKept:])
	slices.Reverse(want)
	got, err := s.Refusals(t.Context(), bar(1))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("refusals (-want +got):\n%s", d)
	}
}
