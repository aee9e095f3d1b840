package quality

import (
	"crypto/sha256"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

// Reasons for setting a message or a record aside.
const (
	reasonUnreadable  = "UNREADABLE"
	reasonWrongOrigin = "WRONG_ORIGIN"
	reasonBadField    = "BAD_FIELD"
	reasonIDConflict  = "ID_CONFLICT"
	reasonNumberTaken = "NUMBER_TAKEN"
)

// refusal tells why a record is set aside.
type refusal struct{ reason, detail string }

func (r *refusal) Error() string { return r.reason + ": " + r.detail }

func refuse(reason, format string, args ...any) *refusal {
	return &refusal{reason: reason, detail: fmt.Sprintf(format, args...)}
}

// judge reads and judges records, reusing its memory. Not for concurrent use.
type judge struct {
	build   drink.Build
	verdict verdict.Verdict
}

// rules are what one build is judged by.
type rules struct {
	book  *rulebook
	stops *release.Stops
}

// lookup finds the rules for a build of a site; nil where its release or its
// stop list is not here.
type lookup func(b *store.Build) *rules

// record turns a record's bytes into the row to store, judged where its
// release and its stop list are here. The row shares memory with data. Site and station are those
// that the message's subject names. An error is a *refusal.
func (j *judge) record(site, station string, data []byte, find lookup) (b *store.Build, err error) {
	defer func() {
		// One record must not take the intake down, whatever is in it.
		if p := recover(); p != nil {
			b, err = nil, refuse(reasonUnreadable, "judging it failed: %v", p)
		}
	}()
	var rec pb.BuildRecord
	if err := proto.Unmarshal(data, &rec); err != nil {
		return nil, refuse(reasonUnreadable, "not a build record: %v", err)
	}
	if err := j.admit(site, station, &rec); err != nil {
		return nil, err
	}
	hash := sha256.Sum256(data)
	drinkID, _, _ := strings.Cut(j.build.Serving, "/")
	b = &store.Build{
		ID: j.build.ID, Site: site, Station: station,
		Sequence: rec.Sequence, Release: j.build.Release,
		Serving: j.build.Serving, Drink: drinkID, Started: j.build.StartedAt,
		Corrects: j.build.Corrects, StopList: j.build.StopList, Hash: hash[:], PreviousHash: rec.PreviousHash, Record: data,
	}
	if by := find(b); by != nil {
		return b, j.judge(b, rec.Verdict, rec.LoggedTime.AsTime(), by)
	}
	return b, nil
}

// admit checks what the store and the chain take for granted.
func (j *judge) admit(site, station string, rec *pb.BuildRecord) error {
	if err := wire.BuildFromProto(rec.Build, &j.build); err != nil {
		return refuse(reasonBadField, "%v", err)
	}
	switch b := &j.build; {
	case b.Site != site || b.Station != station:
		return refuse(reasonWrongOrigin, "build %q says it is from %s/%s, but came from %s/%s", b.ID, b.Site, b.Station, site, station)
	case b.ID == "":
		return refuse(reasonBadField, "build.id: it is empty; a UUID is needed")
	case strings.ContainsRune(b.ID, 0) || strings.ContainsRune(b.Serving, 0) || strings.ContainsRune(b.Corrects, 0):
		return refuse(reasonBadField, "build.id, build.serving or build.corrects holds a NUL character")
	case b.Corrects == b.ID:
		return refuse(reasonBadField, "build.corrects: build %q says that it corrects itself; name the build that it replaces", b.ID)
	case rec.Sequence == 0 || rec.Sequence > store.MaxNumber:
		return refuse(reasonBadField, "sequence: %d is not allowed; records count from 1", rec.Sequence)
	case b.Release > store.MaxNumber:
		return refuse(reasonBadField, "build.release: %d is beyond what can be stored", b.Release)
	case b.StopList > store.MaxNumber:
		return refuse(reasonBadField, "build.stop_list: %d is beyond what can be stored", b.StopList)
	case len(rec.PreviousHash) != 0 && len(rec.PreviousHash) != sha256.Size:
		return refuse(reasonBadField, "previous_hash: %d bytes are not allowed; it has 32, or none in the first record", len(rec.PreviousHash))
	case rec.LoggedTime.CheckValid() != nil:
		return refuse(reasonBadField, "logged_time: it is missing or out of range")
	}
	return nil
}

// stored judges a build that was stored before its release or its stop list
// came. False where find finds no rules even now; StopList is set all the same.
func (j *judge) stored(b *store.Build, find lookup) (bool, error) {
	var rec pb.BuildRecord
	if err := proto.Unmarshal(b.Record, &rec); err != nil {
		return false, fmt.Errorf("read the record: %w", err)
	}
	if err := wire.BuildFromProto(rec.Build, &j.build); err != nil {
		return false, err
	}
	b.StopList = j.build.StopList
	by := find(b)
	if by == nil {
		return false, nil
	}
	return true, j.judge(b, rec.Verdict, rec.LoggedTime.AsTime(), by)
}

// judge judges j.build and writes the outcome into b. The clock is the
// station's at the time of logging, so that both verdicts can agree.
func (j *judge) judge(b *store.Build, theirs *pb.Verdict, logged time.Time, by *rules) error {
	by.book.set.Judge(&j.build, logged, &j.verdict)
	by.stops.Judge(by.book.servings[j.build.Serving], &j.build, &j.verdict)
	if j.verdict.Grade == verdict.InSpec {
		b.Grade = int32(pb.Grade_GRADE_IN_SPEC)
		b.Disputed = theirs.GetGrade() != pb.Grade_GRADE_IN_SPEC || len(theirs.GetFindings()) > 0
		return nil
	}
	ours := wire.VerdictToProto(&j.verdict)
	b.Grade = int32(ours.Grade)
	b.Disputed = !wire.VerdictEqual(theirs, ours)
	var err error
	if b.Verdict, err = proto.Marshal(ours); err != nil {
		return refuse(reasonUnreadable, "write its verdict: %v", err)
	}
	return nil
}

// centreVerdict is the verdict as recomputed here; nil while the release is
// not here.
func centreVerdict(grade int32, stored []byte) (*pb.Verdict, error) {
	if grade == 0 {
		return nil, nil
	}
	v := &pb.Verdict{Grade: pb.Grade(grade)}
	if stored == nil {
		return v, nil
	}
	if err := proto.Unmarshal(stored, v); err != nil {
		return nil, fmt.Errorf("read a stored verdict: %w", err)
	}
	return v, nil
}
