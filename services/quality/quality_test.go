package quality

import (
	"bytes"
	"fmt"
	"testing"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestWhatComesTwiceCountsOnce(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	one, two := b.log(nil), b.log(fast)
	for range 2 {
		r.builds(b, one, two)
		r.deviation(b, two)
		r.builds(b, two)
	}
	r.counted(0, &pb.StationIntake{Site: "tannery-row", Station: "bar-1", Builds: 2, Deviations: 1, WholeToSequence: 2, HighestSequence: 2})
}

func TestADeviationMayComeBeforeItsBatch(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	one, two, three, four := b.log(nil), b.log(nil), b.log(fast), b.log(nil)
	r.deviation(b, three)
	r.counted(0, &pb.StationIntake{Site: "tannery-row", Station: "bar-1", Builds: 1, Deviations: 1, HighestSequence: 3})
	r.builds(b, one, two, three, four)
	r.counted(0, &pb.StationIntake{Site: "tannery-row", Station: "bar-1", Builds: 4, Deviations: 1, WholeToSequence: 4, HighestSequence: 4})
}

func TestRecordsMayComeInAnyOrder(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	var records [][]byte
	for range 30 {
		records = append(records, b.log(nil))
	}
	for i := range records {
		if i = len(records) - 1 - i; i != 14 {
			r.builds(b, records[i])
		}
	}
	r.counted(0, &pb.StationIntake{Site: "tannery-row", Station: "bar-1", Builds: 29, WholeToSequence: 14, HighestSequence: 30})
	r.builds(b, records[14])
	r.counted(0, &pb.StationIntake{Site: "tannery-row", Station: "bar-1", Builds: 30, WholeToSequence: 30, HighestSequence: 30})
}

func TestBuildsWaitForTheirRelease(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	b.release = 2
	bad := b.log(fast)
	r.builds(b, b.batchless(bad, 2)...)
	r.counted(0, &pb.StationIntake{Site: "tannery-row", Station: "bar-1", Builds: 3, AwaitingRelease: 3, WholeToSequence: 3, HighestSequence: 3})
	id := fmt.Sprintf("tannery-row/bar-1/%08d", 1)
	res, err := r.client.GetBuild(t.Context(), &pb.GetBuildRequest{Id: id})
	if err != nil || res.Verdict != nil || res.Record.GetSequence() != 1 {
		t.Errorf("before the release: %v, error %v; want a record without verdict", res, err)
	}
	r.publishRelease(2)
	r.counted(0, &pb.StationIntake{Site: "tannery-row", Station: "bar-1", Builds: 3, Deviations: 1, WholeToSequence: 3, HighestSequence: 3})
	res, err = r.client.GetBuild(t.Context(), &pb.GetBuildRequest{Id: id})
	if err != nil || res.Verdict.GetGrade() != pb.Grade_GRADE_OFF_SPEC || len(res.Verdict.GetFindings()) != 1 {
		t.Errorf("after the release: %v, error %v; want off spec", res, err)
	}
}

// batchless is the record given and n good ones after it.
func (b *bar) batchless(first []byte, n int) [][]byte {
	out := [][]byte{first}
	for range n {
		out = append(out, b.log(nil))
	}
	return out
}

func TestADifferentVerdictIsDisputed(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	hidden := b.record(fast)
	hidden.Verdict = &pb.Verdict{Grade: pb.Grade_GRADE_IN_SPEC}
	invented := b.record(nil)
	invented.Verdict = &pb.Verdict{Grade: pb.Grade_GRADE_OFF_SPEC}
	first := b.write(hidden)
	invented.PreviousHash = b.last
	r.builds(b, first, b.write(invented))
	r.counted(0, &pb.StationIntake{Site: "tannery-row", Station: "bar-1", Builds: 2, Deviations: 1, Disputed: 2, WholeToSequence: 2, HighestSequence: 2})
	list, err := r.client.ListDeviations(t.Context(), &pb.ListDeviationsRequest{})
	if err != nil || len(list.Deviations) != 1 || !list.Deviations[0].Disputed || len(list.Deviations[0].Verdict.Findings) != 1 {
		t.Errorf("deviations %v, error %v; want the hidden one, disputed", list, err)
	}
}

func TestABrokenChainIsFlaggedAndCounted(t *testing.T) {
	for _, test := range []struct {
		name string
		// records returns what arrives.
		records func(*bar) [][]byte
		want    *pb.StationIntake
	}{
		{"an edited record breaks the chain after it", func(b *bar) [][]byte {
			one := b.log(nil)
			two := b.record(nil)
			b.write(two) // three goes on from the true bytes
			two.Build.By = "b-99"
			return [][]byte{one, marshal(b.t, two), b.log(nil), b.log(nil)}
		}, &pb.StationIntake{Builds: 4, WholeToSequence: 2, HighestSequence: 4, ChainBrokenAt: 3}},
		{"a first record that claims a predecessor", func(b *bar) [][]byte {
			b.last = make([]byte, 32)
			return [][]byte{b.log(nil)}
		}, &pb.StationIntake{Builds: 1, HighestSequence: 1, ChainBrokenAt: 1}},
		{"a station that starts again at 1", func(b *bar) [][]byte {
			one, two := b.log(nil), b.log(nil)
			b.sequence, b.last = 0, nil
			again := b.log(func(d *drink.Build) { d.ID = "again" })
			return [][]byte{one, two, again}
		}, &pb.StationIntake{Builds: 3, WholeToSequence: 2, HighestSequence: 2, ChainBrokenAt: 1}},
		{"two records under one sequence, both early", func(b *bar) [][]byte {
			one, last := b.log(nil), b.last
			two := b.log(nil)
			kept := *b
			b.sequence, b.last = 1, last
			fork := b.log(func(d *drink.Build) { d.ID = "fork" })
			return [][]byte{fork, two, kept.log(nil), one}
			// The one that came first is followed, and three is not its heir.
		}, &pb.StationIntake{Builds: 4, WholeToSequence: 2, HighestSequence: 3, ChainBrokenAt: 2}},
	} {
		t.Run(test.name, func(t *testing.T) {
			r := newRig(t)
			r.start()
			r.publishRelease(1)
			b := newBar(t, "tannery-row", "bar-1")
			r.builds(b, test.records(b)...)
			test.want.Site, test.want.Station = b.site, b.station
			r.counted(0, test.want)
		})
	}
}

func TestWhatCannotBeBelievedIsSetAside(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	b, other := newBar(t, "tannery-row", "bar-1"), newBar(t, "lantern-hill", "bar-1")
	good := b.log(nil)
	subject := bus.BuildSubject(b.site, b.station)

	r.publish(subject, bytes.Repeat([]byte{0xff}, 1<<20))               // 1: garbage
	r.publish(subject, other.batch(other.log(nil)))                     // 2: another station's batch
	r.publish(subject, b.batch(other.log(nil)))                         // 3: another station's record in it
	r.deviation(b, []byte("not a record"))                              // 4
	r.deviation(b, nil)                                                 // 5: an empty message
	r.builds(b, []byte{0x0a, 0x7f}, good)                               // 6: one bad record beside a good one
	r.builds(b, marshal(t, &pb.BuildRecord{Build: &pb.Build{Id: "x"}})) // 7: another station, no site at all
	for _, change := range []func(*pb.BuildRecord){
		func(m *pb.BuildRecord) { m.Sequence = 0 },               // 8
		func(m *pb.BuildRecord) { m.Sequence = 1 << 63 },         // 9
		func(m *pb.BuildRecord) { m.Build.Release = 1 << 63 },    // 10
		func(m *pb.BuildRecord) { m.LoggedTime = nil },           // 11
		func(m *pb.BuildRecord) { m.PreviousHash = []byte{1} },   // 12
		func(m *pb.BuildRecord) { m.Build.Id = "" },              // 13
		func(m *pb.BuildRecord) { m.Build.Id = "a\x00b" },        // 14
		func(m *pb.BuildRecord) { m.Build.Shots = -1 },           // 15
		func(m *pb.BuildRecord) { m.Build = nil },                // 16
		func(m *pb.BuildRecord) { m.Build.Station = "bar-2" },    // 17
		func(m *pb.BuildRecord) { m.Build.By = "altered after" }, // 18: under a counted id
	} {
		rec := new(pb.BuildRecord)
		if err := proto.Unmarshal(good, rec); err != nil {
			t.Fatal(err)
		}
		change(rec)
		r.builds(b, marshal(t, rec))
	}
	r.builds(b, b.log(nil))
	r.counted(18, &pb.StationIntake{Site: b.site, Station: b.station, Builds: 2, WholeToSequence: 2, HighestSequence: 2})
}

func TestACrashBetweenCommitAndAcknowledgementCountsOnce(t *testing.T) {
	r := newRig(t)
	r.open()
	if err := r.svc.takeRelease(t.Context(), bus.ReleaseSubject("chain", 1), bookRelease(t, 1, latte())); err != nil {
		t.Fatal(err)
	}
	b := newBar(t, "tannery-row", "bar-1")
	r.builds(b, b.log(nil), b.log(fast))
	c, err := bus.EnsureIntakeConsumer(t.Context(), r.js, bus.StreamBuilds, consumerName)
	if err != nil {
		t.Fatal(err)
	}
	msg, err := c.Next()
	if err != nil {
		t.Fatal(err)
	}
	chunk, err := prepareAll(t.Context(), r.svc, []jetstream.Msg{msg})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.svc.commit(t.Context(), chunk); err != nil {
		t.Fatal(err)
	}
	r.stop()
	// Stands in for the consumer's wait, which is too long for a test.
	if err := msg.Nak(); err != nil {
		t.Fatal(err)
	}
	r.start()
	r.builds(b, b.log(nil))
	r.counted(0, &pb.StationIntake{Site: b.site, Station: b.station, Builds: 3, Deviations: 1, WholeToSequence: 3, HighestSequence: 3})
}

func TestStationsPublishWhileQualityIsDown(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	r.builds(b, b.log(nil))
	r.drained()
	r.stop()
	for range 200 {
		record := b.log(fast)
		r.deviation(b, record)
		r.builds(b, record, b.log(nil))
	}
	r.start()
	r.counted(0, &pb.StationIntake{Site: b.site, Station: b.station, Builds: 401, Deviations: 200, WholeToSequence: 401, HighestSequence: 401})
}

func TestADeletedConsumerIsMadeAgain(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	r.builds(b, b.log(nil))
	r.drained()
	if err := r.js.DeleteConsumer(t.Context(), bus.StreamBuilds, consumerName); err != nil {
		t.Fatal(err)
	}
	r.builds(b, b.log(nil))
	r.counted(0, &pb.StationIntake{Site: b.site, Station: b.station, Builds: 2, WholeToSequence: 2, HighestSequence: 2})
}

func TestTheBusGoesAwayAndComesBack(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	b := newBar(t, "tannery-row", "bar-1")
	r.builds(b, b.log(nil))
	r.drained()
	port := r.busPort()
	r.server.Shutdown()
	eventually(t, func() string {
		if r.nc.IsConnected() {
			return "still connected to a bus that is gone"
		}
		return ""
	})
	r.startBus(port)
	eventually(t, func() string {
		if !r.nc.IsConnected() {
			return "not connected again"
		}
		return ""
	})
	r.builds(b, b.log(fast))
	r.counted(0, &pb.StationIntake{Site: b.site, Station: b.station, Builds: 2, Deviations: 1, WholeToSequence: 2, HighestSequence: 2})
}
