package console

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"go.uber.org/zap"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// stateError is what a page says instead of itself. No page dead-ends: next says
// what to do.
type stateError struct {
	code              int
	title, text, next string
	links             []link
}

func (e *stateError) Error() string { return e.title + ": " + e.text }

// link leads on.
type link struct{ Href, Word string }

// notFound says that there is no such thing, and where its like are.
func notFound(what, id string, list link) error {
	return &stateError{code: http.StatusNotFound, title: "There is no such " + what, text: fmt.Sprintf("No %s is called %q.", what, id),
		next: "It may have been spelt differently, or belong to another installation.", links: []link{list}}
}

// badRequest says what of an address or form cannot be used.
func badRequest(field, fault, mend string) error {
	return &stateError{code: http.StatusBadRequest, title: "That cannot be shown", text: field + " " + fault + ".", next: strings.ToUpper(mend[:1]) + mend[1:] + "."}
}

// statePage is what the template shows.
type statePage struct {
	Code              int
	Title, Text, Next string
	Links             []link
}

// stateOf turns an error into a state.
func stateOf(err error) *stateError {
	if s, ok := errors.AsType[*stateError](err); ok {
		return s
	}
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
		return &stateError{code: http.StatusGatewayTimeout, title: "It takes too long", text: "The centre did not answer in time.",
			next: "A shorter span of days is answered sooner. Nothing is lost: the counters go on logging."}
	}
	st, ok := status.FromError(err)
	if !ok {
		st = status.New(codes.Internal, "")
	}
	switch st.Code() {
	case codes.Unauthenticated:
		return &stateError{code: http.StatusUnauthorized, title: "Sign in again", text: "Your token is no longer taken.", next: "Sign in with the one that an administrator gave you.",
			links: []link{{"/sign-in", "Sign in"}}}
	case codes.PermissionDenied:
		return &stateError{code: http.StatusForbidden, title: "Not yours to see or do", text: sentence(st.Message()), next: "An administrator can give you the role that it needs."}
	case codes.NotFound:
		return &stateError{code: http.StatusNotFound, title: "Not found", text: sentence(st.Message()), next: "It may have been spelt differently."}
	case codes.InvalidArgument:
		return &stateError{code: http.StatusBadRequest, title: "That cannot be shown", text: violations(st), next: "Change the address or the form, and try again."}
	case codes.Unavailable:
		return &stateError{code: http.StatusServiceUnavailable, title: "The centre does not answer", text: "The service that this page asks is away at the moment.",
			next: "Counters go on by what they hold, and what they log is kept until the centre is back. Load this page again in a minute."}
	case codes.DeadlineExceeded, codes.Canceled:
		return stateOf(context.DeadlineExceeded)
	}
	return &stateError{code: http.StatusInternalServerError, title: "Something went wrong here", text: "The page could not be made, and why was logged.",
		next: "Load it again; if it stays so, tell whoever runs this installation the time and the address of the page."}
}

// fail answers with a state page.
func (c *Console) fail(w http.ResponseWriter, r *http.Request, me person, err error) {
	s := stateOf(err)
	if s.code >= 500 {
		c.log.Warn("page not made", zap.String("path", r.URL.Path), zap.Int("code", s.code), zap.Error(err))
	}
	c.render(w, r, "state", s.code, &shell{Title: s.title, Me: me, Nav: navFor(me, page{}), Path: r.URL, Now: c.now(),
		Data: statePage{s.code, s.title, s.text, s.next, s.links}})
}

func (c *Console) nowhere(w http.ResponseWriter, r *http.Request) {
	me, err := c.whoAsks(r)
	if err != nil {
		me = person{}
	}
	c.fail(w, r, me, &stateError{code: http.StatusNotFound, title: "No page is here", text: fmt.Sprintf("Nothing is kept at %s.", r.URL.Path),
		next: "The morning page leads everywhere."})
}

// refusal is what a service would not do, told beside the form.
type refusal struct {
	Title  string
	Points []string
	Next   string
	Status int
	// At are the faults of single fields, told beside them too.
	At faults
}

// refusalOf words an error that a person can do something about; nil for others.
func refusalOf(err error) *refusal {
	if r, ok := errors.AsType[*refusal](err); ok {
		return r
	}
	st, ok := status.FromError(err)
	if !ok {
		return nil
	}
	reason := ""
	for _, d := range st.Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok {
			reason = i.Reason
		}
	}
	points := strings.Split(violations(st), "\n")
	switch {
	case reason == "CANNOT_CLOSE_YET":
		return &refusal{Title: "The builds cannot tell yet", Points: points, Next: "Nothing was changed. Close it when enough builds have been measured.", Status: http.StatusConflict}
	case reason == "NOT_MENDED":
		return &refusal{Title: "The builds say that it is not mended", Points: points, Next: "State another cause, or look at the next check of the list.", Status: http.StatusConflict}
	case reason == "CAUTION_UNACKNOWLEDGED":
		return &refusal{Title: "Each caution has to be acknowledged", Points: []string{plural(len(points), "caution is", "cautions are") + " not ticked below."}, Next: "Nothing was approved. Tick each that you have read and accept, or send the draft back.", Status: http.StatusConflict}
	case st.Code() == codes.Aborted:
		return &refusal{Title: "Somebody was faster", Points: points, Next: "What stands now is shown below. Look at it, and act again if it is still right.", Status: http.StatusConflict}
	case st.Code() == codes.InvalidArgument:
		return &refusal{Title: "This cannot be stated so", Points: points, Next: "Nothing was changed.", Status: http.StatusUnprocessableEntity}
	case st.Code() == codes.FailedPrecondition, st.Code() == codes.AlreadyExists:
		return &refusal{Title: "Not as things are", Points: points, Next: "Nothing was changed.", Status: http.StatusConflict}
	case st.Code() == codes.PermissionDenied:
		return &refusal{Title: "Your roles do not allow this", Points: points, Next: "Nothing was changed.", Status: http.StatusForbidden}
	}
	return nil
}

// violations are a status's fields at fault, a line each, or its message.
func violations(st *status.Status) string {
	var out []string
	for _, d := range st.Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			for _, f := range b.FieldViolations {
				switch f.Field {
				case "name": // the page is about it
					out = append(out, sentence(f.Description))
				case "etag": // nobody reads a digest
					out = append(out, "Somebody saved in between.")
				default:
					out = append(out, sentence(fieldWord(f.Field)+": "+f.Description))
				}
			}
		}
	}
	if len(out) == 0 {
		return sentence(st.Message())
	}
	return strings.Join(out, "\n")
}

// fieldWord is how a form names a field.
func fieldWord(field string) string {
	if w, ok := map[string]string{"fix.explanation": "the cause in words", "fix.done": "what was done", "fix.prevention": "what prevents it", "fix": "the cause",
		"fix.fix_time": "when it was done", "filter.first_day": "from", "filter.last_day": "to", "edits[0]": "the edit", "edits[0].path": "the path", "files[0].path": "the file",
		"person_id": "the id", "display_name": "the name", "roles": "the roles", "label": "the label", "sure": "the tick", "edits": "what it sets", "path": "the field", "station": "the station", "site.id": "the id", "site.name": "the name", "site.region": "the region",
		"site.time_zone": "the time zone", "site.opening_minutes": "the opening", "site.day_cut_minutes": "the business day", "site.people_count": "the people", "site": "the site",
		"training_percent": "the share of people", "to_edition": "the edition", "when.business_day": "the day"}[field]; ok {
		return w
	}
	return field
}

// sentence begins with a capital and ends with a stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return ""
	}
	s = strings.ToUpper(s[:1]) + s[1:]
	if !strings.ContainsRune(".!?", rune(s[len(s)-1])) {
		s += "."
	}
	return s
}
