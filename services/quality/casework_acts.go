package quality

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/watch"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

const (
	maxActWords = 2000
	maxActor    = 100
	// watchName stands in a case's history for what nobody stated.
	watchName = "watch"
)

// writeRequest is what every call that changes a case has.
type writeRequest interface {
	proto.Message
	GetRequestId() string
	GetId() string
	GetEtag() string
	GetActor() string
}

// actor is who acts on a case: the person that the call's token is of, else what
// the caller wrote.
func actor(ctx context.Context, written string) string {
	if who := rpc.CallerOf(ctx).String(); who != "" {
		return who
	}
	return written
}

func (c *checker) write(ctx context.Context, req writeRequest) {
	if _, err := uuid.Parse(req.GetRequestId()); err != nil || len(req.GetRequestId()) != 36 {
		c.bad("request_id", "%.80q is not a UUID; send a fresh one, and the same one again only to retry", req.GetRequestId())
	}
	c.caseID(req.GetId())
	if rpc.CallerOf(ctx).String() != "" {
		return // the token says it, whatever was written
	}
	c.words("actor", req.GetActor(), maxActor)
	if req.GetActor() == watchName {
		c.bad("actor", "%q is not allowed: what the watch finds by itself stands under that name; state another", watchName)
	}
}

func (c *checker) words(field, text string, most int) {
	switch n := utf8.RuneCountInString(text); {
	case strings.TrimSpace(text) == "":
		c.bad(field, "it is empty; state it")
	case n > most:
		c.bad(field, "%d characters are not allowed; use at most %d", n, most)
	case strings.ContainsRune(text, 0):
		c.bad(field, "it holds a NUL character; leave it out")
	}
}

// act runs fn on one case and answers with what fn made of it, alike for the
// same request again. fn may change the cases that it is given, which hold this
// one alone; nothing of it stays where it fails.
func (s *caseServer) act(ctx context.Context, req writeRequest, res proto.Message, fn func(*watch.Cases, time.Time) (*watch.Cases, error), answer func(*watch.Case)) error {
	db, err := s.service.casework()
	if err != nil {
		return err
	}
	of, err := digest(req)
	if err != nil {
		return err
	}
	now := s.service.cfg.Now()
	id := strings.ToLower(req.GetRequestId())
	response, err := db.ActOnCase(ctx, store.CaseAct{RequestID: id, Digest: of, CaseID: req.GetId(), At: now},
		func(head, body []byte) (store.CaseRow, []byte, error) {
			var none store.CaseRow
			_, k, err := caseRow(body)
			if err != nil {
				return none, nil, err
			}
			if tag := req.GetEtag(); tag != "" && tag != etag(k) {
				return none, nil, rpc.Fail(codes.Aborted, "ETAG_DIFFERS",
					fmt.Sprintf("case %s was changed: its etag is %s, not %s; look at it again", k.ID, etag(k), tag), map[string]string{"etag": etag(k)})
			}
			cases, err := joinCases(head, body)
			if err == nil {
				cases, err = fn(cases, now)
			}
			if err != nil {
				return none, nil, err
			}
			snapshot, err := cases.Snapshot()
			if err != nil {
				return none, nil, err
			}
			_, bodies, err := splitCases(snapshot)
			if err != nil {
				return none, nil, err
			}
			row, k, err := caseRow(bodies[k.ID])
			if err != nil {
				return none, nil, err
			}
			answer(k)
			out, err := proto.Marshal(res)
			return row, out, err
		})
	switch {
	case errors.Is(err, store.ErrNotFound):
		return noCase(req.GetId())
	case errors.Is(err, store.ErrRequestReused):
		return rpc.Fail(codes.AlreadyExists, "REQUEST_REUSED", "request_id "+id+" already stands for another request; use a fresh UUID for each", map[string]string{"request_id": id})
	case err != nil:
		return err
	}
	proto.Reset(res)
	return proto.Unmarshal(response, res)
}

// edit changes a case in a way that the watch has no word for.
func edit(cases *watch.Cases, id string, change func(*watch.Case)) (*watch.Cases, error) {
	snapshot, err := cases.Snapshot()
	if err != nil {
		return nil, err
	}
	head, bodies, err := splitCases(snapshot)
	if err != nil {
		return nil, err
	}
	_, k, err := caseRow(bodies[id])
	if err != nil {
		return nil, err
	}
	change(k)
	body, err := json.Marshal(k)
	if err != nil {
		return nil, fmt.Errorf("write case %s: %w", id, err)
	}
	return joinCases(head, body)
}

// refused words what the watch refuses. field is where the request said it.
func refused(field string, err error, o watch.Outcome) error {
	words := strings.TrimPrefix(err.Error(), "watch: ")
	switch {
	case errors.Is(err, watch.ErrNotACause), errors.Is(err, watch.ErrWordsNone):
		return rpc.Invalid(rpc.Violation{Field: field, Description: words})
	case errors.Is(err, watch.ErrStage):
		return rpc.Blocked("CASE_STAGE", rpc.Violation{Field: field, Description: words})
	case errors.Is(err, watch.ErrCannotYet):
		return rpc.Fail(codes.FailedPrecondition, "CANNOT_CLOSE_YET", words, map[string]string{"more": strconv.Itoa(o.More)})
	case errors.Is(err, watch.ErrNotFixed):
		return rpc.Fail(codes.FailedPrecondition, "NOT_MENDED", words, nil)
	}
	return err
}

func (s *caseServer) UpdateCase(ctx context.Context, req *pb.UpdateCaseRequest) (*pb.UpdateCaseResponse, error) {
	req.Actor = actor(ctx, req.Actor)
	var c checker
	c.write(ctx, req)
	if req.Owner == nil && req.Containment == nil && req.Fix == nil && req.Note == nil {
		c.bad("owner", "nothing is stated; set owner, containment, fix or note")
	}
	for _, f := range []struct {
		field string
		text  *string
		most  int
	}{{"owner", req.Owner, maxActor}, {"containment", req.Containment, maxActWords}, {"note", req.Note, maxActWords}} {
		if f.text != nil {
			c.words(f.field, *f.text, f.most)
		}
	}
	if f := req.Fix; f != nil {
		c.words("fix.explanation", f.Explanation, maxActWords)
		c.words("fix.done", f.Done, maxActWords)
		c.words("fix.prevention", f.Prevention, maxActWords)
		if f.FixTime != nil && (f.FixTime.CheckValid() != nil || f.FixTime.AsTime().After(s.service.cfg.Now())) {
			c.bad("fix.fix_time", "it is not a time that has come; state when the fix was made, or leave it out for now")
		}
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	res := new(pb.UpdateCaseResponse)
	return res, s.act(ctx, req, res, func(cases *watch.Cases, now time.Time) (*watch.Cases, error) {
		if req.Owner != nil {
			if err := cases.Assign(req.Id, req.Actor, *req.Owner, now); err != nil {
				return nil, refused("owner", err, watch.Outcome{})
			}
		}
		if req.Containment != nil {
			if err := cases.Contain(req.Id, req.Actor, *req.Containment, now); err != nil {
				return nil, refused("containment", err, watch.Outcome{})
			}
		}
		if f := req.Fix; f != nil {
			at := now
			if f.FixTime != nil {
				at = f.FixTime.AsTime()
			}
			fix := watch.Fix{Cause: watch.Cause(f.Cause), What: f.Explanation, Done: f.Done, Prevention: f.Prevention, At: at}
			if err := cases.StateFix(req.Id, req.Actor, fix); err != nil {
				return nil, refused("fix", err, watch.Outcome{})
			}
		}
		if req.Note == nil {
			return cases, nil
		}
		return edit(cases, req.Id, func(k *watch.Case) { entry(k, now, req.Actor, "note: "+*req.Note) })
	}, func(k *watch.Case) { res.Case = caseProto(k) })
}

// historyMost bounds a case's history; the first entry always stays.
const historyMost = 200

func entry(k *watch.Case, at time.Time, who, what string) {
	if len(k.History) >= historyMost {
		k.History = append(k.History[:1], k.History[2:]...)
	}
	k.History = append(k.History, watch.Entry{At: at.UTC(), Who: who, What: what})
}

func (s *caseServer) CloseCase(ctx context.Context, req *pb.CloseCaseRequest) (*pb.CloseCaseResponse, error) {
	req.Actor = actor(ctx, req.Actor)
	var c checker
	c.write(ctx, req)
	if err := c.err(); err != nil {
		return nil, err
	}
	res := new(pb.CloseCaseResponse)
	return res, s.act(ctx, req, res, func(cases *watch.Cases, now time.Time) (*watch.Cases, error) {
		o, err := cases.Close(req.Id, req.Actor, now)
		if err != nil {
			return nil, refused("id", err, o)
		}
		res.Effect = effectProto(o)
		return cases, nil
	}, func(k *watch.Case) { res.Case = caseProto(k) })
}

func (s *caseServer) ReopenCase(ctx context.Context, req *pb.ReopenCaseRequest) (*pb.ReopenCaseResponse, error) {
	req.Actor = actor(ctx, req.Actor)
	var c checker
	c.write(ctx, req)
	c.words("reason", req.Reason, maxActWords)
	if err := c.err(); err != nil {
		return nil, err
	}
	res := new(pb.ReopenCaseResponse)
	return res, s.act(ctx, req, res, func(cases *watch.Cases, now time.Time) (*watch.Cases, error) {
		switch k, _ := cases.Case(req.Id); {
		case k.Merged != "":
			return nil, rpc.Blocked("CASE_STAGE", rpc.Violation{Field: "id", Description: fmt.Sprintf("case %s was merged into %s; act there", k.ID, k.Merged)})
		case k.Stage != watch.StageClosed:
			return nil, rpc.Blocked("CASE_STAGE", rpc.Violation{Field: "id", Description: fmt.Sprintf("case %s is %s; only a closed case can be opened again", k.ID, k.Stage)})
		}
		return edit(cases, req.Id, func(k *watch.Case) {
			k.Stage, k.Reopened, k.ClosedAt, k.Fix, k.Contained = watch.StageOpen, k.Reopened+1, time.Time{}, nil, ""
			// What the tests ask stays; what came after the last fix does not.
			for i := range k.Tests {
				t := &k.Tests[i]
				*t = watch.Test{Kind: t.Kind, Site: t.Site, Station: t.Station, Barista: t.Barista, Key: t.Key,
					Before: t.Before, Bad: t.Bad, SD: t.SD, Share: t.Share}
			}
			entry(k, now, req.Actor, "reopened: "+req.Reason)
		})
	}, func(k *watch.Case) { res.Case = caseProto(k) })
}
