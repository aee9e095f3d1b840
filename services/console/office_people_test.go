package console

import (
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"

	"samecup.example/samecup/internal/govern"
	pb "samecup.example/samecup/proto/samecup/v1"
)

var shownSecret = regexp.MustCompile(`<code class="secret" tabindex="0">([^<]+)</code>`)

func TestEveryRoleIsExplained(t *testing.T) {
	var got []govern.Role
	for _, n := range roleNotes {
		got = append(got, govern.Role(n.Role))
		if len(n.Text) < 30 {
			t.Errorf("%s is explained by %q", n.Role, n.Text)
		}
	}
	if want := govern.Roles(); !slices.Equal(got, want) {
		t.Errorf("roles %v, want %v", got, want)
	}
}

func TestWhatNobodyCanDoIsSaidBefore(t *testing.T) {
	who := func(name string, roles ...string) *pb.Person {
		return &pb.Person{Name: "people/" + strings.ToLower(name), DisplayName: name, Roles: roles}
	}
	full := []*pb.Person{who("Admin", "administrator"), who("Amy", "administrator"), who("Ada", "author"), who("Ben", "approver"), who("Fay", "food-safety"), who("Flo", "fleet-manager")}
	if got := gaps(full); len(got) != 0 {
		t.Errorf("nothing is missing, and it says %q", got)
	}
	for _, c := range []struct {
		change func(p []*pb.Person) []*pb.Person
		want   string
	}{
		{func(p []*pb.Person) []*pb.Person { p[1].Disabled = true; return p }, "Admin is the only administrator"},
		{func(p []*pb.Person) []*pb.Person { p[2].Roles = []string{"auditor"}; return p }, "there is no author"},
		{func(p []*pb.Person) []*pb.Person { p[3].Roles = []string{"author", "approver"}; return p }, "What Ben edits cannot be approved"},
		{func(p []*pb.Person) []*pb.Person { p[3].Disabled = true; return p }, "there is no approver"},
		{func(p []*pb.Person) []*pb.Person { p[4].Disabled = true; return p }, "nobody for food safety"},
		{func(p []*pb.Person) []*pb.Person {
			p[4].Disabled, p[3].Roles = true, []string{"approver", "food-safety"}
			return p
		}, "and Ben is both"},
		{func(p []*pb.Person) []*pb.Person { p[4].Roles = []string{"author", "food-safety"}; return p }, "A safety change that Fay edits"},
		{func(p []*pb.Person) []*pb.Person { p[5].Disabled = true; return p }, "there is no fleet manager"},
		{func(p []*pb.Person) []*pb.Person { return p[:4] }, "takes two people"},
	} {
		var now []*pb.Person
		for _, p := range full {
			now = append(now, who(p.DisplayName, p.Roles...))
		}
		if got := strings.Join(gaps(c.change(now)), "\n"); !strings.Contains(got, c.want) {
			t.Errorf("it says %q, want %q", got, c.want)
		}
	}
}

func TestPeopleAreAddedChangedAndEnded(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "admin", "ada")
	admin, ada := p["admin"], p["ada"]
	admin.want("/people", 200, "Ada Brook", "What each role may do", "What nobody can do as things are", "is the only administrator", `value="food-safety"`, "Gives the second approval")
	ada.want("/people", 200, "To add people, give roles or end access needs the role administrator, and yours is author.")
	// What is wrong is said at its field, and what was typed stays.
	body := admin.refused("/people", 422, []string{"Tick what they may do", "Write the name"}, "add", "person_id", "nia")
	if !strings.Contains(body, `value="nia"`) || !strings.Contains(body, `aria-describedby="in-display-name-f" aria-invalid="true"`) {
		t.Error("the form came back empty, or without its fault at the name")
	}
	admin.refused("/people", 422, []string{"lower-case letters"}, "add", "person_id", "Nia Reed", "display_name", "Nia Reed", "role", "author")
	body = admin.refused("/people", 409, []string{"there is such a person already"}, "add", "person_id", "ada", "display_name", "Ada", "role", "author")
	if !strings.Contains(body, `id="in-person-id-f"`) {
		t.Error("the id that is taken is not said at its field")
	}
	ada.refused("/people", 403, []string{"it needs the role administrator"}, "add", "person_id", "nia", "display_name", "Nia Reed", "role", "author")

	// The token is shown once, in an answer that nobody keeps.
	f := url.Values{"act": {"add"}, "request_id": {uuid.NewString()}, "person_id": {"nia"}, "display_name": {"Nia Reed"}, "role": {"author", "approver"}}
	res, body := admin.post("/people", f)
	token := shownSecret.FindStringSubmatch(body)
	if res.StatusCode != 200 || token == nil || res.Header.Get("Cache-Control") != "no-store" {
		t.Fatalf("%d, %s, %s", res.StatusCode, res.Header.Get("Cache-Control"), told(body))
	}
	if strings.Contains(body, `value="nia"`) || !strings.Contains(body, "Nia Reed") {
		t.Error("the form is filled in still, or the list lacks who was added")
	}
	res, body = admin.post("/people", f)
	if res.StatusCode != 200 || shownSecret.MatchString(body) || !strings.Contains(body, "This was done before") {
		t.Errorf("the same form twice: %d %s", res.StatusCode, told(body))
	}
	if body := admin.want("/people", 200); strings.Contains(body, token[1]) {
		t.Error("the token is shown again")
	}
	nia := openDesk(t, c, nil).as(token[1])
	nia.want("/people/nia", 200, "This is you", "Make a new token")

	// Roles, against what was read.
	page := admin.want("/people/nia", 200, "Approver and author", "What they may do", "End the access of Nia Reed")
	etag := hiddenField.FindStringSubmatch(page)[1]
	admin.refused("/people/nia", 422, []string{"Tick at least one"}, "roles")
	admin.did("/people/nia", "roles", "role", "author")
	admin.want("/people/nia", 200, "Author.")
	late := url.Values{"act": {"roles"}, "request_id": {uuid.NewString()}, "etag": {etag}, "role": {"auditor"}}
	if res, body := admin.post("/people/nia", late); res.StatusCode != 409 || !strings.Contains(body, "Somebody was faster") || !strings.Contains(body, "is now: author") {
		t.Errorf("an old form: %d %s", res.StatusCode, told(body))
	}
	late.Set("role", "author") // says what is so already
	if res, body := admin.post("/people/nia", late); res.StatusCode != 303 {
		t.Errorf("a form that changes nothing: %d %s", res.StatusCode, told(body))
	}
	nia.refused("/people/nia", 403, []string{"it needs the role administrator"}, "roles", "role", "administrator")

	// A new token, by an administrator and by oneself.
	_, body = admin.send("/people/nia", "renew")
	next := shownSecret.FindStringSubmatch(body)
	if next == nil || next[1] == token[1] {
		t.Fatalf("no new token: %s", told(body))
	}
	if res, _ := nia.get("/people"); res.StatusCode == 200 {
		t.Errorf("the old token still signs in: %d", res.StatusCode)
	}
	nia = openDesk(t, c, nil).as(next[1])
	_, body = nia.send("/people/nia", "renew")
	if own := shownSecret.FindStringSubmatch(body); own == nil || !strings.Contains(body, "You stay signed in here") {
		t.Errorf("no token of one's own: %s", told(body))
	}
	nia.want("/people/nia", 200, "This is you")

	// The last administrator is told so before anything is refused, and stays.
	admin.want("/people/admin", 200, "The only administrator.", "samecup person recover admin", "It stays: there has to be one administrator")
	admin.refused("/people/admin", 409, []string{"is the last administrator"}, "end", "sure", "1")
	admin.refused("/people/nia", 422, []string{"it cannot be undone"}, "end")
	admin.did("/people/nia", "end", "sure", "1")
	admin.did("/people/nia", "end", "sure", "1")
	admin.want("/people/nia", 200, "Access ended")
	if res, _ := nia.get("/people"); res.StatusCode == 200 {
		t.Errorf("who was ended still signs in: %d", res.StatusCode)
	}
	admin.want("/people/nobody", 404, "There is no such person", `href="/people"`)
	p["admin"].want("/record", 200, "disabled Nia Reed")
}

func TestTheFirstPersonClaimsTheChain(t *testing.T) {
	c := emptyChain(t)
	d := openDesk(t, c, nil)
	d.want("/people", 200, "Add the first person", "has to be an administrator", `value="administrator" checked`)
	d.refused("/people", 409, []string{"must have the role administrator"}, "add", "person_id", "ada", "display_name", "Ada Quill", "role", "author")
	_, body := d.send("/people", "add", "person_id", "ada", "display_name", "Ada Quill", "role", "administrator")
	token := shownSecret.FindStringSubmatch(body)
	if token == nil {
		t.Fatal(told(body))
	}
	if res, _ := d.get("/people"); res.StatusCode != 303 {
		t.Errorf("this machine may still do everything: %d", res.StatusCode)
	}
	d.as(token[1]).want("/people", 200, "Ada Quill is the only administrator", "there is no author")
}
