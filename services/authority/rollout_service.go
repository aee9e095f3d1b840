package authority

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/stat"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	rolloutToken = "w"
	maxWaves     = 50
	maxWaveSites = 10_000
)

// CreateRollout implements pb.RolloutServiceServer.
func (s rolloutService) CreateRollout(ctx context.Context, req *pb.CreateRolloutRequest) (*pb.CreateRolloutResponse, error) {
	var c check
	draft := c.named("draft", req.Draft, "drafts")
	replaces := uint64(0)
	if req.Replaces != "" {
		replaces = c.number("replaces", req.Replaces, "rollouts")
	}
	waves := c.waves(req.Waves)
	when := c.when("when", req.When)
	c.text("note", req.Note, maxNoteRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	// The review is worked out before the ledger is held, and found again.
	if _, _, _, err := s.reviewDraft(ctx, draft); err != nil {
		return nil, err
	}
	out, err := s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		q := govern.NewRollout{Draft: draft, Replaces: replaces, Waves: waves, When: when, TrainingPercent: int(req.TrainingPercent), Note: req.Note,
			Test: stat.WaveTest{FalseAlarm: req.Test.GetFalseAlarm(), MissedHarm: req.Test.GetMissedHarm(), HarmfulRatio: req.Test.GetHarmfulRatio()}}
		d, against, err := basisOf(t.State, draft)
		if err != nil {
			return nil, err
		}
		r, files, err := s.reviewOf(ctx, d, against)
		if err != nil {
			return nil, err
		}
		q.Make = func(first uint64) (govern.Made, error) {
			if err := stillApproved(d, r); err != nil {
				return govern.Made{}, err
			}
			note := req.Note
			if note == "" {
				note = d.Title
			}
			old, _ := t.Edition(replaces)
			return s.makeEdition(ctx, t, first, r, bookToMake{Files: files, Note: note, Author: d.Author, Safety: old.Safety})
		}
		return t.CreateRollout(t.Call, rules(), q)
	})
	if err != nil {
		return nil, err
	}
	made, _, err := firstAct[*govern.EditionMade](ctx, s.Service, out)
	if err != nil {
		return nil, err
	}
	r, err := s.rollout(ctx, made.Edition, 0)
	return &pb.CreateRolloutResponse{Rollout: r}, err
}

// stillApproved refuses a draft whose difference is not the one that was
// approved, since another edition was made in between: to roll it out would
// take that edition back without anybody having seen it.
func stillApproved(d govern.Draft, r *reviewed) error {
	if n := len(d.Approvals); n > 0 && d.Approvals[n-1].Review == r.Digest {
		return nil
	}
	return rpc.Blocked("REVIEW_OUTDATED", rpc.Violation{Field: "draft", Description: "was approved against another edition than the newest, " +
		"so nobody has seen what it changes now; return it, bring it up to date, and have it approved again"})
}

// makeEdition makes an edition of a reviewed book.
func (s *Service) makeEdition(ctx context.Context, t *turn, first uint64, r *reviewed, b bookToMake) (govern.Made, error) {
	if err := r.blocks(); err != nil {
		return govern.Made{}, err
	}
	kept, err := proto.Marshal(&pb.CheckBookResponse{Problems: problemsToProto(r.problems)})
	if err != nil {
		return govern.Made{}, fmt.Errorf("marshal the problems: %w", err)
	}
	b.Book, b.Problems = r.book, kept
	made, err := s.editionMaker(ctx, t, b)(first)
	return made, tooLarge(err)
}

func (c *check) waves(in []*pb.Wave) (out []govern.WaveSpec) {
	if len(in) > maxWaves {
		c.fail("waves", "are %d; at most %d are taken", len(in), maxWaves)
		return nil
	}
	for i, w := range in {
		field := fmt.Sprintf("waves[%d]", i)
		if len(w.GetSites()) > maxWaveSites {
			c.fail(field+".sites", "are %d; at most %d are taken, or use share_percent", len(w.GetSites()), maxWaveSites)
		}
		out = append(out, govern.WaveSpec{Sites: w.GetSites(), SharePercent: int(w.GetSharePercent()), All: w.GetAll()})
	}
	return out
}

func (c *check) when(field string, w *pb.When) govern.When {
	out := govern.When{BusinessDay: w.GetBusinessDay()}
	if w != nil && w.MinuteOfDay != nil {
		m := int(w.GetMinuteOfDay())
		if m < 0 || m > 1439 {
			c.fail(field+".minute_of_day", "is %d; write 0 to 1439, or leave it out for opening", m)
		}
		if out.BusinessDay == "" {
			c.fail(field+".minute_of_day", "is set without a business_day; name the day too, or neither for at once")
		}
		out.Minute = &m
	}
	return out
}

// GetRollout implements pb.RolloutServiceServer; it alone tells the course of the
// test.
func (s rolloutService) GetRollout(ctx context.Context, req *pb.GetRolloutRequest) (*pb.GetRolloutResponse, error) {
	var c check
	edition := c.number("name", req.Name, "rollouts")
	if err := c.err(); err != nil {
		return nil, err
	}
	r, err := s.rollout(ctx, edition, 0)
	if err != nil {
		return nil, err
	}
	course, err := s.store.Course(ctx, edition)
	if err != nil {
		return nil, err
	}
	r.Course = courseToProto(course)
	return &pb.GetRolloutResponse{Rollout: r}, nil
}

// ListRollouts implements pb.RolloutServiceServer; releases and adoption come
// with GetRollout only.
func (s rolloutService) ListRollouts(_ context.Context, req *pb.ListRolloutsRequest) (*pb.ListRolloutsResponse, error) {
	size, err := pageSize(req.PageSize, 50, 500)
	if err != nil {
		return nil, err
	}
	res := &pb.ListRolloutsResponse{}
	s.view(func(st *govern.State) {
		all := st.Rollouts()
		slices.Reverse(all)
		// Newest first: the key falls where page wants it to rise.
		var part []govern.Rollout
		part, res.NextPageToken, err = page(all, rolloutToken, req.PageToken, size, func(r govern.Rollout) string { return fmt.Sprintf("%020d", ^r.Edition) })
		for _, r := range part {
			e, _ := st.Edition(r.Edition)
			res.Rollouts = append(res.Rollouts, s.rolloutToProto(r, e))
		}
	})
	if err != nil {
		return nil, err
	}
	return res, nil
}

// AdvanceRollout implements pb.RolloutServiceServer.
func (s rolloutService) AdvanceRollout(ctx context.Context, req *pb.AdvanceRolloutRequest) (*pb.AdvanceRolloutResponse, error) {
	var c check
	edition := c.number("name", req.Name, "rollouts")
	when := c.when("when", req.When)
	c.prose("reason", req.Reason, maxTextRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	r, err := s.onRollout(ctx, call, edition, func(t *turn) ([]govern.Act, error) {
		return t.AdvanceRollout(t.Call, rules(), edition, govern.Advance{Etag: req.Etag, When: when, Reason: req.Reason})
	})
	return &pb.AdvanceRolloutResponse{Rollout: r}, err
}

// HaltRollout implements pb.RolloutServiceServer.
func (s rolloutService) HaltRollout(ctx context.Context, req *pb.HaltRolloutRequest) (*pb.HaltRolloutResponse, error) {
	var c check
	edition := c.number("name", req.Name, "rollouts")
	c.prose("reason", req.Reason, maxTextRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	r, err := s.onRollout(ctx, call, edition, func(t *turn) ([]govern.Act, error) {
		return t.HaltRollout(t.Call, edition, req.Reason)
	})
	return &pb.HaltRolloutResponse{Rollout: r}, err
}

// ResumeRollout implements pb.RolloutServiceServer.
func (s rolloutService) ResumeRollout(ctx context.Context, req *pb.ResumeRolloutRequest) (*pb.ResumeRolloutResponse, error) {
	var c check
	edition := c.number("name", req.Name, "rollouts")
	c.prose("reason", req.Reason, maxTextRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	r, err := s.onRollout(ctx, call, edition, func(t *turn) ([]govern.Act, error) {
		return t.ResumeRollout(t.Call, rules(), edition, req.Etag, req.Reason)
	})
	return &pb.ResumeRolloutResponse{Rollout: r}, err
}

func (s *Service) onRollout(ctx context.Context, call govern.Call, edition uint64, decide func(*turn) ([]govern.Act, error)) (*pb.Rollout, error) {
	if _, err := s.do(ctx, call, decide); err != nil {
		return nil, err
	}
	return s.rollout(ctx, edition, 0)
}

// RollBack implements pb.RolloutServiceServer.
func (s rolloutService) RollBack(ctx context.Context, req *pb.RollBackRequest) (*pb.RollBackResponse, error) {
	var c check
	when := c.when("when", req.When)
	c.text("reason", req.Reason, maxNoteRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	out, err := s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		q := govern.RollBackTo{Edition: req.ToEdition, Reason: req.Reason, When: when}
		to, err := t.RollBackTarget(req.ToEdition)
		if err != nil {
			return nil, err
		}
		old, _ := t.Edition(to)
		newest, _ := t.Edition(t.Newest())
		if old.Content == (govern.Digest{}) {
			return nil, noSources(to)
		}
		files, err := s.bookFiles(ctx, old.Content)
		if err != nil {
			return nil, err
		}
		var base map[string][]byte
		if newest.Content != (govern.Digest{}) {
			if base, err = s.bookFiles(ctx, newest.Content); err != nil {
				return nil, err
			}
		}
		r := s.review(base, files)
		if q.Objections, err = s.objections(ctx, t.State, to, r); err != nil {
			return nil, err
		}
		q.Make = func(first uint64) (govern.Made, error) {
			return s.makeEdition(ctx, t, first, r, bookToMake{Files: files, Note: req.Reason, Author: t.Call.Actor.Person, RollsBackTo: to})
		}
		return t.RollBack(t.Call, rules(), q)
	})
	if err != nil {
		return nil, err
	}
	made, _, err := firstAct[*govern.RolledBack](ctx, s.Service, out)
	if err != nil {
		return nil, err
	}
	r, err := s.rollout(ctx, made.By, 0)
	return &pb.RollBackResponse{Rollout: r}, err
}

// objections say why the content of an older edition fails today's facts: what
// the check finds wrong in it now, allergens that a later edition declared for
// the same ingredient, and what is stopped and would come back with it. What is
// stopped and stands in the newest edition too is none: the stop holds whatever
// the book says, and must not keep a bad book in force.
func (s *Service) objections(ctx context.Context, st *govern.State, to uint64, r *reviewed) ([]string, error) {
	var out []string
	for _, p := range r.problems.At(drink.Error) {
		out = append(out, p.String())
	}
	if r.Errors > 0 {
		return out, nil
	}
	newest := &drink.Book{}
	for _, e := range st.Editions() {
		if e.Number <= to {
			continue
		}
		book, err := s.editionBook(ctx, st, e.Number)
		if err != nil {
			return nil, gone(err)
		}
		if book == nil {
			continue
		}
		newest = book
		for _, line := range undeclared(r.book, book, e.Number) {
			if !slices.Contains(out, line) {
				out = append(out, line)
			}
		}
	}
	_, stops := st.StopList()
	for _, stop := range stops {
		if back := without(stoppedServings(r.book, stop), stoppedServings(newest, stop)); len(back) > 0 {
			out = append(out, fmt.Sprintf("stop %s (%s %s: %s) is open, and %s would come back with it", stop.ID, stop.Kind, stop.Target, stop.Reason, someOf(back)))
		}
	}
	return out, nil
}

// undeclared lists the allergens that a later edition declares for an
// ingredient and the older book does not. One sentence an ingredient and code.
func undeclared(old, later *drink.Book, edition uint64) (out []string) {
	for i := range old.Ingredients {
		was := &old.Ingredients[i]
		is, ok := later.IngredientByID(was.ID)
		if !ok {
			continue
		}
		if is.AllergensKnown && !was.AllergensKnown {
			out = append(out, fmt.Sprintf("the allergens of %s were declared in edition %d and are unknown in it", was.ID, edition))
		}
		for _, code := range is.Contains {
			if !slices.Contains(was.Contains, code) {
				out = append(out, fmt.Sprintf("%s contains %s according to edition %d, which it does not say", was.ID, code, edition))
			}
		}
		for _, code := range is.MayContain {
			if !slices.Contains(was.Contains, code) && !slices.Contains(was.MayContain, code) {
				out = append(out, fmt.Sprintf("%s may contain %s according to edition %d, which it does not say", was.ID, code, edition))
			}
		}
	}
	return out
}

func without(all, drop []string) (out []string) {
	for _, x := range all {
		if !slices.Contains(drop, x) {
			out = append(out, x)
		}
	}
	return out
}

// someOf names the first few of many.
func someOf(ids []string) string {
	const most = 5
	if len(ids) <= most {
		return fmt.Sprint(ids)
	}
	return fmt.Sprintf("%v and %d more", ids[:most], len(ids)-most)
}

func noRollout(edition uint64) error {
	return rpc.Fail(codes.NotFound, "ROLLOUT_NOT_FOUND", fmt.Sprintf("there is no rollout %d; list the rollouts to see their names", edition), nil)
}
