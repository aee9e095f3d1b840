package govern

import "strings"

// NewDraft is what CreateDraft takes.
type NewDraft struct {
	ID, Title string
	// Etag is a hash of the content.
	Etag        string
	BaseEdition uint64
	Touched
}

// CreateDraft begins a draft.
func (s *State) CreateDraft(c Call, q NewDraft) ([]Act, error) {
	if err := s.may(c, "begin a draft", Author); err != nil {
		return nil, err
	}
	if err := wantSlug("draft_id", q.ID); err != nil {
		return nil, err
	}
	switch {
	case s.t.Drafts[q.ID] != nil:
		return nil, refuse(AlreadyExists, "DRAFT_EXISTS", "draft_id", "is %q, and there is such a draft already; choose another id", q.ID)
	case q.Etag == "":
		return nil, bad("etag", "is missing; send the digest of the content")
	case q.BaseEdition != 0 && s.t.Editions[q.BaseEdition] == nil:
		return nil, noEdition("base_edition", q.BaseEdition)
	}
	if q.Title == "" {
		q.Title = q.ID
	}
	return s.acts(c, &DraftCreated{Draft: q.ID, Title: q.Title, Etag: q.Etag, BaseEdition: q.BaseEdition, Touched: q.Touched}), nil
}

// DraftSave is what SaveDraft takes.
type DraftSave struct {
	// BaseEtag is the one that the edit was made on.
	BaseEtag string
	// Etag of the content after the edit.
	Etag string
	// Title, when it changes.
	Title string
	// Differing names the fields that somebody else changed since BaseEtag; the
	// caller works them out when the etags differ.
	Differing []string
	// BaseEdition, when the edit brings the draft up to a newer edition.
	BaseEdition uint64
	Touched
}

// SaveDraft saves an edit. One that changes nothing gives no act.
func (s *State) SaveDraft(c Call, id string, q DraftSave) ([]Act, error) {
	if err := s.may(c, "edit a draft", Author); err != nil {
		return nil, err
	}
	d, err := s.draft(id)
	if err != nil {
		return nil, err
	}
	if err := s.draftLives(d); err != nil {
		return nil, err
	}
	switch {
	case q.BaseEtag != d.Etag:
		return nil, etagDiffers("draft "+d.ID, q.BaseEtag, d.Etag, q.Differing)
	case q.Etag == "":
		return nil, bad("etag", "is missing; send the digest of the content")
	case q.BaseEdition != 0 && s.t.Editions[q.BaseEdition] == nil:
		return nil, noEdition("base_edition", q.BaseEdition)
	case q.Etag == d.Etag && (q.Title == "" || q.Title == d.Title) && (q.BaseEdition == 0 || q.BaseEdition == d.BaseEdition):
		return nil, nil
	}
	return s.acts(c, &DraftSaved{Draft: d.ID, Title: q.Title, Etag: q.Etag, Revision: d.Revision + 1, Reopens: d.State != DraftIsOpen, BaseEdition: q.BaseEdition, Touched: q.Touched}), nil
}

func etagDiffers(what, got, want string, fields []string) *Refused {
	r := refuse(Aborted, "ETAG_DIFFERS", "etag", "is %.80q, but %s is at %q now: somebody saved in between", got, what, want)
	if len(fields) > 0 {
		r.Fields = fields
		r.Text += "; these fields differ: " + strings.Join(fields, ", ")
	}
	r.Text += "; read it again and repeat the edit"
	return r
}

func (s *State) draftLives(d *Draft) error {
	if d.State == DraftIsOut || d.State == DraftIsGone {
		return blocked("DRAFT_ENDED", "name", "draft %s is %s and stays as it is; begin a new draft", d.ID, strings.ToLower(string(d.State)))
	}
	return nil
}

// CommentDraft adds a remark, to the whole where field is empty.
func (s *State) CommentDraft(c Call, id, field, text string) ([]Act, error) {
	if err := s.may(c, "comment"); err != nil {
		return nil, err
	}
	d, err := s.draft(id)
	if err != nil {
		return nil, err
	}
	if strings.TrimSpace(text) == "" {
		return nil, bad("text", "is empty; write the remark")
	}
	return s.acts(c, &DraftCommented{Draft: id, Field: field, Text: text, Touched: d.about()}), nil
}

// ProposeDraft puts a draft up for approval.
func (s *State) ProposeDraft(c Call, id, etag string, r Review) ([]Act, error) {
	if err := s.may(c, "propose a draft", Author); err != nil {
		return nil, err
	}
	d, err := s.draft(id)
	if err != nil {
		return nil, err
	}
	switch {
	case d.State != DraftIsOpen:
		return nil, blocked("DRAFT_NOT_OPEN", "name", "draft %s is %s; only an open one can be proposed", d.ID, strings.ToLower(string(d.State)))
	case etag != d.Etag:
		return nil, etagDiffers("draft "+d.ID, etag, d.Etag, nil)
	case r.Errors > 0:
		return nil, hasErrors(r.Errors)
	case len(r.Behind) > 0:
		return nil, s.behind(d, r)
	}
	return s.acts(c, &DraftProposed{Draft: d.ID, Revision: d.Revision, Etag: d.Etag, Review: r.Digest, Touched: r.Touched}), nil
}

// behind refuses what would take a newer edition's changes back unseen.
func (s *State) behind(d *Draft, r Review) *Refused {
	x := blocked("DRAFT_BEHIND", "name", "draft %s was begun from edition %d; edition %d has other values now and the draft would take them back: %s; bring it up to date first",
		d.ID, d.BaseEdition, s.t.Newest, strings.Join(r.Behind, ", "))
	x.Fields = r.Behind
	return x
}

func hasErrors(n int) *Refused {
	return blocked("BOOK_HAS_ERRORS", "files", "the check finds %d %s in the book; mend them first", n, plural(n, "error"))
}

// ApproveDraft is refused to everybody who edited the draft, and until each
// caution is acknowledged by its id.
func (s *State) ApproveDraft(c Call, id, etag string, role Role, cautions []string, r Review) ([]Act, error) {
	if err := s.mayApprove(c, role); err != nil {
		return nil, err
	}
	d, err := s.draft(id)
	if err != nil {
		return nil, err
	}
	switch {
	case d.State != DraftIsUp:
		return nil, blocked("DRAFT_NOT_PROPOSED", "name", "draft %s is %s; only a proposed one can be approved", d.ID, strings.ToLower(string(d.State)))
	case etag != d.Etag:
		return nil, etagDiffers("draft "+d.ID, etag, d.Etag, nil)
	}
	if len(r.Behind) > 0 {
		return nil, s.behind(d, r)
	}
	seen, err := s.approves(c, d.Editors, d.Approvals, cautions, r)
	if err != nil {
		return nil, err
	}
	b := &DraftApproved{Draft: d.ID, Revision: d.Revision, Etag: d.Etag, Role: role, Review: r.Digest, Touched: r.Touched}
	for _, k := range seen {
		b.Cautions = append(b.Cautions, k.ID)
		b.CautionTexts = append(b.CautionTexts, k.Text)
	}
	b.Final = s.unclaimedCall(c) || len(needed(d.Approvals, role, r)) == 0
	return s.acts(c, b), nil
}

// DraftNeeds lists the roles that still have to approve a draft.
func (s *State) DraftNeeds(id string, r Review) []Role {
	d := s.t.Drafts[id]
	if d == nil || d.State != DraftIsUp && d.State != DraftIsOpen {
		return nil
	}
	return needed(d.Approvals, "", r)
}

// ReturnDraft sends a proposed or approved draft back to its author.
func (s *State) ReturnDraft(c Call, id, reason string) ([]Act, error) {
	if err := s.may(c, "return a draft", Approver, FoodSafety, Author); err != nil {
		return nil, err
	}
	d, err := s.draft(id)
	if err != nil {
		return nil, err
	}
	switch {
	case d.State != DraftIsUp && d.State != DraftIsPassed:
		return nil, blocked("DRAFT_NOT_PROPOSED", "name", "draft %s is %s; only a proposed or approved one can be returned", d.ID, strings.ToLower(string(d.State)))
	case strings.TrimSpace(reason) == "":
		return nil, noReason("return a draft")
	}
	return s.acts(c, &DraftReturned{Draft: d.ID, Reason: reason, Touched: d.about()}), nil
}

func noReason(what string) *Refused {
	return refuse(InvalidArgument, "REASON_MISSING", "reason", "is empty; to %s, say why", what)
}

// WithdrawDraft ends a draft that will not be released.
func (s *State) WithdrawDraft(c Call, id, reason string) ([]Act, error) {
	if err := s.may(c, "withdraw a draft", Author); err != nil {
		return nil, err
	}
	d, err := s.draft(id)
	if err != nil {
		return nil, err
	}
	if err := s.draftLives(d); err != nil {
		return nil, err
	}
	if strings.TrimSpace(reason) == "" {
		return nil, noReason("withdraw a draft")
	}
	return s.acts(c, &DraftWithdrawn{Draft: d.ID, Reason: reason, Touched: d.about()}), nil
}
