package quality

import (
	"bytes"
	"fmt"
	"testing"

	"samecup.example/samecup/internal/bus"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestReleasesAreVerified(t *testing.T) {
	r := newRig(t)
	r.start()
	envelope := bookRelease(t, 1, latte())
	flipped := bytes.Clone(envelope)
	flipped[len(flipped)/2] ^= 1
	r.publish(bus.ReleaseSubject("chain", 3), flipped)
	r.publish(bus.ReleaseSubject("chain", 2), []byte("garbage"))
	r.publish(bus.ReleaseSubject("chain", 1), envelope)
	r.drained()
	other := latte()
	other.Shots = 1
	r.publish(bus.ReleaseSubject("site.tannery-row", 1), bookRelease(t, 1, other)) // the number is taken
	b := newBar(t, "tannery-row", "bar-1")
	r.builds(b, b.log(nil))
	r.counted(3, &pb.StationIntake{Site: b.site, Station: b.station, Builds: 1, WholeToSequence: 1, HighestSequence: 1})
}

func TestReleasesAreReadAgainForANewDatabase(t *testing.T) {
	r := newRig(t)
	r.publishRelease(1)
	r.start()
	r.drained()
	r.stop()
	r.dir = t.TempDir()
	r.start()
	b := newBar(t, "tannery-row", "bar-1")
	r.builds(b, b.log(fast))
	eventually(t, func() string {
		got, err := r.client.GetIntake(t.Context(), &pb.GetIntakeRequest{})
		if err != nil || len(got.Stations) != 1 || got.Stations[0].Deviations != 1 {
			return fmt.Sprintf("intake %v, error %v; want one deviation", got, err)
		}
		return ""
	})
}

func TestAReleaseMayComeWhileBuildsAreJudged(t *testing.T) {
	r := newRig(t)
	r.open()
	b := newBar(t, "tannery-row", "bar-1")
	chunk, err := prepareAll(t.Context(), r.svc, []*fakeMessage{{bus.BuildSubject(b.site, b.station), b.batch(b.log(fast))}})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.svc.takeRelease(t.Context(), bus.ReleaseSubject("chain", 1), bookRelease(t, 1, latte())); err != nil {
		t.Fatal(err)
	}
	if err := r.svc.commit(t.Context(), chunk); err != nil {
		t.Fatal(err)
	}
	got, err := r.svc.store.Intake(t.Context())
	if err != nil || len(got) != 1 || got[0].Awaiting != 0 || got[0].Deviations != 1 {
		t.Errorf("intake %+v, error %v; want a deviation and none awaiting", got, err)
	}
}

type fakeMessage struct {
	subject string
	data    []byte
}

func (m *fakeMessage) Subject() string { return m.subject }
func (m *fakeMessage) Data() []byte    { return m.data }
func (m *fakeMessage) Ack() error      { return nil }

func TestCompiledBooksAreBounded(t *testing.T) {
	r := newRig(t)
	r.open()
	for n := uint64(1); n <= maxSets+5; n++ {
		if err := r.svc.takeRelease(t.Context(), bus.ReleaseSubject("chain", n), bookRelease(t, n, latte())); err != nil {
			t.Fatal(err)
		}
	}
	if n := r.svc.books.recent.Len(); n != maxSets || len(r.svc.books.sets) != maxSets {
		t.Errorf("%d compiled books in memory, %d in the index; want %d", n, len(r.svc.books.sets), maxSets)
	}
	if set, err := r.svc.books.book(t.Context(), 1); err != nil || set == nil {
		t.Errorf("the oldest release: %v, error %v; want it compiled again", set, err)
	}
	if set, err := r.svc.books.book(t.Context(), 99); err != nil || set != nil {
		t.Errorf("a release that is not here: %v, error %v; want none", set, err)
	}
}
