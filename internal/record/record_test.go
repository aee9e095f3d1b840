package record_test

import (
	"errors"
	"iter"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/record"
)

func entries(es []record.Entry) iter.Seq2[record.Entry, error] {
	return func(yield func(record.Entry, error) bool) {
		for _, e := range es {
			if !yield(e, nil) {
				return
			}
		}
	}
}

func written(t rapid.TB, n int) ([]record.Entry, record.Chain) {
	t.Helper()
	var c record.Chain
	var es []record.Entry
	at := time.Date(2026, 10, 25, 5, 0, 0, 0, time.UTC)
	for i := range n {
		e, err := c.Append(at.Add(time.Duration(i)*time.Second), "ada", "draft.saved", []byte(`{"draft":"autumn-menu"}`))
		if err != nil {
			t.Fatal(err)
		}
		es = append(es, e)
	}
	return es, c
}

func TestAWholeRecordVerifies(t *testing.T) {
	for _, n := range []int{0, 1, 2, 50} {
		es, c := written(t, n)
		head, got, err := record.VerifyTo(entries(es), c.Len(), c.Head())
		if err != nil || head != c.Head() || got != uint64(n) {
			t.Fatalf("n %d: %d entries, %v", n, got, err)
		}
	}
}

func TestResumeGoesOnWhereTheRecordEnds(t *testing.T) {
	es, c := written(t, 3)
	r := record.Resume(c.Len(), c.Head())
	e, err := r.Append(time.Now(), "ben", "stop.ordered", []byte("{}"))
	if err != nil {
		t.Fatal(err)
	}
	if _, n, err := record.Verify(entries(append(es, e))); err != nil || n != 4 {
		t.Fatal(n, err)
	}
}

func TestAppendWantsActorAndKind(t *testing.T) {
	var c record.Chain
	if _, err := c.Append(time.Now(), "", "x", nil); err == nil || c.Len() != 0 {
		t.Fatal("an entry by nobody was taken")
	}
}

// Any damage to any entry is found, and named no later than the entry after
// it.
func TestDamageIsFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		es, c := written(t, rapid.IntRange(2, 12).Draw(t, "n"))
		whole := slices.Clone(es)
		i := rapid.IntRange(0, len(es)-1).Draw(t, "entry")
		j := rapid.IntRange(0, len(es)-1).Draw(t, "other")
		flip := func(b []byte) {
			k := rapid.IntRange(0, len(b)-1).Draw(t, "byte")
			b[k] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
		}
		first := i
		switch how := rapid.SampledFrom([]string{"body", "hash", "previous", "actor", "kind", "number", "time", "nanoseconds", "drop", "swap", "insert", "rehash", "cut"}).Draw(t, "how"); how {
		case "body":
			es[i].Body = slices.Clone(es[i].Body)
			flip(es[i].Body)
		case "hash":
			flip(es[i].Hash[:])
		case "previous":
			flip(es[i].Previous[:])
		case "actor":
			b := []byte(es[i].Actor)
			flip(b)
			es[i].Actor = string(b)
		case "kind":
			// The same bytes, split elsewhere between two fields.
			es[i].Actor, es[i].Kind = es[i].Actor+es[i].Kind[:1], es[i].Kind[1:]
		case "number":
			es[i].Number ^= 1 << rapid.IntRange(0, 63).Draw(t, "bit")
		case "time":
			es[i].At = es[i].At.Add(time.Microsecond)
		case "nanoseconds":
			es[i].At = es[i].At.Add(time.Nanosecond)
		case "drop":
			es = slices.Delete(es, i, i+1)
		case "swap":
			if i == j {
				t.Skip("nothing is swapped")
			}
			es[i], es[j] = es[j], es[i]
			first = min(i, j)
		case "insert":
			es = slices.Insert(es, i, whole[j])
			if i == j {
				first = i + 1
			}
		case "rehash":
			// A forger who can write hashes still cannot mend what follows.
			es[i].Body = []byte(`{"draft":"other"}`)
			es[i].Hash = es[i].Sum()
			first = i + 1
		case "cut":
			es = es[:i]
		}
		_, n, err := record.VerifyTo(entries(es), c.Len(), c.Head())
		if err == nil {
			t.Fatal("the damage was not found")
		}
		var broken *record.Broken
		switch {
		case errors.As(err, &broken):
			if broken.Number != n+1 && first != len(es) {
				t.Fatalf("%v, and %d held", err, n)
			}
			if first < len(es) && broken.Number != uint64(first+1) {
				t.Fatalf("entry %d is damaged, and the error names %v", first+1, err)
			}
		case !errors.Is(err, record.ErrCut):
			t.Fatal(err)
		}
	})
}

func TestReadingErrorsAreNotDamage(t *testing.T) {
	gone := errors.New("disk gone")
	es, _ := written(t, 2)
	_, n, err := record.Verify(func(yield func(record.Entry, error) bool) {
		_ = yield(es[0], nil) && yield(record.Entry{}, gone)
	})
	var broken *record.Broken
	if !errors.Is(err, gone) || errors.As(err, &broken) || n != 1 {
		t.Fatal(n, err)
	}
}
