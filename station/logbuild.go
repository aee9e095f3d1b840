package station

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/shelf"
	"samecup.example/samecup/station/store"
)

// MaxBuildBytes bounds one build as sent, bytes; a full log of a drink takes
// about one thousand.
const MaxBuildBytes = 256 << 10

// work is what judging one build needs, reused.
type work struct {
	build   drink.Build
	verdict verdict.Verdict
	buf     []byte
}

// LogBuild judges a build and answers after build and verdict are on disk. The
// same id with the same content returns the first answer. A serving that the
// release does not have is logged with a finding: what was made is not lost.
func (a *Agent) LogBuild(ctx context.Context, req *pb.LogBuildRequest) (*pb.LogBuildResponse, error) {
	m := req.GetBuild()
	entry, res, err := a.judge(m)
	if err != nil {
		return nil, err
	}
	receipt, err := a.store.Append(ctx, entry)
	switch {
	case err == nil && receipt.First != nil:
		return a.again(m, receipt.First)
	case err == nil:
		res.Sequence = receipt.Sequence
		return res, nil
	case ctx.Err() != nil:
		return nil, err
	case errors.Is(err, store.ErrClosed):
		return nil, rpc.Fail(codes.Unavailable, "STATION_STOPPING", "the station is stopping; send the build again", nil)
	}
	a.log.Error("a build cannot be stored", zap.String("build", m.GetId()), zap.Error(err))
	return nil, rpc.Fail(codes.Unavailable, "LOG_UNAVAILABLE", "the build was not logged: "+cannotStore(a.cfg.Dir, err), nil)
}

// judge checks and judges a build and makes what is to be stored and answered.
func (a *Agent) judge(m *pb.Build) (store.Entry, *pb.LogBuildResponse, error) {
	w := a.work.Get().(*work)
	defer a.work.Put(w)
	now := a.cfg.Now()
	id, err := a.read(m, &w.build)
	if err != nil {
		return store.Entry{}, nil, err
	}
	held, err := a.judgeBy(&w.build, now)
	if err != nil {
		return store.Entry{}, nil, err
	}
	stops, err := a.stopsOf(&w.build)
	if err != nil {
		return store.Entry{}, nil, err
	}
	held.Set.Judge(&w.build, now, &w.verdict)
	stops.Judge(held.Serving(w.build.Serving), &w.build, &w.verdict)
	a.used.note(held.Number, now)
	v := wire.VerdictToProto(&w.verdict)
	body, err := w.record(m, v, now)
	if err != nil {
		return store.Entry{}, nil, err
	}
	return store.Entry{ID: id, Body: body, Deviation: w.verdict.Grade != verdict.InSpec, Time: now},
		&pb.LogBuildResponse{Verdict: v, Release: held.Number}, nil
}

// read checks a build and fills b in from it.
func (a *Agent) read(m *pb.Build, b *drink.Build) ([16]byte, error) {
	if m == nil {
		return [16]byte{}, rpc.Invalid(rpc.Violation{Field: "build", Description: "it is missing; send the build to be logged"})
	}
	var found []rpc.Violation
	bad := func(field, format string, args ...any) {
		found = append(found, rpc.Violation{Field: "build." + field, Description: fmt.Sprintf(format, args...)})
	}
	id, err := parseID(m.GetId())
	if err != nil {
		bad("id", "%q is not allowed: write a UUID such as 018f2c5e-0000-7000-8000-000000000000, in lower case, new for each build", clip(strings.ToValidUTF8(m.GetId(), "?")))
	}
	if err := wire.BuildFromProto(m, b); err != nil {
		fe, ok := errors.AsType[*wire.FieldError](err)
		if !ok {
			return id, fmt.Errorf("read a build: %w", err)
		}
		bad(fe.Field, "%s is not allowed: %s", strings.ToValidUTF8(fe.Value, "?"), fe.Allowed)
		return id, rpc.Invalid(found...)
	}
	if b.Site == "" {
		b.Site = a.id.Site
	} else if b.Site != a.id.Site {
		bad("site", "%q is not this station's: write %q, leave it empty, or send the build to its own station", b.Site, a.id.Site)
	}
	if b.Station == "" {
		b.Station = a.id.Station
	} else if b.Station != a.id.Station {
		bad("station", "%q is not this station: write %q, leave it empty, or send the build to its own station", b.Station, a.id.Station)
	}
	if b.Serving == "" {
		bad("serving", "it is empty: write a serving such as latte/cup")
	}
	if m.GetStartedTime() == nil {
		bad("started_time", "it is missing: write when the build began")
	}
	if len(found) > 0 {
		return id, rpc.Invalid(found...)
	}
	return id, nil
}

// parseID reads a UUID in its canonical form alone, so that one build has one
// id.
func parseID(s string) ([16]byte, error) {
	if len(s) != 36 || strings.ToLower(s) != s {
		return [16]byte{}, errors.New("not canonical")
	}
	id, err := uuid.Parse(s)
	return id, err
}

// judgeBy finds the release that the build names, or the one in force when it
// began, and writes its number into the build.
func (a *Agent) judgeBy(b *drink.Build, now time.Time) (*shelf.Held, error) {
	if b.Release != 0 {
		if h := a.shelf.ByNumber(b.Release); h != nil {
			return h, nil
		}
	}
	o := a.shelf.For(b.StartedAt, now)
	if o == nil {
		return nil, noRelease()
	}
	if b.Release != 0 {
		return nil, rpc.Invalid(rpc.Violation{Field: "build.release", Description: fmt.Sprintf("release %d is not held here: write %d, which was in force when the build began, or 0", b.Release, o.Release)})
	}
	b.Release = o.Release
	return o.Held, nil
}

// stopsOf finds the stop list that the build names, or the one to enforce, and
// writes its version into the build.
func (a *Agent) stopsOf(b *drink.Build) (*release.Stops, error) {
	l := a.shelf.Stops()
	if b.StopList != 0 {
		if l = a.shelf.StopsByVersion(b.StopList); l == nil {
			return nil, rpc.Invalid(rpc.Violation{Field: "build.stop_list", Description: fmt.Sprintf("stop list %d is not held here: write %d, which is in force, or 0", b.StopList, a.stopVersion())})
		}
	}
	if l == nil {
		return nil, nil
	}
	b.StopList = l.Version
	return l.Stops, nil
}

// stopVersion is that of the stop list to enforce, 0 for none.
func (a *Agent) stopVersion() uint64 {
	if l := a.shelf.Stops(); l != nil {
		return l.Version
	}
	return 0
}

// Field numbers of pb.BuildRecord and pb.Build that record writes by hand.
const (
	recordBuild, recordVerdict, recordTime = 1, 2, 5
	buildRelease, buildSite, buildStation  = 3, 4, 5
	buildStopList                          = 18
	recordSpare                            = 64
	lengthBytes                            = 5
)

// record marshals a pb.BuildRecord but for what the log adds, once. Fields that
// the station filled in are appended to the build as it came, which protobuf
// reads as set, so that the caller's message stays untouched.
func (w *work) record(m *pb.Build, v *pb.Verdict, now time.Time) ([]byte, error) {
	buf, err := proto.MarshalOptions{}.MarshalAppend(w.buf[:0], m)
	if err != nil {
		return nil, rpc.Invalid(rpc.Violation{Field: "build", Description: "it cannot be written: " + err.Error()})
	}
	if len(buf) > MaxBuildBytes {
		return nil, rpc.Invalid(rpc.Violation{Field: "build", Description: fmt.Sprintf("it has %d bytes; send at most %d", len(buf), MaxBuildBytes)})
	}
	if m.GetRelease() == 0 {
		buf = protowire.AppendTag(buf, buildRelease, protowire.VarintType)
		buf = protowire.AppendVarint(buf, w.build.Release)
	}
	if m.GetSite() == "" {
		buf = protowire.AppendTag(buf, buildSite, protowire.BytesType)
		buf = protowire.AppendString(buf, w.build.Site)
	}
	if m.GetStation() == "" {
		buf = protowire.AppendTag(buf, buildStation, protowire.BytesType)
		buf = protowire.AppendString(buf, w.build.Station)
	}
	if m.GetStopList() == 0 && w.build.StopList != 0 {
		buf = protowire.AppendTag(buf, buildStopList, protowire.VarintType)
		buf = protowire.AppendVarint(buf, w.build.StopList)
	}
	build := len(buf)
	if buf, err = (proto.MarshalOptions{}).MarshalAppend(buf, v); err != nil {
		return nil, fmt.Errorf("marshal a verdict: %w", err)
	}
	judged := len(buf)
	if buf, err = (proto.MarshalOptions{}).MarshalAppend(buf, timestamppb.New(now)); err != nil {
		return nil, fmt.Errorf("marshal a time: %w", err)
	}
	w.buf = buf
	out := make([]byte, 0, len(buf)+3*(1+lengthBytes)+recordSpare)
	for _, part := range [...]struct {
		field protowire.Number
		data  []byte
	}{{recordBuild, buf[:build]}, {recordVerdict, buf[build:judged]}, {recordTime, buf[judged:]}} {
		out = protowire.AppendTag(out, part.field, protowire.BytesType)
		out = protowire.AppendBytes(out, part.data)
	}
	return out, nil
}

// again answers for a build id that was logged before.
func (a *Agent) again(m *pb.Build, first []byte) (*pb.LogBuildResponse, error) {
	var rec pb.BuildRecord
	if err := proto.Unmarshal(first, &rec); err != nil {
		return nil, fmt.Errorf("read the first record of build %s: %w", m.GetId(), err)
	}
	now := proto.Clone(m).(*pb.Build)
	if now.Release == 0 {
		now.Release = rec.GetBuild().GetRelease()
	}
	if now.StopList == 0 {
		now.StopList = rec.GetBuild().GetStopList()
	}
	if now.Site == "" {
		now.Site = a.id.Site
	}
	if now.Station == "" {
		now.Station = a.id.Station
	}
	if !proto.Equal(now, rec.GetBuild()) {
		return nil, rpc.Fail(codes.AlreadyExists, "BUILD_ID_REUSED", fmt.Sprintf("build %s was logged before with other content: give each build an id of its own; a logged build cannot be changed", m.GetId()), nil)
	}
	return &pb.LogBuildResponse{Verdict: rec.GetVerdict(), Sequence: rec.GetSequence(), Release: rec.GetBuild().GetRelease(), Duplicate: true}, nil
}
