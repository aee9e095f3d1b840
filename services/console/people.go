package console

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"google.golang.org/grpc/metadata"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// roleNote is a role with what it may do, as internal/govern decides it.
type roleNote struct{ Role, Text string }

// roleNotes explains each role in a sentence or two; a test holds the list
// against govern's.
var roleNotes = []roleNote{
	{"author", "Writes drafts and overlays, and proposes them. Nobody approves what they edited themselves."},
	{"approver", "Approves what others wrote, caution by caution, or sends it back. May halt a rollout, lift a stop, retire an overlay."},
	{"food-safety", "Gives the second approval that a change of allergens, hard maximums or cautions needs. May halt, lift and retire."},
	{"fleet-manager", "Rolls approved drafts out, wave by wave, and back. Adds sites and enrols stations."},
	{"quality-lead", "Works on cases: states causes and fixes, closes them. May halt a rollout and lift a stop."},
	{"auditor", "Reads everything and changes nothing."},
	{"administrator", "Adds people, gives roles and new tokens, ends access, looks after keys, sites and stations. Cannot write, approve or roll out a drink."},
}

// personLink is the page of a person.
func personLink(id string) string { return "/people/" + id }

// peoplePage lists head office, and adds somebody.
type peoplePage struct {
	Table *Table
	// Roles says who may do what, Gaps what nobody can do as things are.
	Roles *Table
	Gaps  []string
	// First is set while nobody was added yet.
	First bool
	Lacks string
	In    inputs
	Boxes []roleBox
	// RolesFault is said at the roles.
	RolesFault string
	Token      *tokenOnce
	Form       *form
}

// roleBox is a role to tick.
type roleBox struct {
	Role, Text string
	Ticked     bool
	// Held says why it cannot be taken away; empty where it can.
	Held string
}

// tokenOnce is a token, shown in the answer to the form that made it.
type tokenOnce struct {
	// Token is empty where the same form came twice.
	Token, Person, ID string
	// Own is set where it is the reader's.
	Own bool
}

func peopleShow(v *visit) (*view, error) {
	all, err := v.allPeople()
	if err != nil {
		return nil, err
	}
	p := &peoplePage{First: len(all) == 0, Form: v.newForm(""), Lacks: v.lacks("add people, give roles or end access", roleAdmin)}
	p.Table = &Table{ID: "people", Caption: "People of head office", Cols: cols("person", "id", "~roles", "access", "since"), Empty: "Nobody was added yet, so whoever is at the centre's own machine may do everything."}
	for _, x := range all {
		access := text("signs in")
		if x.Disabled {
			access = Cell{Text: "ended", Tone: "quiet"}
		}
		p.Table.add(head(x.DisplayName, personLink(shortName(x.Name))), text(shortName(x.Name)), text(orNone(x.Roles)), access, v.moment(x.CreateTime))
	}
	p.Roles = rolesTable(all)
	if !p.First {
		p.Gaps = gaps(all)
	}
	p.In = inputs{
		"name": p.Form.input("display_name", "Name, as people read it", "", input{Max: 200, Need: true}),
		"id":   p.Form.input("person_id", "Id", "", input{Hint: "Short, for the record and for commands, and for good: lower-case letters, digits and hyphens, such as ada.", Max: 63, Need: true, Plain: true}),
	}
	p.RolesFault = p.Form.Fault("roles")
	for _, r := range roleNotes {
		b := roleBox{Role: r.Role, Text: r.Text, Ticked: p.Form.Chose("role", r.Role)}
		if p.First && r.Role == "administrator" && !p.Form.sent() {
			b.Ticked = true
		}
		p.Boxes = append(p.Boxes, b)
	}
	p.Token, _ = v.once.(*tokenOnce)
	return &view{Title: "People", Data: p, Tables: []*Table{p.Table, p.Roles}}, nil
}

// allPeople is people for a page that is about them: without the list there is
// no page.
func (v *visit) allPeople() ([]*pb.Person, error) {
	var out []*pb.Person
	req := &pb.ListPeopleRequest{PageSize: 500}
	for {
		res, err := v.ask.office.ListPeople(v.ctx, req)
		if err != nil {
			return nil, err
		}
		out = append(out, res.People...)
		if req.PageToken = res.NextPageToken; req.PageToken == "" {
			return out, nil
		}
	}
}

// having are those who sign in and have one of the roles.
func having(all []*pb.Person, roles ...string) (out []*pb.Person) {
	for _, p := range all {
		if !p.Disabled && slices.ContainsFunc(p.Roles, func(r string) bool { return slices.Contains(roles, r) }) {
			out = append(out, p)
		}
	}
	return out
}

func personNames(in []*pb.Person) string {
	out := make([]string, len(in))
	for i, p := range in {
		out[i] = p.DisplayName
	}
	return listWords(out)
}

func rolesTable(all []*pb.Person) *Table {
	t := &Table{ID: "roles", Caption: "What each role may do, and who has it", Cols: cols("role", "~what", "~who")}
	for _, r := range roleNotes {
		who := Cell{Text: personNames(having(all, r.Role))}
		if who.Text == "" {
			who = Cell{Text: "nobody", Tone: "quiet"}
		}
		t.add(head(r.Role, ""), text(r.Text), who)
	}
	return t
}

// gaps says what cannot be done by those who are there: the rules of four eyes,
// told before they bite.
func gaps(all []*pb.Person) (out []string) {
	say := func(f string, a ...any) { out = append(out, fmt.Sprintf(f, a...)) }
	authors, approvers, safety := having(all, "author"), having(all, "approver"), having(all, "food-safety")
	admins, fleet := having(all, "administrator"), having(all, "fleet-manager")
	if len(authors) == 0 {
		say("Nobody can write a draft or an overlay: there is no author.")
	}
	switch {
	case len(approvers) == 0:
		say("Nothing can be approved: there is no approver.")
	case len(approvers) == 1 && slices.Contains(authors, approvers[0]):
		say("What %s edits cannot be approved by anybody: a second approver is needed for it.", approvers[0].DisplayName)
	}
	both := having(all, "approver", "food-safety")
	switch {
	case len(safety) == 0:
		say("A change of allergens, hard maximums or cautions cannot be approved: there is nobody for food safety.")
	case len(both) == 1 && len(approvers) == 1:
		say("A change of allergens, hard maximums or cautions needs two people, an approver and one for food safety, and %s is both.", both[0].DisplayName)
	case len(safety) == 1 && slices.Contains(authors, safety[0]):
		say("A safety change that %s edits cannot be approved by anybody: a second person for food safety is needed for it.", safety[0].DisplayName)
	}
	if len(fleet) == 0 {
		say("Nothing can be rolled out: there is no fleet manager.")
	}
	if n := len(having(all, roleLift...)); n < 2 {
		say("A stop cannot be lifted: that takes two people with one of the roles %s.", orWords(roleLift))
	}
	if len(admins) == 1 {
		say("%s is the only administrator: a second one can make a new token should theirs be lost.", admins[0].DisplayName)
	}
	return out
}

func peopleAdd(v *visit) (string, error) {
	if v.typed("act") != "add" {
		return "", v.unknownAct()
	}
	id, name := v.typed("person_id"), v.typed("display_name")
	bad := faults{}
	if name == "" {
		bad.at("display_name", "Write the name that people read.")
	}
	if id == "" {
		bad.at("person_id", "Write a short one, such as ada.")
	}
	if len(v.PostForm["role"]) == 0 {
		bad.at("roles", "Tick what they may do, at least one.")
	}
	if err := bad.err(); err != nil {
		return "", err
	}
	res, err := v.ask.office.CreatePerson(v.ctx, &pb.CreatePersonRequest{RequestId: v.requestID(), PersonId: id, DisplayName: name, Roles: v.PostForm["role"]})
	if err != nil {
		return "", err
	}
	v.c.who.forget() // with the first person nobody is "at this machine" any longer
	v.once = &tokenOnce{Token: res.Token, Person: name, ID: id}
	return "", nil
}

// forget has everybody be asked for anew.
func (w *whoCache) forget() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.by = nil
}

// personPage is one person, with what an administrator may do.
type personPage struct {
	*pb.Person
	ID    string
	Boxes []roleBox
	// LastAdmin is set where this is the only administrator.
	LastAdmin bool
	// Own is set where it is the reader.
	Own bool
	// May is an administrator's; MayRenew also the person's own.
	May, MayRenew bool
	Lacks         string
	RolesFault    string
	Token         *tokenOnce
	Form          *form
}

// rolesTag stands for what a person may do, so that a form can tell whether
// somebody changed it since: the call has no etag.
func rolesTag(p *pb.Person) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\x00%s\x00%t", p.Name, strings.Join(p.Roles, " "), p.Disabled))
	return hex.EncodeToString(sum[:8])
}

func (v *visit) onePerson(id string) (p *pb.Person, all []*pb.Person, err error) {
	if all, err = v.allPeople(); err != nil {
		return nil, nil, err
	}
	for _, x := range all {
		if shortName(x.Name) == id {
			return x, all, nil
		}
	}
	return nil, nil, notFound("person", id, link{"/people", "All people"})
}

func personShow(v *visit) (*view, error) {
	id := v.PathValue("person")
	x, all, err := v.onePerson(id)
	if err != nil {
		return nil, err
	}
	p := &personPage{Person: x, ID: id, Own: id == v.me.Name, Form: v.newForm(rolesTag(x)), Lacks: v.lacks("change roles, make a token or end access", roleAdmin)}
	p.May = p.Lacks == "" && !x.Disabled
	p.MayRenew = p.May || p.Own && !x.Disabled
	admins := having(all, "administrator")
	p.LastAdmin = len(admins) == 1 && admins[0] == x
	p.RolesFault = p.Form.Fault("roles")
	for _, r := range roleNotes {
		b := roleBox{Role: r.Role, Text: r.Text, Ticked: slices.Contains(x.Roles, r.Role)}
		if p.Form.Did("roles") {
			b.Ticked = p.Form.Chose("role", r.Role)
		}
		if r.Role == "administrator" && p.LastAdmin {
			b.Held, b.Ticked = "It stays: there has to be one administrator. Make somebody else one first.", true
		}
		p.Boxes = append(p.Boxes, b)
	}
	p.Token, _ = v.once.(*tokenOnce)
	return &view{Title: x.DisplayName, Data: p}, nil
}

func personAct(v *visit) (string, error) {
	id := v.PathValue("person")
	x, _, err := v.onePerson(id)
	if err != nil {
		return "", err
	}
	req := &pb.UpdatePersonRequest{RequestId: v.requestID(), Name: x.Name}
	switch v.PostFormValue("act") {
	case "roles":
		roles := slices.Clone(v.PostForm["role"])
		slices.Sort(roles)
		if len(roles) == 0 {
			bad := faults{}
			bad.at("roles", "Tick at least one. To take all away, end their access.")
			return "", bad.err()
		}
		if slices.Equal(roles, slices.Sorted(slices.Values(x.Roles))) { // said already, as by the same form sent twice
			return personLink(id), nil
		}
		if err := v.unchanged(x); err != nil {
			return "", err
		}
		req.Roles = roles
	case "end":
		if x.Disabled {
			return personLink(id), nil
		}
		if v.typed("sure") == "" {
			bad := faults{}
			bad.at("sure", "Tick it, since it cannot be undone.")
			return "", bad.err()
		}
		req.Disable = true
	case "renew":
		req.RenewToken = true
	default:
		return "", v.unknownAct()
	}
	res, err := v.ask.office.UpdatePerson(v.ctx, req)
	if err != nil {
		return "", err
	}
	v.c.who.forget()
	if !req.RenewToken {
		return personLink(id), nil
	}
	if res.Token != "" && id == v.me.Name {
		v.keepSignedIn(res.Token)
	}
	v.once = &tokenOnce{Token: res.Token, Person: x.DisplayName, ID: id, Own: id == v.me.Name}
	return "", nil
}

// unchanged refuses a form that was made before somebody else changed the person.
func (v *visit) unchanged(x *pb.Person) error {
	if v.PostFormValue("etag") == rolesTag(x) {
		return nil
	}
	return &refusal{Title: "Somebody was faster", Points: []string{fmt.Sprintf("%s was changed since the page was opened, and is now: %s.", x.DisplayName, orNone(x.Roles))},
		Next: "Nothing was changed. Look at it, and send yours again if it is still right.", Status: http.StatusConflict}
}

// keepSignedIn gives the sign-in of a person their new token, since the old one
// ended with it.
func (v *visit) keepSignedIn(token string) {
	k, err := v.Cookie(cookieName)
	if err != nil {
		return
	}
	v.c.sessions.renew(k.Value, token)
	v.me.token = token
	v.ctx = metadata.NewOutgoingContext(v.ctx, metadata.Pairs("authorization", "Bearer "+token))
}

// renew puts another token into a sign-in; its end stays.
func (s *sessions) renew(id, token string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	key := sha256.Sum256([]byte(id))
	if got, ok := s.byID[key]; ok {
		got.token = token
		s.byID[key] = got
	}
}
