package govern_test

import (
	"testing"
	"time"

	"samecup.example/samecup/internal/govern"
)

func TestStops(t *testing.T) {
	o := launched(t)
	acts, err := o.OrderStop(o.call("oli"), govern.NewStop{Kind: govern.StopLot, Target: "A7", Reason: "x"})
	o.refused("ROLE_MISSING", acts, err)
	o.do(o.OrderStop(o.call("kit"), govern.NewStop{Kind: govern.StopIngredient, Target: "oat-milk", Reason: "undeclared hazelnut", Scopes: []string{"region.north"}}))
	v1, list := o.StopList()
	if v1 != 1 || len(list) != 1 || len(o.StopsFor("tannery-row")) != 1 || len(o.StopsFor("oyster-steps")) != 0 {
		t.Fatal(v1, list)
	}
	acts, err = o.AcknowledgeStop(o.station("oyster-steps"), govern.StopSeen{Stop: "1", Site: "oyster-steps", Person: "x"})
	o.refused("STOP_ELSEWHERE", acts, err)
	acts, err = o.AcknowledgeStop(o.station("tannery-row"), govern.StopSeen{Stop: "1", Site: "tannery-row"})
	o.refused("BAD_REQUEST", acts, err)
	o.do(o.AcknowledgeStop(o.station("tannery-row"), govern.StopSeen{Stop: "1", Site: "tannery-row", Person: "Ines"}))
	for age, want := range map[time.Duration]int{0: 0, 15*time.Minute - 1: 0, 15 * time.Minute: 1, 30 * time.Minute: 2, 59 * time.Minute: 2, time.Hour: 3} {
		sites := o.StopSites("1", monday.Add(age))
		if len(sites) != 2 || sites[0].Site != "lantern-hill" || sites[0].Escalation != want || sites[1].Escalation != 0 || sites[1].Ack.Person != "Ines" {
			t.Fatalf("after %s: %+v", age, sites)
		}
	}
	o.do(o.LiftStop(o.call("kit"), "1", "the supplier's letter"))
	acts, err = o.LiftStop(o.call("kit"), "1", "again")
	o.refused("LIFT_NEEDS_SECOND", acts, err)
	if v, _ := o.StopList(); v != v1 {
		t.Fatal("asking changed the list")
	}
	o.do(o.LiftStop(o.call("eve"), "1", ""))
	if got := govern.Sentence(o.acts[len(o.acts)-1]); got != "Eve lifted stop 1, as kit had asked." {
		t.Fatal(got)
	}
	v2, list := o.StopList()
	if s, _ := o.Stop("1"); v2 != 2 || len(list) != 0 || s.AckCount != 1 || s.LiftReason != "the supplier's letter" {
		t.Fatal(v2, list, s)
	}
	// A station that comes back later still tells who saw it; nothing is left
	// to do.
	if acts, err := o.AcknowledgeStop(o.station("lantern-hill"), govern.StopSeen{Stop: "1", Site: "lantern-hill", Person: "Jo"}); err != nil || acts != nil {
		t.Fatal(acts, err)
	}
	o.replays()
}

func TestKeyLists(t *testing.T) {
	o := launched(t)
	o.do(o.AcceptKeyList(o.system(), govern.KeyListAccepted{Version: 1, Digest: digest(1), Summary: "trusts one key."}))
	acts, err := o.AcceptKeyList(o.system(), govern.KeyListAccepted{Version: 2, Digest: digest(2)})
	o.refused("PERSON_NEEDED", acts, err)
	acts, err = o.AcceptKeyList(o.call("max"), govern.KeyListAccepted{Version: 3, Digest: digest(3)})
	o.refused("KEY_LIST_VERSION", acts, err)
	o.do(o.AcceptKeyList(o.call("max"), govern.KeyListAccepted{Version: 2, Digest: digest(2)}))
	if len(o.KeyLists()) != 2 {
		t.Fatal(o.KeyLists())
	}
	o.do(o.RaiseNumber(o.system(), 40), nil)
	if o.NextRelease() != 41 || o.RaiseNumber(o.system(), 3) != nil {
		t.Fatal(o.NextRelease())
	}
	o.replays()
}
