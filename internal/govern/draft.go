package govern

import (
	"fmt"
	"slices"
	"time"
)

// DraftState is how far a draft has come.
type DraftState string

// The states of a draft.
const (
	DraftIsOpen   DraftState = "OPEN"
	DraftIsUp     DraftState = "PROPOSED"
	DraftIsPassed DraftState = "APPROVED"
	DraftIsOut    DraftState = "RELEASED"
	DraftIsGone   DraftState = "WITHDRAWN"
)

// Draft is a book in the making; its files are the caller's, under the etag.
type Draft struct {
	ID    string     `json:"id"`
	Title string     `json:"title"`
	State DraftState `json:"state"`
	// Etag is a hash of the content.
	Etag        string `json:"etag"`
	BaseEdition uint64 `json:"base_edition,omitempty"`
	// Revision counts saves from 1.
	Revision int    `json:"revision"`
	Author   string `json:"author"`
	// Editors are all who saved it, sorted.
	Editors   []string   `json:"editors"`
	Created   time.Time  `json:"created"`
	Updated   time.Time  `json:"updated"`
	Comments  []Comment  `json:"comments,omitempty"`
	Approvals []Approval `json:"approvals,omitempty"`
	// Edition that was made of it; 0 for none yet.
	Edition uint64 `json:"edition,omitempty"`
	Touched
}

// Comment is a remark on a draft.
type Comment struct {
	Author   string    `json:"author"`
	Created  time.Time `json:"created"`
	Field    string    `json:"field,omitempty"`
	Text     string    `json:"text"`
	Revision int       `json:"revision"`
}

// Draft finds one by id.
func (s *State) Draft(id string) (Draft, bool) { return get(s.t.Drafts, id) }

// Drafts lists them by id.
func (s *State) Drafts() []Draft { return list(s.t.Drafts) }

// DraftCreated begins a draft.
type DraftCreated struct {
	Draft       string `json:"draft"`
	Title       string `json:"title"`
	Etag        string `json:"etag"`
	BaseEdition uint64 `json:"base_edition,omitempty"`
	Touched
}

func (*DraftCreated) kind() string { return "draft.created" }

func (b *DraftCreated) tell() string {
	if b.BaseEdition == 0 {
		return fmt.Sprintf("began draft %s", b.Draft)
	}
	return fmt.Sprintf("began draft %s from edition %d", b.Draft, b.BaseEdition)
}

func (b *DraftCreated) apply(s *State, a *Act) error {
	if s.t.Drafts[b.Draft] != nil {
		return fmt.Errorf("draft %q exists", b.Draft)
	}
	s.t.Drafts[b.Draft] = &Draft{ID: b.Draft, Title: b.Title, State: DraftIsOpen, Etag: b.Etag, BaseEdition: b.BaseEdition,
		Revision: 1, Author: a.By, Editors: []string{a.By}, Created: a.At, Updated: a.At, Touched: b.Touched}
	return nil
}

// DraftSaved is a save; after a proposal or approval it reopens the draft.
type DraftSaved struct {
	Draft    string `json:"draft"`
	Title    string `json:"title,omitempty"`
	Etag     string `json:"etag"`
	Revision int    `json:"revision"`
	Reopens  bool   `json:"reopens,omitempty"`
	// BaseEdition is set where the edit brought the draft up to a newer edition.
	BaseEdition uint64 `json:"base_edition,omitempty"`
	Touched
}

func (*DraftSaved) kind() string { return "draft.saved" }

func (b *DraftSaved) tell() string {
	out := fmt.Sprintf("edited draft %s (revision %d)", b.Draft, b.Revision)
	if b.BaseEdition != 0 {
		out = fmt.Sprintf("brought draft %s up to edition %d (revision %d)", b.Draft, b.BaseEdition, b.Revision)
	}
	if b.Reopens {
		out += ", which opens it again and drops its approvals"
	}
	return out
}

func (b *DraftSaved) apply(s *State, a *Act) error {
	d, err := s.draft(b.Draft)
	if err != nil {
		return err
	}
	if b.Title != "" {
		d.Title = b.Title
	}
	d.Etag, d.Revision, d.Updated, d.Touched = b.Etag, b.Revision, a.At, b.Touched
	d.State, d.Approvals = DraftIsOpen, nil
	if b.BaseEdition != 0 {
		d.BaseEdition = b.BaseEdition
	}
	d.Editors = with(d.Editors, a.By)
	return nil
}

func with(set []string, one string) []string {
	i, found := slices.BinarySearch(set, one)
	if found {
		return set
	}
	return slices.Insert(slices.Clone(set), i, one)
}

func (s *State) draft(id string) (*Draft, error) {
	if d := s.t.Drafts[id]; d != nil {
		return d, nil
	}
	return nil, refuse(NotFound, "DRAFT_NOT_FOUND", "name", "there is no draft %.80q; list the drafts to see their names", id)
}

// DraftCommented is a remark.
type DraftCommented struct {
	Draft string `json:"draft"`
	Field string `json:"field,omitempty"`
	Text  string `json:"text"`
	Touched
}

func (*DraftCommented) kind() string { return "draft.commented" }

func (b *DraftCommented) tell() string {
	if b.Field != "" {
		return fmt.Sprintf("remarked on %s of draft %s: %q", b.Field, b.Draft, b.Text)
	}
	return fmt.Sprintf("remarked on draft %s: %q", b.Draft, b.Text)
}

func (b *DraftCommented) apply(s *State, a *Act) error {
	d, err := s.draft(b.Draft)
	if err != nil {
		return err
	}
	d.Comments = append(slices.Clip(d.Comments), Comment{Author: a.By, Created: a.At, Field: b.Field, Text: b.Text, Revision: d.Revision})
	return nil
}

// DraftProposed puts a draft up for approval.
type DraftProposed struct {
	Draft    string `json:"draft"`
	Revision int    `json:"revision"`
	Etag     string `json:"etag"`
	// Review is the digest of what there was to see.
	Review string `json:"review,omitempty"`
	Touched
}

func (*DraftProposed) kind() string { return "draft.proposed" }

func (b *DraftProposed) tell() string {
	return fmt.Sprintf("proposed draft %s (revision %d)", b.Draft, b.Revision)
}

func (b *DraftProposed) apply(s *State, a *Act) error {
	d, err := s.draft(b.Draft)
	if err != nil {
		return err
	}
	d.State, d.Updated, d.Approvals, d.Touched = DraftIsUp, a.At, nil, b.Touched
	return nil
}

// DraftApproved is one approval; with Final the draft may be rolled out.
type DraftApproved struct {
	Draft    string   `json:"draft"`
	Revision int      `json:"revision"`
	Etag     string   `json:"etag"`
	Role     Role     `json:"role"`
	Cautions []string `json:"cautions,omitempty"`
	// CautionTexts are what was acknowledged, in the same order.
	CautionTexts []string `json:"caution_texts,omitempty"`
	Review       string   `json:"review,omitempty"`
	Final        bool     `json:"final,omitempty"`
	Touched
}

func (*DraftApproved) kind() string { return "draft.approved" }

func (b *DraftApproved) tell() string {
	return fmt.Sprintf("approved draft %s (revision %d) as %s%s%s", b.Draft, b.Revision, b.Role, acknowledged(b.Cautions), still(b.Final))
}

func acknowledged(cautions []string) string {
	switch len(cautions) {
	case 0:
		return ""
	case 1:
		return ", acknowledging caution " + cautions[0]
	}
	return fmt.Sprintf(", acknowledging %d cautions", len(cautions))
}

func still(final bool) string {
	if final {
		return ""
	}
	return "; another approval is still needed"
}

func (b *DraftApproved) apply(s *State, a *Act) error {
	d, err := s.draft(b.Draft)
	if err != nil {
		return err
	}
	d.Approvals = append(slices.Clip(d.Approvals), Approval{Person: a.By, Role: b.Role, Created: a.At, Cautions: b.Cautions, Review: b.Review, Revision: b.Revision})
	if d.Updated = a.At; b.Final {
		d.State = DraftIsPassed
	}
	return nil
}

// DraftReturned sends a draft back to its author.
type DraftReturned struct {
	Draft  string `json:"draft"`
	Reason string `json:"reason"`
	Touched
}

func (*DraftReturned) kind() string { return "draft.returned" }

func (b *DraftReturned) tell() string {
	return fmt.Sprintf("sent draft %s back: %q", b.Draft, b.Reason)
}

func (b *DraftReturned) apply(s *State, a *Act) error {
	d, err := s.draft(b.Draft)
	if err != nil {
		return err
	}
	d.State, d.Approvals, d.Updated = DraftIsOpen, nil, a.At
	return nil
}

// DraftWithdrawn ends a draft.
type DraftWithdrawn struct {
	Draft  string `json:"draft"`
	Reason string `json:"reason"`
	Touched
}

func (*DraftWithdrawn) kind() string { return "draft.withdrawn" }

func (b *DraftWithdrawn) tell() string {
	return fmt.Sprintf("withdrew draft %s: %q", b.Draft, b.Reason)
}

func (b *DraftWithdrawn) apply(s *State, a *Act) error {
	d, err := s.draft(b.Draft)
	if err != nil {
		return err
	}
	d.State, d.Approvals, d.Updated = DraftIsGone, nil, a.At
	return nil
}
