package store_test

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"samecup.example/samecup/services/quality/store"
)

var noon = time.Date(2026, 11, 2, 12, 0, 0, 0, time.UTC)

// RunSuite is what every Store must pass. The function given opens an empty
// one and closes it when the test ends.
func RunSuite(t *testing.T, open func(t *testing.T) store.Store) {
	for _, test := range []struct {
		name string
		run  func(*testing.T, store.Store)
	}{
		{"a build counts once", testInsertOnce},
		{"many builds at once, some of them known", testInsertMany},
		{"a build comes back as it was stored", testBuildRoundTrip},
		{"what is not there is not found", testNotFound},
		{"a transaction that fails leaves nothing", testRollback},
		{"a station's counts are kept", testStation},
		{"deviations are listed by rising cursor", testDeviations},
		{"builds await their release and are settled once", testAwaiting},
		{"the chain's links come in order, forks are found", testChain},
		{"the first release under a number stays", testRelease},
		{"the first stop list under a version stays, builds await theirs", testStopLists},
		{"trusted state and regions are replaced", testTrustAndRegions},
		{"what is set aside counts once and is cut", testSetAside},
	} {
		t.Run(test.name, func(t *testing.T) { test.run(t, open(t)) })
	}
}

func write(t *testing.T, s store.Store, fn func(store.Tx) error) {
	t.Helper()
	if err := s.Write(t.Context(), fn); err != nil {
		t.Fatal(err)
	}
}

// newBuild makes the n-th build of tannery-row/bar-1.
func newBuild(n int) *store.Build {
	record := fmt.Appendf(nil, "record %d", n)
	hash := sha256.Sum256(record)
	return &store.Build{
		ID: fmt.Sprintf("build-%04d", n), Site: "tannery-row", Station: "bar-1",
		Sequence: uint64(n), Release: 1, Serving: "latte/m/whole", Drink: "latte",
		Started: noon.Add(time.Duration(n) * time.Minute), Received: noon, Grade: 1,
		Hash: hash[:], PreviousHash: []byte{}, Record: record,
	}
}

// insert stores builds under their station.
func insert(t *testing.T, s store.Store, builds ...*store.Build) {
	t.Helper()
	write(t, s, func(tx store.Tx) error {
		for _, b := range builds {
			st, err := tx.Station(b.Site, b.Station)
			if err != nil {
				return err
			}
			b.StationRef = st.Ref
		}
		return tx.InsertBuilds(builds)
	})
}

func testInsertOnce(t *testing.T, s store.Store) {
	first, again, other := newBuild(1), newBuild(1), newBuild(1)
	other.Hash = bytes.Repeat([]byte{7}, 32)
	insert(t, s, first)
	insert(t, s, again)
	insert(t, s, other)
	if first.Duplicate || first.Ref == 0 {
		t.Errorf("first: duplicate %t, ref %d", first.Duplicate, first.Ref)
	}
	if !again.Duplicate || again.Conflict || again.Ref != first.Ref {
		t.Errorf("again: duplicate %t, conflict %t, ref %d; want true, false, %d", again.Duplicate, again.Conflict, again.Ref, first.Ref)
	}
	if !other.Duplicate || !other.Conflict {
		t.Errorf("other bytes: duplicate %t, conflict %t; want both", other.Duplicate, other.Conflict)
	}
}

func testInsertMany(t *testing.T, s store.Store) {
	insert(t, s, newBuild(3), newBuild(70), newBuild(99))
	var builds []*store.Build
	for n := 1; n <= 100; n++ {
		builds = append(builds, newBuild(n))
	}
	insert(t, s, builds...)
	refs := map[int64]bool{}
	for i, b := range builds {
		n := i + 1
		if want := n == 3 || n == 70 || n == 99; b.Duplicate != want || b.Conflict {
			t.Errorf("build %d: duplicate %t, conflict %t; want %t, false", n, b.Duplicate, b.Conflict, want)
		}
		refs[b.Ref] = true
	}
	if len(refs) != 100 {
		t.Errorf("%d refs; want 100", len(refs))
	}
}

func testBuildRoundTrip(t *testing.T, s store.Store) {
	plain, full := newBuild(1), newBuild(2)
	full.Grade, full.Disputed, full.Verdict = 4, true, []byte("verdict")
	full.PreviousHash = plain.Hash
	insert(t, s, plain, full)
	for _, want := range []*store.Build{plain, full} {
		got, err := s.Build(t.Context(), want.ID)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got, cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("build %s (-want +got):\n%s", want.ID, diff)
		}
	}
}

func testNotFound(t *testing.T, s store.Store) {
	if _, err := s.Build(t.Context(), "nobody"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("build: %v; want ErrNotFound", err)
	}
	for _, n := range []uint64{7, store.MaxNumber, 1<<64 - 1} {
		if _, err := s.Release(t.Context(), n); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("release %d: %v; want ErrNotFound", n, err)
		}
	}
}

func testRollback(t *testing.T, s store.Store) {
	failed := errors.New("power cut")
	err := s.Write(t.Context(), func(tx store.Tx) error {
		st, err := tx.Station("tannery-row", "bar-1")
		if err != nil {
			return err
		}
		b := newBuild(1)
		b.StationRef = st.Ref
		if err := tx.InsertBuilds([]*store.Build{b}); err != nil {
			return err
		}
		return failed
	})
	if !errors.Is(err, failed) {
		t.Fatalf("error %v; want %v", err, failed)
	}
	if stations, err := s.Intake(t.Context()); err != nil || len(stations) != 0 {
		t.Errorf("stations %v, error %v; want none", stations, err)
	}
	b := newBuild(1)
	insert(t, s, b)
	if b.Duplicate {
		t.Error("a build that was rolled back is taken for a duplicate")
	}
}

func testStation(t *testing.T, s store.Store) {
	want := store.Station{Site: "tannery-row", Station: "bar-1", Builds: 9, Deviations: 2, Disputed: 1,
		Awaiting: 3, WholeTo: 7, WholeHash: bytes.Repeat([]byte{1}, 32), Highest: 9, BrokenAt: 8}
	write(t, s, func(tx store.Tx) error {
		if _, err := tx.Station("tannery-row", "bar-2"); err != nil {
			return err
		}
		st, err := tx.Station(want.Site, want.Station)
		if err != nil {
			return err
		}
		want.Ref = st.Ref
		return tx.SaveStation(&want)
	})
	got, err := s.Intake(t.Context())
	if err != nil || len(got) != 2 {
		t.Fatalf("%d stations, error %v; want 2", len(got), err)
	}
	if diff := cmp.Diff(want, got[0]); diff != "" {
		t.Errorf("station (-want +got):\n%s", diff)
	}
	if got[1].Station != "bar-2" || got[1].Builds != 0 || len(got[1].WholeHash) != 0 {
		t.Errorf("fresh station %+v", got[1])
	}
}

func testDeviations(t *testing.T, s store.Store) {
	builds := []*store.Build{newBuild(1), newBuild(2), newBuild(3), newBuild(4)}
	builds[1].Drink, builds[2].Site = "mocha", "lantern-hill"
	for _, b := range builds {
		b.Verdict = []byte("off")
	}
	insert(t, s, builds...)
	write(t, s, func(tx store.Tx) error { return tx.AddDeviations(builds[:2]) })
	write(t, s, func(tx store.Tx) error { return tx.AddDeviations(builds[2:]) })
	for _, test := range []struct {
		name string
		q    store.DeviationQuery
		want string
	}{
		{"all", store.DeviationQuery{Limit: 10}, "1 2 3 4 "},
		{"a page", store.DeviationQuery{Limit: 2}, "1 2 "},
		{"of a site", store.DeviationQuery{Limit: 10, Site: "tannery-row"}, "1 2 4 "},
		{"of a drink", store.DeviationQuery{Limit: 10, Drink: "latte"}, "1 3 4 "},
		{"of both", store.DeviationQuery{Limit: 10, Site: "tannery-row", Drink: "latte"}, "1 4 "},
		{"beyond any", store.DeviationQuery{Limit: 10, After: 1<<64 - 1}, ""},
	} {
		rows, err := s.Deviations(t.Context(), test.q)
		if err != nil {
			t.Fatal(err)
		}
		got, last := "", test.q.After
		for _, d := range rows {
			var n int
			fmt.Sscanf(string(d.Record), "record %d", &n)
			got += fmt.Sprint(n, " ")
			if d.Cursor <= last || string(d.Verdict) != "off" || !d.Received.Equal(noon) {
				t.Errorf("%s: deviation %+v after cursor %d", test.name, d, last)
			}
			last = d.Cursor
		}
		if got != test.want {
			t.Errorf("%s: builds %q; want %q", test.name, got, test.want)
		}
	}
	rows, err := s.Deviations(t.Context(), store.DeviationQuery{Limit: 2})
	if err != nil {
		t.Fatal(err)
	}
	rest, err := s.Deviations(t.Context(), store.DeviationQuery{Limit: 10, After: rows[1].Cursor})
	if err != nil || len(rest) != 2 || rest[0].Cursor <= rows[1].Cursor {
		t.Errorf("after the first page: %d, error %v; want the other 2", len(rest), err)
	}
}

func testAwaiting(t *testing.T, s store.Store) {
	builds := []*store.Build{newBuild(1), newBuild(2), newBuild(3), newBuild(4)}
	for _, b := range builds[:3] {
		b.Grade, b.Release = 0, 5
	}
	builds[2].Release = 3
	insert(t, s, builds...)
	if got, err := s.AwaitedReleases(t.Context()); err != nil || !cmp.Equal(got, []uint64{3, 5}) {
		t.Errorf("awaited %v, error %v; want 3, 5", got, err)
	}
	page, err := s.Awaiting(t.Context(), 5, 0, 1)
	if err != nil || len(page) != 1 || page[0].ID != builds[0].ID || page[0].Station != "bar-1" {
		t.Fatalf("first page %v, error %v", page, err)
	}
	page, err = s.Awaiting(t.Context(), 5, page[0].Ref, 10)
	if err != nil || len(page) != 1 || page[0].ID != builds[1].ID {
		t.Fatalf("second page %v, error %v", page, err)
	}
	b := page[0]
	b.Grade, b.Disputed, b.Verdict = 2, true, []byte("off")
	for _, want := range []bool{true, false} {
		write(t, s, func(tx store.Tx) error {
			if was, err := tx.Settle(&b); err != nil || was != want {
				t.Errorf("settled %t, error %v; want %t", was, err, want)
			}
			return nil
		})
	}
	got, err := s.Build(t.Context(), b.ID)
	if err != nil || got.Grade != 2 || !got.Disputed || string(got.Verdict) != "off" {
		t.Errorf("settled build %+v, error %v", got, err)
	}
}

func testChain(t *testing.T, s store.Store) {
	builds := []*store.Build{newBuild(5), newBuild(2), newBuild(4), newBuild(3)}
	fork := newBuild(40)
	fork.Sequence = 4
	insert(t, s, append(builds, fork)...)
	write(t, s, func(tx store.Tx) error {
		links, err := tx.Links(builds[0].StationRef, 2, 3)
		if err != nil {
			return err
		}
		var got []uint64
		for _, l := range links {
			got = append(got, l.Sequence)
		}
		if want := []uint64{3, 4, 4}; !cmp.Equal(got, want) {
			t.Errorf("links %v; want %v", got, want)
		}
		for _, span := range [][3]uint64{{2, 5, 4}, {2, 3, 0}, {5, 9, 0}} {
			if seq, err := tx.Forked(builds[0].StationRef, span[0], span[1]); err != nil || seq != span[2] {
				t.Errorf("fork from %d to %d: %d, error %v; want %d", span[0], span[1], seq, err, span[2])
			}
		}
		return nil
	})
}

func testRelease(t *testing.T, s store.Store) {
	for i, digest := range []string{"first", "second"} {
		write(t, s, func(tx store.Tx) error {
			got, err := tx.InsertRelease(store.Release{Number: 2, Scope: "chain", Digest: []byte(digest), Envelope: []byte{byte(i)}, Received: noon})
			if err == nil && string(got) != "first" {
				t.Errorf("digest %q; want the first", got)
			}
			return err
		})
	}
	if got, err := s.Release(t.Context(), 2); err != nil || !bytes.Equal(got, []byte{0}) {
		t.Errorf("envelope %v, error %v", got, err)
	}
	if got, err := s.ReleaseNumbers(t.Context()); err != nil || !cmp.Equal(got, []uint64{2}) {
		t.Errorf("numbers %v, error %v", got, err)
	}
}

func testSetAside(t *testing.T, s store.Store) {
	large := store.Quarantine{Subject: "a", Reason: "UNREADABLE", Received: noon, Bytes: make([]byte, store.MaxQuarantineBytes+1)}
	empty := store.Quarantine{Subject: "a", Reason: "UNREADABLE", Received: noon}
	elsewhere := store.Quarantine{Subject: "b", Reason: "UNREADABLE", Received: noon}
	for range 2 {
		write(t, s, func(tx store.Tx) error { return tx.SetAside([]store.Quarantine{large, empty, elsewhere}) })
	}
	if n, err := s.Quarantined(t.Context()); err != nil || n != 3 {
		t.Errorf("set aside %d, error %v; want 3", n, err)
	}
}

func testStopLists(t *testing.T, s store.Store) {
	first := store.StopList{Version: 3, Digest: []byte("first"), Envelope: []byte("one"), Received: noon}
	second := first
	second.Digest, second.Envelope = []byte("second"), []byte("two")
	waits := newBuild(1)
	waits.Grade, waits.StopList = 0, 4
	insert(t, s, waits, newBuild(2))
	write(t, s, func(tx store.Tx) error {
		for range 2 {
			if err := tx.AwaitStopList(waits); err != nil {
				return err
			}
		}
		for _, l := range []store.StopList{first, second} {
			if digest, err := tx.InsertStopList(l); err != nil || string(digest) != "first" {
				t.Errorf("digest %q, error %v; want that of the first", digest, err)
			}
		}
		return nil
	})
	if got, err := s.StopList(t.Context(), 3); err != nil || string(got) != "one" {
		t.Errorf("stop list %q, error %v", got, err)
	}
	if _, err := s.StopList(t.Context(), 4); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("an absent list: %v", err)
	}
	if got, err := s.StopLists(t.Context()); err != nil || !cmp.Equal(got, []uint64{3}) {
		t.Errorf("held %v, error %v", got, err)
	}
	if got, err := s.AwaitedStopLists(t.Context()); err != nil || !cmp.Equal(got, []uint64{4}) {
		t.Errorf("awaited %v, error %v", got, err)
	}
	page, err := s.AwaitingStopList(t.Context(), 4, 0, 10)
	if err != nil || len(page) != 1 || page[0].ID != waits.ID || page[0].Site != "tannery-row" {
		t.Fatalf("waiting %v, error %v", page, err)
	}
	if rest, err := s.AwaitingStopList(t.Context(), 4, page[0].Ref, 10); err != nil || len(rest) != 0 {
		t.Errorf("after the last: %v, error %v", rest, err)
	}
	b := page[0]
	b.Grade, b.StopList = 1, 4
	write(t, s, func(tx store.Tx) error { _, err := tx.Settle(&b); return err })
	if got, err := s.AwaitedStopLists(t.Context()); err != nil || len(got) != 0 {
		t.Errorf("awaited once settled: %v, error %v", got, err)
	}
}

func testTrustAndRegions(t *testing.T, s store.Store) {
	if _, err := s.Trust(t.Context()); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("an empty store's trust: %v", err)
	}
	for _, state := range []string{"one", "two"} {
		write(t, s, func(tx store.Tx) error {
			return errors.Join(tx.SaveTrust([]byte(state)), tx.SaveRegion("tannery-row", state), tx.SaveRegion("lantern-hill", ""))
		})
	}
	if got, err := s.Trust(t.Context()); err != nil || string(got) != "two" {
		t.Errorf("trust %q, error %v", got, err)
	}
	got, err := s.Regions(t.Context())
	if want := map[string]string{"tannery-row": "two", "lantern-hill": ""}; err != nil || !cmp.Equal(got, want) {
		t.Errorf("regions %v, error %v", got, err)
	}
}
