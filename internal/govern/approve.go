package govern

import (
	"slices"
	"strings"
	"time"
)

// Caution is a finding that each approver must acknowledge.
type Caution struct {
	ID   string
	Text string
}

// Review is what an approver must see, worked out by others.
type Review struct {
	// Errors of the check; any blocks a proposal and an approval.
	Errors   int
	Cautions []Caution
	// SafetyReasons, in sentences; empty where it is no safety change.
	SafetyReasons []string
	// NeedsFoodSafety asks for a second person with that role.
	NeedsFoodSafety bool
	// Behind names the fields that a newer edition than the draft was begun from
	// changed, and that the draft does not have; any blocks as errors do.
	Behind []string
	// Digest stands for all of it: an approval of another review is not counted.
	Digest string
	Touched
}

// Approval is one person's.
type Approval struct {
	Person   string    `json:"person"`
	Role     Role      `json:"role"`
	Created  time.Time `json:"created"`
	Cautions []string  `json:"cautions,omitempty"`
	Review   string    `json:"review,omitempty"`
	Revision int       `json:"revision,omitempty"`
}

// mayApprove wants the very role that the approval is given in.
func (s *State) mayApprove(c Call, role Role) error {
	if role != Approver && role != FoodSafety {
		return bad("role", "is %.40q; write approver or food-safety", role)
	}
	return s.may(c, "approve as "+string(role), role)
}

// approves holds the rules that drafts and overlays share. It returns the
// cautions acknowledged, in the review's order.
func (s *State) approves(c Call, editors []string, earlier []Approval, cautions []string, r Review) ([]Caution, error) {
	if !s.unclaimedCall(c) {
		if slices.Contains(editors, c.Actor.Person) {
			return nil, refuse(PermissionDenied, "OWN_CHANGE", "", "%s edited this and may not approve it; ask somebody who did not", c.Actor.Person)
		}
		for _, a := range earlier {
			if a.Person == c.Actor.Person && a.Review == r.Digest {
				return nil, blocked("ALREADY_APPROVED", "", "%s approved this already as %s; the other approval needs another person", a.Person, a.Role)
			}
		}
	}
	if r.Errors > 0 {
		return nil, hasErrors(r.Errors)
	}
	var missing []string
	for _, k := range r.Cautions {
		if !slices.Contains(cautions, k.ID) {
			missing = append(missing, k.ID+", which is to be acknowledged: "+k.Text)
		}
	}
	if len(missing) > 0 {
		r := blocked("CAUTION_UNACKNOWLEDGED", "cautions", "lacks what is to be acknowledged by its id: %s", strings.Join(missing, "; "))
		r.Fields = missing
		return nil, r
	}
	for _, id := range cautions {
		if !slices.ContainsFunc(r.Cautions, func(k Caution) bool { return k.ID == id }) {
			return nil, blocked("CAUTION_UNKNOWN", "cautions", "holds %.40q, which is no caution of this review; read the review again, it may have changed", id)
		}
	}
	return r.Cautions, nil
}

// needed lists the roles that still have to approve, with one more approval in
// the role plus where that is set. Approvals of another review do not count.
func needed(given []Approval, plus Role, r Review) (out []Role) {
	has := map[Role]bool{plus: true}
	for _, a := range given {
		if a.Review == r.Digest {
			has[a.Role] = true
		}
	}
	if !has[Approver] {
		out = append(out, Approver)
	}
	if r.NeedsFoodSafety && !has[FoodSafety] {
		out = append(out, FoodSafety)
	}
	return out
}
