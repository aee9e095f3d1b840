package govern_test

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"reflect"
	"time"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/record"
)

type tb interface {
	Helper()
	Fatalf(format string, args ...any)
	Logf(format string, args ...any)
}

// office is a State with its record, as a service keeps them.
type office struct {
	tb
	*govern.State
	now     time.Time
	chain   record.Chain
	entries []record.Entry
	acts    []govern.Act
	rules   govern.Rules
}

var monday = time.Date(2026, 10, 19, 12, 0, 0, 0, time.UTC)

func digest(parts ...any) govern.Digest { return sha256.Sum256([]byte(fmt.Sprint(parts...))) }

// open5 opens every site at 05:00 of its own zone, never on a Sunday, and takes
// a minute of the wall clock.
func open5(site govern.Site, w govern.When) (time.Time, error) {
	day, err := time.Parse(time.DateOnly, w.BusinessDay)
	if err != nil {
		return time.Time{}, err
	}
	zone, err := time.LoadLocation(site.Zone)
	if err != nil {
		return time.Time{}, err
	}
	minute := 300
	if len(site.Opening) == 7 {
		minute = site.Opening[(int(day.Weekday())+6)%7]
	}
	if minute < 0 {
		return time.Time{}, errors.New("closed that day")
	}
	if w.Minute != nil {
		minute = *w.Minute
	}
	return time.Date(day.Year(), day.Month(), day.Day(), minute/60, minute%60, 0, 0, zone), nil
}

func newOffice(t tb) *office {
	return &office{tb: t, State: govern.New(), now: monday, rules: govern.Rules{Start: open5}}
}

func (o *office) call(person string, roles ...govern.Role) govern.Call {
	a := govern.Actor{Person: person, Roles: roles}
	if p, ok := o.Person(person); ok {
		a.Name = p.Name
		if len(roles) == 0 {
			a.Roles = p.Roles
		}
	}
	return govern.Call{Actor: a, At: o.now}
}

func (o *office) system() govern.Call { return govern.Call{Actor: govern.SystemActor(), At: o.now} }

func (o *office) station(site string) govern.Call {
	return govern.Call{Actor: govern.StationActor(site, "bar-1"), At: o.now}
}

// do applies what a decision returned, by way of the record.
func (o *office) do(acts []govern.Act, err error) {
	o.Helper()
	if err != nil {
		o.Fatalf("refused: %v", err)
	}
	for _, a := range acts {
		e, err := govern.Append(&o.chain, a)
		if err != nil {
			o.Fatalf("%v", err)
		}
		o.entries = append(o.entries, e)
		back, err := govern.Decode(e)
		if err != nil {
			o.Fatalf("%v", err)
		}
		if err := o.Apply(back); err != nil {
			o.Fatalf("an act that a decision made does not apply: %v", err)
		}
		o.acts = append(o.acts, back)
		o.Logf("%d %s %s", back.Number, back.At.Format("02T15:04"), govern.Sentence(back))
	}
}

func (o *office) refused(reason string, acts []govern.Act, err error) *govern.Refused {
	o.Helper()
	var r *govern.Refused
	if !errors.As(err, &r) || r.Reason != reason || len(acts) > 0 {
		o.Fatalf("want %s, got %v", reason, err)
	}
	return r
}

// maker makes releases for scopes, with content as the content's name.
func maker(content string, scopes ...string) govern.Maker {
	return func(first uint64) (govern.Made, error) {
		m := govern.Made{Content: digest(content)}
		for i, scope := range scopes {
			n := first + uint64(i)
			m.Releases = append(m.Releases, govern.ReleaseMade{Number: n, Scope: scope, Digest: digest(n, scope)})
		}
		return m, nil
	}
}

func needing(m govern.Maker, scopes ...string) govern.Maker {
	return func(first uint64) (govern.Made, error) {
		got, err := m(first)
		for _, scope := range scopes {
			got.NeedsRebase = append(got.NeedsRebase, govern.Rebase{Scope: scope, Conflicts: []string{"latte: milk"}})
		}
		return got, err
	}
}

func safety(m govern.Maker) govern.Maker {
	return func(first uint64) (govern.Made, error) {
		got, err := m(first)
		got.Safety = true
		return got, err
	}
}

func (o *office) site(id, region, zone string, people int) {
	o.Helper()
	who := "max"
	if !o.Claimed() {
		who = govern.Local
	}
	acts, err := o.AddSite(o.call(who), o.rules, govern.Site{ID: id, Region: region, Zone: zone, People: people})
	o.do(acts, err)
}

// claim adds one person for each job.
func (o *office) claim() {
	o.Helper()
	for _, p := range []govern.NewPerson{
		{ID: "max", Name: "Max", Roles: []govern.Role{govern.Administrator, govern.FleetManager}},
		{ID: "ada", Name: "Ada", Roles: []govern.Role{govern.Author, govern.Approver}},
		{ID: "ben", Name: "Ben", Roles: []govern.Role{govern.Approver}},
		{ID: "eve", Name: "Eve", Roles: []govern.Role{govern.FoodSafety, govern.Approver}},
		{ID: "kit", Name: "Kit", Roles: []govern.Role{govern.QualityLead}},
		{ID: "oli", Name: "Oli", Roles: []govern.Role{govern.Auditor}},
	} {
		p.TokenHash = digest(p.ID)
		who := "max"
		if !o.Claimed() {
			who = govern.Local
		}
		acts, err := o.AddPerson(o.call(who), p)
		o.do(acts, err)
	}
}

// approved takes a draft to its approval.
func (o *office) approved(id string) {
	o.Helper()
	o.do(o.CreateDraft(o.call("ada"), govern.NewDraft{ID: id, Etag: id + "1", BaseEdition: o.Newest()}))
	o.do(o.ProposeDraft(o.call("ada"), id, id+"1", govern.Review{}))
	o.do(o.ApproveDraft(o.call("ben"), id, id+"1", govern.Approver, nil, govern.Review{}))
}

// follows checks which release a site follows now, and what is to come.
func (o *office) follows(site string, release uint64, later ...uint64) {
	o.Helper()
	got, _ := o.InForce(site, o.now)
	var rest []uint64
	orders, _ := o.Orders(site)
	for _, x := range orders {
		if x.Start.After(o.now) {
			rest = append(rest, x.Release)
		}
	}
	if got.Release != release || !cmp.Equal(rest, later) {
		o.Fatalf("%s follows %d and then %v, want %d and %v; orders %+v", site, got.Release, rest, release, later, orders)
	}
}

// replays checks that the record gives the same state, whole and from a
// snapshot in its middle.
func (o *office) replays() {
	o.Helper()
	want, err := o.Snapshot()
	if err != nil {
		o.Fatalf("%v", err)
	}
	full := govern.New()
	var middle []byte
	half := len(o.acts) / 2
	for i, e := range o.entries {
		if i == half {
			if middle, err = full.Snapshot(); err != nil {
				o.Fatalf("%v", err)
			}
		}
		a, err := govern.Decode(e)
		if err != nil {
			o.Fatalf("%v", err)
		}
		if err := full.Apply(a); err != nil {
			o.Fatalf("%v", err)
		}
	}
	got, err := full.Snapshot()
	if err != nil || !bytes.Equal(got, want) {
		o.Fatalf("a replay gives another state: %v\n%s\n%s", err, got, want)
	}
	if middle == nil {
		return
	}
	part, err := govern.Restore(middle)
	if err != nil {
		o.Fatalf("%v", err)
	}
	for _, e := range o.entries[half:] {
		a, err := govern.Decode(e)
		if err != nil {
			o.Fatalf("%v", err)
		}
		if err := part.Apply(a); err != nil {
			o.Fatalf("%v", err)
		}
	}
	if d := cmp.Diff(full, part, cmp.Exporter(func(reflect.Type) bool { return true })); d != "" {
		o.Fatalf("restored and replayed differ: %s", d)
	}
}
