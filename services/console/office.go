package console

import (
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// The roles that head office's acts need. The authority decides; here they only
// say what is offered, and who could where it is not.
var (
	roleAuthor   = []string{"author"}
	roleReturn   = []string{"approver", "food-safety", "author"}
	roleFleet    = []string{"fleet-manager"}
	roleHalt     = []string{"fleet-manager", "quality-lead", "food-safety", "approver", "administrator"}
	roleLift     = []string{"fleet-manager", "food-safety", "quality-lead", "approver"}
	roleRetire   = []string{"approver", "food-safety", "fleet-manager"}
	roleAdmin    = []string{"administrator"}
	roleSites    = []string{"fleet-manager", "administrator"}
	roleAnyActor = []string{"author", "approver", "food-safety", "fleet-manager", "quality-lead", "administrator"}
)

// form is what the forms of a page begin with. A refused one comes back as it
// was filled in, under a new request id: nothing was done under the old one.
type form struct {
	RequestID, Etag string
	typed           url.Values
	faults          faults
}

// faults are what is wrong with a form, by the field that it is about.
type faults map[string]string

// at tells a fault of a field as sentences: what is so, and what to write.
func (f faults) at(field, text string) { f[field] = text }

// err is a refusal with the faults, told at their fields too; nil for none.
func (f faults) err() error {
	if len(f) == 0 {
		return nil
	}
	r := &refusal{Title: "This cannot be sent so", Next: "Nothing was changed.", Status: http.StatusUnprocessableEntity, At: f}
	for _, field := range slices.Sorted(maps.Keys(f)) {
		r.Points = append(r.Points, sentenceCase(formWord(field))+": "+f[field])
	}
	return r
}

// formWord names a field of a form whose name is not the service's.
func formWord(field string) string {
	if n, err := strconv.Atoi(strings.TrimPrefix(field, openPrefix)); err == nil && strings.HasPrefix(field, openPrefix) && n < len(longWeekdays) {
		return longWeekdays[n]
	}
	if strings.HasPrefix(field, sidePrefix) {
		return "a field that the edition changed"
	}
	return fieldWord(field)
}

// faultsOf are the faults that a refusal names by field.
func faultsOf(err error) faults {
	if r, ok := errors.AsType[*refusal](err); ok {
		return r.At
	}
	out := faults{}
	st := status.Convert(err)
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.BadRequest:
			for _, f := range d.FieldViolations {
				out.at(f.Field, faultWords(f.Description))
			}
		case *errdetails.ErrorInfo:
			if f := d.Metadata["field"]; f != "" {
				out.at(f, faultWords(strings.TrimPrefix(st.Message(), f+" ")))
			}
		}
	}
	return out
}

// faultWords makes a sentence of a description that reads on from its field.
func faultWords(s string) string {
	for _, verb := range []string{"is ", "has ", "holds ", "names ", "lacks "} {
		if strings.HasPrefix(s, verb) {
			return sentence("it " + s)
		}
	}
	return sentence(s)
}

// input is one field of a form with what is said about it.
type input struct {
	ID, Name, Label, Value string
	// Hint stands above the field, Fault beneath it.
	Hint, Fault string
	// Type is the browser's; text where it is empty.
	Type string
	// List is the id of a list of proposals.
	List string
	// Max is the most characters; 0 for as many as the service takes.
	Max int
	// Need marks a field that cannot be empty, Plain one that no keyboard should
	// correct or begin with a capital.
	Need, Plain bool
}

// Kind is the browser's type of the field.
func (i input) Kind() string { return orElse(i.Type, "text") }

// Said are the ids of what describes the field.
func (i input) Said() string {
	var out []string
	if i.Hint != "" {
		out = append(out, i.ID+"-h")
	}
	if i.Fault != "" {
		out = append(out, i.ID+"-f")
	}
	return strings.Join(out, " ")
}

// inputs of a form by a short name, for its template.
type inputs map[string]input

// input makes a field that begins with a value, or with what was refused.
func (f *form) input(name, label, begin string, i input) input {
	i.ID, i.Name, i.Label, i.Value, i.Fault = "in-"+strings.NewReplacer(".", "-", "_", "-").Replace(name), name, label, f.Or(name, begin), f.Fault(name)
	return i
}

// Fault is what is wrong with a field, if that was refused.
func (f *form) Fault(name string) string { return f.faults[name] }

// sent says that the page answers a form that was refused.
func (f *form) sent() bool { return f.typed != nil }

func (v *visit) newForm(etag string) *form {
	f := &form{RequestID: uuid.NewString(), Etag: etag}
	if v.Method == http.MethodPost && v.once == nil {
		f.typed = v.PostForm
	}
	if v.refused != nil {
		f.faults = faultsOf(v.refused)
	}
	return f
}

// Or is what was typed into a field, or what it begins with.
func (f *form) Or(name, begin string) string {
	if f.typed.Has(name) {
		return f.typed.Get(name)
	}
	return begin
}

// Did says that this act was refused, so that its form stands open.
func (f *form) Did(act string) bool { return f.typed.Get("act") == act }

// Decided says that an approval was refused.
func (f *form) Decided() bool { return f.Did("approver") || f.Did("food-safety") }

// Chose says that a box was ticked.
func (f *form) Chose(name, value string) bool { return slices.Contains(f.typed[name], value) }

// typed is a field of the form that was sent, without the space around it. A
// browser sends lines with two characters at their end.
func (v *visit) typed(name string) string {
	return strings.TrimSpace(strings.ReplaceAll(v.PostFormValue(name), "\r\n", "\n"))
}

func (v *visit) requestID() string { return v.PostFormValue("request_id") }

// unknownAct is the answer to a form that no page here has.
func (v *visit) unknownAct() error {
	return badRequest("The act", fmt.Sprintf("%q is not known", v.PostFormValue("act")), "use the forms of the page")
}

// shortName is a resource's id: that of "drafts/autumn-menu" is "autumn-menu".
func shortName(name string) string {
	if _, id, ok := strings.Cut(name, "/"); ok {
		return id
	}
	return name
}

// people of head office by id; asked once a page.
func (v *visit) people() []*pb.Person {
	if v.staff != nil {
		return v.staff
	}
	v.staff = []*pb.Person{}
	req := &pb.ListPeopleRequest{PageSize: 500}
	for {
		res, err := v.ask.office.ListPeople(v.ctx, req)
		if err != nil { // names are no reason to be without a page
			return v.staff
		}
		v.staff = append(v.staff, res.People...)
		if req.PageToken = res.NextPageToken; req.PageToken == "" {
			return v.staff
		}
	}
}

// who is an actor as people call them.
func (v *visit) who(id string) string {
	switch id {
	case "":
		return "nobody"
	case "local":
		return "somebody at the centre's machine"
	case "authority":
		return "the authority itself"
	}
	if place, ok := strings.CutPrefix(id, "station:"); ok {
		site, station, _ := strings.Cut(place, "/")
		return v.sites().name(site) + ", " + station
	}
	for _, p := range v.people() {
		if shortName(p.Name) == id && p.DisplayName != "" {
			return p.DisplayName
		}
	}
	return id
}

func (v *visit) whoAll(ids []string) string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = v.who(id)
	}
	return listWords(out)
}

// lacks says what the person's roles are short of for an act, and who could do
// it; empty where nothing is. The act reads on from "To", such as "propose it".
func (v *visit) lacks(act string, roles []string) string {
	if v.me.any(roles...) {
		return ""
	}
	out := fmt.Sprintf("To %s needs the role %s, and yours %s.", act, orWords(roles), rolesAre(v.me.Roles))
	if could := v.holders(roles); could != "" {
		return out + " " + could + " could."
	}
	return out + " Nobody has it yet; an administrator gives roles, on the page People."
}

func rolesAre(roles []string) string {
	switch len(roles) {
	case 0:
		return "are none"
	case 1:
		return "is " + roles[0]
	}
	return "are " + listWords(roles)
}

// holders names those who have one of the roles.
func (v *visit) holders(roles []string) string {
	var names []string
	for _, p := range v.people() {
		if !p.Disabled && shortName(p.Name) != v.me.Name && slices.ContainsFunc(p.Roles, func(r string) bool { return slices.Contains(roles, r) }) {
			names = append(names, p.DisplayName)
		}
	}
	const few = 4
	if len(names) > few {
		return strings.Join(names[:few], ", ") + fmt.Sprintf(" and %d more", len(names)-few)
	}
	return listWords(names)
}

func orWords(s []string) string {
	if len(s) < 2 {
		return strings.Join(s, "")
	}
	return strings.Join(s[:len(s)-1], ", ") + " or " + s[len(s)-1]
}

// reasonOf is the stable reason of a refusal; empty for other errors.
func reasonOf(err error) string {
	for _, d := range status.Convert(err).Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok {
			return i.Reason
		}
	}
	return ""
}

// fieldsOf are the fields that a refusal names.
func fieldsOf(err error) (out []string) {
	for _, d := range status.Convert(err).Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			for _, f := range b.FieldViolations {
				out = append(out, f.Field)
			}
		}
	}
	return out
}

// missingOr turns an error about something that is not there into a page that
// leads on.
func missingOr(err error, what, id string, list link) error {
	if s := stateOf(err); s.code == http.StatusNotFound || s.code == http.StatusBadRequest {
		return notFound(what, id, list)
	}
	return err
}

// formWhen reads the day and time from which something takes effect; nil for at
// once.
func (v *visit) formWhen() (*pb.When, error) {
	day, at := v.typed("day"), v.typed("minute")
	if day == "" {
		if at != "" {
			return nil, badForm("The time", fmt.Sprintf("%s stands without a day", at), "Name the business day too, or neither for at once.")
		}
		return nil, nil
	}
	if _, err := time.Parse(time.DateOnly, day); err != nil {
		return nil, badForm("The day", fmt.Sprintf("%q is not a date", day), "Write it as 2026-11-02.")
	}
	w := &pb.When{BusinessDay: day}
	if at != "" {
		t, err := time.Parse("15:04", at)
		if err != nil {
			return nil, badForm("The time", fmt.Sprintf("%q is not a time", at), "Write it as 06:30, or leave it out for each site's opening.")
		}
		m := int32(t.Hour()*60 + t.Minute()) //nolint:gosec // below 1440
		w.MinuteOfDay = &m
	}
	return w, nil
}

// badForm is a refusal of the console's own, told beside the form.
func badForm(field, fault, mend string) error {
	return &refusal{Title: "This cannot be sent so", Points: []string{field + ": " + fault + "."}, Next: mend + " Nothing was changed.", Status: http.StatusUnprocessableEntity}
}

// Error makes a refusal one that a form's act can return.
func (r *refusal) Error() string { return r.Title + ": " + strings.Join(r.Points, " ") }

// whenWords is when a wave takes effect.
func whenWords(w *pb.When) string {
	switch {
	case w.GetBusinessDay() == "":
		return "at once"
	case w.MinuteOfDay == nil:
		return "at each site's opening on " + dayWords(w.BusinessDay)
	}
	return fmt.Sprintf("at %02d:%02d by each site's clock on %s", *w.MinuteOfDay/60, *w.MinuteOfDay%60, dayWords(w.BusinessDay))
}

func dayWords(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.Format("2 January 2006")
}

// moment is a cell with a time, in UTC: head office looks at all zones at once.
func (v *visit) moment(t *timestamppb.Timestamp) Cell {
	if t == nil {
		return text("never")
	}
	return Cell{Text: at(t.AsTime(), time.UTC, v.now), CSV: t.AsTime().Format(time.RFC3339)}
}

func (v *visit) at(t *timestamppb.Timestamp) string { return v.moment(t).Text }

// enum writes an enum's value as people read it: DRAFT_STATE_OPEN with the
// prefix DRAFT_STATE_ is "open".
func enum(value fmt.Stringer, prefix string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(value.String(), prefix), "_", " "))
}

// scopeWords names a scope: "the whole chain", "the region harbour", a site.
func (v *visit) scopeWords(scope string) string {
	if id, ok := strings.CutPrefix(scope, "site."); ok {
		return v.sites().name(id)
	}
	if id, ok := strings.CutPrefix(scope, "region."); ok {
		return "the region " + id
	}
	if scope == "chain" || scope == "" {
		return "the whole chain"
	}
	return scope
}

func (v *visit) scopesWords(scopes []string) string {
	if len(scopes) == 0 {
		return "the whole chain"
	}
	out := make([]string, len(scopes))
	for i, s := range scopes {
		out[i] = v.scopeWords(s)
	}
	return listWords(out)
}

// shownRows of a table that grows with the chain go into a page.
const shownRows = 150

// shorten keeps a page light where the chain is large; the file has all rows.
func (v *visit) shorten(t *Table) {
	n := len(t.Rows)
	if n <= shownRows || v.URL.Query().Get("format") != "" {
		return
	}
	t.Rows = t.Rows[:shownRows]
	t.Note = strings.TrimSpace(t.Note + fmt.Sprintf(" The first %d of %s rows are here; the file has all of them.", shownRows, count(int64(n))))
}

// everyOverlay lists the overlays.
func (v *visit) everyOverlay() ([]*pb.Overlay, error) {
	var out []*pb.Overlay
	req := &pb.ListOverlaysRequest{PageSize: 500}
	for {
		res, err := v.ask.overlays.ListOverlays(v.ctx, req)
		if err != nil {
			return nil, err
		}
		out = append(out, res.Overlays...)
		if req.PageToken = res.NextPageToken; req.PageToken == "" {
			return out, nil
		}
	}
}
