package store

import (
	"errors"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func openCases(t *testing.T) *SQL {
	t.Helper()
	s, err := OpenSQLite(t.Context(), filepath.Join(t.TempDir(), "q.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func TestCaseworkIsSavedAsAWholeOrNotAtAll(t *testing.T) {
	s := openCases(t)
	ctx := t.Context()
	c := &CaseChange{Cursor: 7, Head: []byte("h"), Parts: map[string][]byte{"a": []byte("1"), "b": []byte("2")},
		Cases:   []CaseRow{{ID: "C-1", Rank: "2", Open: true, Sites: []string{"x"}, Body: []byte("one")}, {ID: "C-2", Rank: "1", Body: []byte("two")}},
		Signals: []SignalRow{{ID: "s1", CaseID: "C-1", Kind: "level", Site: "x", Seen: time.UnixMilli(5), Body: []byte("{}")}}}
	v, err := s.SaveCasework(ctx, c)
	if err != nil || v != 1 {
		t.Fatalf("version %d: %v", v, err)
	}
	if _, err := s.SaveCasework(ctx, c); !errors.Is(err, ErrStale) {
		t.Errorf("saving on version 0 again: %v", err)
	}
	if _, err := s.SaveCasework(ctx, &CaseChange{Version: 1, Cursor: 9, Head: []byte("h2"), Parts: map[string][]byte{"a": nil}, Forgotten: []string{"C-2"}}); err != nil {
		t.Fatal(err)
	}
	got, err := s.LoadCasework(ctx)
	if err != nil {
		t.Fatal(err)
	}
	want := &CaseState{Cursor: 9, Version: 2, Head: []byte("h2"), Parts: map[string][]byte{"b": []byte("2")},
		Cases: []CaseRow{{ID: "C-1", Rank: "2", Open: true, Body: []byte("one")}}}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	for _, tc := range []struct {
		q    CaseQuery
		want int
	}{{CaseQuery{Limit: 9, Site: "x", OpenOnly: true}, 1}, {CaseQuery{Limit: 9, Site: "y"}, 0}, {CaseQuery{Limit: 9, AfterRank: "2"}, 0}} {
		if list, err := s.ListCases(ctx, tc.q); err != nil || len(list) != tc.want {
			t.Errorf("%+v: %d cases, %v; want %d", tc.q, len(list), err, tc.want)
		}
	}
}

func TestAnActIsDoneOnce(t *testing.T) {
	s := openCases(t)
	ctx := t.Context()
	if _, err := s.SaveCasework(ctx, &CaseChange{Cases: []CaseRow{{ID: "C-1", Body: []byte("0")}}}); err != nil {
		t.Fatal(err)
	}
	calls := 0
	at := time.Date(2026, 11, 2, 8, 0, 0, 0, time.UTC)
	act := func(request, digest, id string, fail error) (string, error) {
		out, err := s.ActOnCase(ctx, CaseAct{RequestID: request, Digest: []byte(digest), CaseID: id, At: at}, func(_, body []byte) (CaseRow, []byte, error) {
			calls++
			return CaseRow{ID: id, Body: append(body, '1')}, []byte("answer " + request), fail
		})
		return string(out), err
	}
	refused := errors.New("refused")
	if _, err := act("r0", "d", "C-1", refused); !errors.Is(err, refused) {
		t.Error(err)
	}
	for range 2 {
		if out, err := act("r1", "d", "C-1", nil); err != nil || out != "answer r1" {
			t.Errorf("%q, %v", out, err)
		}
	}
	if _, err := act("r1", "other", "C-1", nil); !errors.Is(err, ErrRequestReused) {
		t.Error(err)
	}
	if _, err := act("r2", "d", "C-9", nil); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	k, err := s.Case(ctx, "C-1")
	if err != nil || string(k.Body) != "01" || calls != 2 {
		t.Errorf("%q after %d calls, %v; want 01 after 2", k.Body, calls, err)
	}
	if v, err := s.CaseVersion(ctx); err != nil || v != 2 {
		t.Errorf("version %d, %v; want 2", v, err)
	}
	// An answer is forgotten once nobody can be waiting for it.
	at = at.Add(answersKept + time.Hour)
	for _, request := range []string{"r3", "r1"} {
		if _, err := act(request, "other", "C-1", nil); err != nil {
			t.Errorf("%s after all this time: %v", request, err)
		}
	}
}
