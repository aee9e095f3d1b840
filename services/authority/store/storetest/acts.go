package storetest

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/record"
	"samecup.example/samecup/services/authority/store"
)

// entries makes the next n entries of a chain.
func entries(t *testing.T, c *record.Chain, n int) []record.Entry {
	t.Helper()
	out := make([]record.Entry, n)
	for i := range out {
		e, err := c.Append(now, "ada", "draft_saved", fmt.Appendf(nil, `{"n":%d}`, i))
		if err != nil {
			t.Fatal(err)
		}
		out[i] = e
	}
	return out
}

func count(t *testing.T, s store.Store) (n int) {
	t.Helper()
	for _, err := range s.Entries(t.Context(), 0) {
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	return n
}

func wholeCommit(t *testing.T, s store.Store) {
	var c record.Chain
	two := entries(t, &c, 2)
	bad := store.Commit{
		Entries: two, Blobs: [][]byte{[]byte("name: Latte")}, Sites: []store.Site{tannery},
		// The same number twice cannot be stored.
		Releases: []store.SealedRelease{sealed("chain", 1), sealed("chain", 1)},
	}
	if err := s.Commit(t.Context(), bad); err == nil {
		t.Fatal("two releases of one number were stored")
	}
	if n := count(t, s); n != 0 {
		t.Errorf("%d entries of a commit that failed", n)
	}
	_, err := s.Release(t.Context(), 1)
	wantErr(t, err, store.ErrNotFound)
	_, err = s.Site(t.Context(), tannery.ID)
	wantErr(t, err, store.ErrNotFound)
	_, err = s.Blob(t.Context(), sha256.Sum256([]byte("name: Latte")))
	wantErr(t, err, store.ErrNotFound)
	bad.Releases = bad.Releases[:1]
	if err := s.Commit(t.Context(), bad); err != nil {
		t.Fatal(err)
	}
	if n := count(t, s); n != 2 {
		t.Errorf("%d entries, want 2", n)
	}
	if sites, err := s.Sites(t.Context()); err != nil || len(sites) != 1 || sites[0] != tannery {
		t.Errorf("sites are %v, %v", sites, err)
	}
}

func movedRecord(t *testing.T, s store.Store) {
	var c record.Chain
	mine, theirs := entries(t, &c, 1), entries(t, new(record.Chain), 1)
	if err := s.Commit(t.Context(), store.Commit{Entries: mine}); err != nil {
		t.Fatal(err)
	}
	wantErr(t, s.Commit(t.Context(), store.Commit{Entries: theirs}), store.ErrRecordMoved)
	if err := s.Commit(t.Context(), store.Commit{After: 1, Entries: entries(t, &c, 1)}); err != nil {
		t.Fatal(err)
	}
}

func recordRoundTrip(t *testing.T, s store.Store) {
	var c record.Chain
	want := entries(t, &c, 1203) // more than two pages
	if err := s.Commit(t.Context(), store.Commit{Entries: want}); err != nil {
		t.Fatal(err)
	}
	head, n, err := record.Verify(s.Entries(t.Context(), 0))
	if err != nil || head != c.Head() || n != c.Len() {
		t.Fatalf("%d entries, head %x, %v", n, head[:4], err)
	}
	var got []record.Entry
	for e, err := range s.Entries(t.Context(), 700) {
		if err != nil {
			t.Fatal(err)
		}
		if got = append(got, e); len(got) == 3 {
			break
		}
	}
	if d := cmp.Diff(want[700:703], got); d != "" {
		t.Errorf("after 700 (-want +got):\n%s", d)
	}
}

func blobs(t *testing.T, s store.Store) {
	for _, body := range [][]byte{{}, []byte("id: latte\n"), bytes.Repeat([]byte("x"), 1<<20)} {
		for range 2 { // the same source again is no error
			if err := s.Commit(t.Context(), store.Commit{Blobs: [][]byte{body}}); err != nil {
				t.Fatal(err)
			}
		}
		got, err := s.Blob(t.Context(), sha256.Sum256(body))
		if err != nil || !bytes.Equal(got, body) {
			t.Errorf("%d bytes came back as %d, %v", len(body), len(got), err)
		}
	}
}

func snapshots(t *testing.T, s store.Store) {
	_, err := s.Snapshot(t.Context())
	wantErr(t, err, store.ErrNotFound)
	for n := uint64(1); n <= 2; n++ {
		want := store.Snapshot{Number: n, Head: digest(byte(n)), Body: []byte("{}")}
		if err := s.SaveSnapshot(t.Context(), want); err != nil {
			t.Fatal(err)
		}
		got, err := s.Snapshot(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
	}
}

func documents(t *testing.T, s store.Store) {
	doc := func(subject string, version uint64) store.Document {
		return store.Document{Subject: subject, Version: version, Envelope: fmt.Appendf(nil, "%s %d", subject, version)}
	}
	for _, docs := range [][]store.Document{
		{doc("a.one", 3), doc("a.two", 2), doc("b.one", 9)},
		{doc("a.one", 4), doc("a_x", 1), doc("aaa", 1)},
	} {
		if err := s.SaveDocuments(t.Context(), docs); err != nil {
			t.Fatal(err)
		}
	}
	got, err := s.Documents(t.Context(), "a.")
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]store.Document{doc("a.two", 2), doc("a.one", 4)}, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func course(t *testing.T, s store.Store) {
	point := func(minute int) store.WavePoint {
		return store.WavePoint{At: now.Add(time.Duration(minute) * time.Minute), OpenWaves: 1, Advice: "CANNOT_TELL_YET", Builds: uint64(minute), Deviations: 2,
			LowerBound: -2.25, UpperBound: 2.89, OwnPast: store.WaveComparison{Builds: 900, Deviations: 18, LogLikelihoodRatio: -0.5, Advice: "GO_ON"},
			OtherSites: store.WaveComparison{Builds: 70, Deviations: 1, LogLikelihoodRatio: 0.25, Advice: "CANNOT_TELL_YET"}}
	}
	save := func(edition uint64, p store.WavePoint, dropped ...time.Time) {
		t.Helper()
		if err := s.SaveWavePoint(t.Context(), edition, p, dropped); err != nil {
			t.Fatal(err)
		}
	}
	for _, minute := range []int{5, 1, 9} {
		save(2, point(minute))
	}
	save(3, point(1))
	save(2, point(12), point(5).At)
	changed := point(12)
	changed.OpenWaves = 2
	save(2, changed)
	got, err := s.Course(t.Context(), 2)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]store.WavePoint{point(1), point(9), changed}, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if got, err := s.Course(t.Context(), 7); err != nil || len(got) != 0 {
		t.Errorf("the course of no rollout: %v, %v", got, err)
	}
}
