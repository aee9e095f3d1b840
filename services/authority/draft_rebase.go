package authority

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/overlay"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// maxNamed bounds how many fields or changes one sentence names.
const maxNamed = 8

// overtaken adds to a review what newer editions changed since the draft was
// begun: a caution to acknowledge, and the fields in which the draft would take
// them back, which block it.
func (r *reviewed) overtaken(from, to uint64, began, newest, files map[string][]byte) *reviewed {
	behind := bookedit.Differing(newest, began, files)
	if len(bookedit.Diff(began, newest)) == 0 {
		return r
	}
	out := *r
	fault := fmt.Sprintf("the draft was begun from edition %d, and edition %d changed since: %s", from, to, firstOf(between(began, newest), "change"))
	mend := "bring the draft up to date, and look at the review again"
	if len(behind) > 0 {
		fault += fmt.Sprintf("; the draft would take these fields back: %s", firstOf(behind, "field"))
	} else {
		mend = "see that they fit what the draft changes"
	}
	p := drink.Problem{Level: drink.Caution, Fault: fault, Mend: mend}
	out.problems = append(slices.Clone(r.problems), p)
	caution := overlay.Cautions(drink.Problems{p})[0]
	out.cautions = append(slices.Clone(r.cautions), caution)
	out.Cautions = append(slices.Clone(r.Cautions), govern.Caution{ID: caution.ID, Text: p.String()})
	out.Behind = behind
	out.Digest = out.sum()
	return &out
}

// between tells what changed from one edition to another, in a chain's words
// where both can be read, else by field.
func between(old, now map[string][]byte) (lines []string) {
	before, a := drink.LoadFiles(old)
	after, b := drink.LoadFiles(now)
	if !a.HasErrors() && !b.HasErrors() {
		for _, c := range drink.Diff(before, after) {
			if c.Kind != drink.Derived {
				line, _, _ := strings.Cut(c.String(), "\n")
				lines = append(lines, line)
			}
		}
	}
	if len(lines) > 0 {
		return lines
	}
	for _, d := range bookedit.Diff(old, now) {
		lines = append(lines, d.String())
	}
	return lines
}

func firstOf(lines []string, noun string) string {
	if len(lines) <= maxNamed {
		return strings.Join(lines, "; ")
	}
	return fmt.Sprintf("%s; and %d more %ss", strings.Join(lines[:maxNamed], "; "), len(lines)-maxNamed, noun)
}

// RebaseDraft implements pb.DraftServiceServer.
func (s draftService) RebaseDraft(ctx context.Context, req *pb.RebaseDraftRequest) (*pb.RebaseDraftResponse, error) {
	var c check
	id := c.named("name", req.Name, "drafts")
	for field, names := range map[string][]string{"keep": req.Keep, "take": req.Take} {
		if len(names) > maxEdits {
			c.fail(field, "holds %d; at most %d are taken at a time", len(names), maxEdits)
		}
	}
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	var taken []string
	_, err = s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		d, against, err := basisOf(t.State, id)
		if err != nil {
			return nil, err
		}
		began, now, err := s.sidesOf(ctx, t.State, d, against)
		if err != nil {
			return nil, err
		}
		mine, err := s.filesAt(ctx, d.Etag)
		if err != nil {
			return nil, err
		}
		save := govern.DraftSave{BaseEtag: req.Etag, Etag: d.Etag, BaseEdition: t.Newest()}
		if req.Etag != d.Etag { // refused below, before anything is worked out
			return t.SaveDraft(t.Call, id, save)
		}
		var files map[string][]byte
		if files, taken, err = rebased(began, now, mine, req.Keep, req.Take); err != nil {
			return nil, err
		}
		etag, err := t.sources(files)
		if err != nil {
			return nil, err
		}
		save.Etag, save.Touched = etag.String(), s.review(now, files).Touched
		return t.SaveDraft(t.Call, id, save)
	})
	if err != nil {
		return nil, err
	}
	d, err := s.draft(ctx, id, false)
	return &pb.RebaseDraftResponse{Draft: d, Taken: taken}, err
}

// sidesOf are the files that a draft was begun from and those of the newest
// edition.
func (s *Service) sidesOf(ctx context.Context, st *govern.State, d govern.Draft, against edition) (began, now map[string][]byte, err error) {
	base, ok := st.Edition(d.BaseEdition)
	if !ok {
		return nil, nil, rpc.Blocked("NO_EDITION", rpc.Violation{Field: "name", Description: fmt.Sprintf("draft %s was begun from no edition, so there is nothing to bring in; compare it with the newest one in its review", d.ID)})
	}
	for _, e := range []struct {
		number  uint64
		content govern.Digest
		to      *map[string][]byte
	}{{base.Number, base.Content, &began}, {against.number, against.content, &now}} {
		if e.content == (govern.Digest{}) {
			return nil, nil, noSources(e.number)
		}
		if *e.to, err = s.bookFiles(ctx, e.content); err != nil {
			return nil, nil, err
		}
	}
	return began, now, nil
}

// rebased takes into a draft what an edition changed since both had one base.
// Fields that both changed, and not to the same, have to be named on one side.
func rebased(base, theirs, draft map[string][]byte, keep, take []string) (files map[string][]byte, taken []string, err error) {
	var c check
	files = maps.Clone(draft)
	// A file that the draft did not touch is taken whole, with its comments.
	for _, side := range []map[string][]byte{base, theirs} {
		for path := range side {
			was, inBase := base[path]
			mine, inDraft := draft[path]
			if inBase == inDraft && string(was) == string(mine) {
				takeFile(files, theirs, path)
			}
		}
	}
	named := map[string]bool{}
	var open []rpc.Violation
	changes := bookedit.Changed(base, theirs, draft)
	for _, x := range changes {
		if x.Path != "" && slices.ContainsFunc(changes, func(y bookedit.Change) bool { return y.File == x.File && y.Path == "" }) {
			continue // the whole file came or went
		}
		field := bookedit.Difference{File: x.File, Path: x.Path}.String()
		stays, goes := slices.Contains(keep, field), slices.Contains(take, field)
		switch {
		case x.Conflict && stays && goes:
			c.fail("keep", "holds %q, and so does take; name it in one", clip(field, 200))
		case x.Conflict && !stays && !goes:
			open = append(open, rpc.Violation{Field: field, Description: fmt.Sprintf("was %s; the edition has %s now and the draft %s: keep the draft's value (keep), or take the edition's (take)",
				told(x.Base), told(x.A), told(x.B))})
		}
		named[field] = x.Conflict
		if !x.InA || x.Conflict && !goes || !x.Conflict && x.InB {
			continue
		}
		if err := takeIn(files, theirs, x); err != nil {
			open = append(open, rpc.Violation{Field: field, Description: fmt.Sprintf("cannot be taken in by itself (%v); make the edit in the draft, then keep its value", err)})
			continue
		}
		taken = append(taken, field)
	}
	for _, list := range [][]string{keep, take} {
		for _, field := range list {
			if !named[field] {
				c.fail("keep", "holds %q, which is no field that both sides changed; name those of the refusal", clip(field, 200))
			}
		}
	}
	if err := c.err(); err != nil {
		return nil, nil, err
	}
	if len(open) > maxViolations {
		open = open[:maxViolations]
	}
	if len(open) > 0 {
		return nil, nil, rpc.Blocked("DRAFT_CONFLICT", open...)
	}
	return files, taken, nil
}

func takeFile(files, theirs map[string][]byte, path string) {
	if src, ok := theirs[path]; ok {
		files[path] = src
	} else {
		delete(files, path)
	}
}

// takeIn puts the edition's value of one field into the draft's files.
func takeIn(files, theirs map[string][]byte, x bookedit.Change) error {
	if x.Path == "" || string(files[x.File]) == string(theirs[x.File]) {
		takeFile(files, theirs, x.File)
		return nil
	}
	next, err := bookedit.Set(files, x.File, x.Path, x.A)
	if err != nil {
		return err
	}
	files[x.File] = next[x.File]
	return nil
}

func told(value string) string {
	if value = strings.Join(strings.Fields(value), " "); value == "" {
		return "absent"
	}
	return clip(value, 120)
}
