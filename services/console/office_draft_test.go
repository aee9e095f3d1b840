package console

import (
	"encoding/csv"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"
)

const latteAt = "/drafts/autumn-menu?file=drinks%2Flatte.yaml"

func TestADraftGoesFromItsFirstEditToAnApproval(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "fay", "olu")
	ada, ben := p["ada"], p["ben"]
	ada.want("/drafts", 200, "No draft is on its way", "Begin a draft", `aria-current="page"`)
	if at := ada.did("/drafts", "begin", "title", "Autumn menu"); at != "/drafts/autumn-menu" {
		t.Fatalf("the draft is at %s", at)
	}
	ada.want("/drafts", 200, "Autumn menu", "its author, to propose it", "Ada Brook")
	ada.want("/drafts/autumn-menu", 200, `class="in-espresso"`, "Flat white", "says the same as the newest edition", "house.yaml", "What the check finds", "Propose it")
	ada.want(latteAt, 200, `name="path" value="servings[size=glass].air"`, "Milk temperature, target", `<div class="beside"><svg class="cup"`, "The whole file")

	// Trying saves nothing; the address brings it back.
	at := ada.did(latteAt, "try", "path", "servings[size=glass].air", "value", "30 %", "anchor", "f19")
	ada.want(strings.Split(at, "#")[0], 200, `value="30 %"`, "overfills the vessel", "froth as it comes 10 mm → 36 mm", "Tried, not saved")
	ada.want("/drafts/autumn-menu/try?"+url.Values{"file": {"drinks/latte.yaml"}, "path": {"servings[size=glass].air"}, "try": {"30 %"}}.Encode(), 200, "overfills the vessel")
	ada.want("/drafts/autumn-menu", 200, "says the same as the newest edition")

	// An error is saved, told at its field, and keeps the draft from going on.
	if at := ada.did(latteAt, "save", "path", "checks.milk_temp.target", "value", "75 °C", "anchor", "f17"); at != latteAt+"#f17" {
		t.Errorf("saved, and on to %s", at)
	}
	body := ada.want(latteAt, 200, "errors to mend", "hard maximum for milk", `value="75 °C"`)
	if field := cutBetween(body, `data-try="checks.milk_temp.target"`, "</form>"); !strings.Contains(field, "hard maximum") || !strings.Contains(field, `aria-invalid="true"`) {
		t.Errorf("the finding is not at its field: %s", field)
	}
	ada.refused("/drafts/autumn-menu", 409, []string{"hard maximum for milk"}, "propose")
	ada.want("/drafts/autumn-menu/review", 200, "The book has errors")
	ada.did(latteAt, "save", "path", "checks.milk_temp.target", "value", "61 °C")
	ada.want("/drafts/autumn-menu", 200, "60 °C", "61 °C", "reaches 4 sites: ")
	ada.refused(latteAt, 422, []string{"This cannot be stated so"}, "save", "path", "servings[size=none].air", "value", "1 %")

	// A remark, a title, a file as a whole.
	ada.did(latteAt, "remark", "about", "drinks/latte.yaml", "text", "Warmer for the autumn")
	ada.did("/drafts/autumn-menu", "title", "title", "Autumn menu 2026")
	ada.want("/drafts/autumn-menu", 200, "Warmer for the autumn", "Autumn menu 2026")
	ada.want(latteAt+"&as=yaml", 200, "milk_temp: {target: 61 °C", "Save the file")
	ada.did("/drafts/autumn-menu?as=new", "file", "file", "drinks/cortado.yaml", "content", "id: cortado\r\nname: Cortado\r\nsteps: [dose, pull, {act: steam, ingredient: milk, after: []}, {act: wipe, criticality: safety}, {act: pour, after: [pull, steam]}]\r\nchecks:\r\n  # as for a flat white\r\n  milk_temp: {target: 60 °C, within: 4 °C}\r\nservings:\r\n  - {size: cup, vessel: cup, shots: 1, milk: whole-milk, air: 10 %, parts: [{ingredient: milk, amount: 100 ml}]}\r\n")
	ada.want("/drafts/autumn-menu?file=drinks%2Fcortado.yaml&as=yaml", 200, "# as for a flat white\n")
	ada.did("/drafts/autumn-menu?file=drinks%2Fcortado.yaml", "remove")

	// The table leaves as CSV.
	_, body = ada.get("/drafts/autumn-menu?format=csv&of=changes")
	if rows, err := csv.NewReader(strings.NewReader(body)).ReadAll(); err != nil || len(rows) < 2 {
		t.Errorf("%d rows, %v: %s", len(rows), err, body)
	}

	// Whoever may not is told what is missing and who could.
	ben.want("/drafts/autumn-menu", 200, "To edit it needs the role author, and yours is approver. Ada Brook could.")
	ben.want("/drafts", 200, "To begin a draft needs the role author")
	ben.refused(latteAt, 403, []string{"Your roles do not allow this", "it needs the role author"}, "save", "path", "name", "value", "Mine")
	p["olu"].want("/drafts/autumn-menu/review", 200, "It is not proposed yet")

	ada.did("/drafts/autumn-menu", "propose")
	ada.want("/drafts/autumn-menu/review", 200, "You edited this, so you may not approve it. Who could:", "Ben Ode")
	body = ada.want("/drafts/autumn-menu/review", 200)
	ada.refused("/drafts/autumn-menu/review", 403, []string{"Your roles do not allow this"}, "approver", ticks(body)...)

	// Each caution is acknowledged by itself, or it is refused.
	body = ben.want("/drafts/autumn-menu/review", 200, "Each caution is acknowledged by itself", "Approve as approver", "scalds")
	if strings.Contains(body, "Approve as food-safety") {
		t.Error("an approver is offered the approval for food safety")
	}
	all := ticks(body)
	if len(all) < 4 {
		t.Fatalf("cautions: %v", all)
	}
	body = ben.refused("/drafts/autumn-menu/review", 409, []string{"Each caution has to be acknowledged", "Not acknowledged yet."}, "approver", all[:2]...)
	if n := strings.Count(body, " checked>"); n != 1 {
		t.Errorf("%d boxes are still ticked, want the one", n)
	}
	ben.did("/drafts/autumn-menu/review", "return", "reason", "Say why in a remark")
	ada.did("/drafts/autumn-menu", "propose")
	ben.did("/drafts/autumn-menu/review", "approver", all...)
	ben.want("/drafts/autumn-menu/review", 200, "Ben Ode approved as approver", "/rollouts?draft=autumn-menu#start")
	p["olu"].want("/record?drink=latte", 200, "approved draft autumn-menu", "Ben Ode")
}

// cutBetween is what stands between two words of a page.
func cutBetween(s, from, to string) string {
	_, s, _ = strings.Cut(s, from)
	s, _, _ = strings.Cut(s, to)
	return s
}

func TestASafetyChangeNeedsFoodSafety(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "fay")
	ada := p["ada"]
	ada.did("/drafts", "begin", "title", "Oats")
	ada.did("/drafts/oats?file=house.yaml", "save", "path", "milk_max", "value", "64 °C")
	ada.did("/drafts/oats", "propose")
	body := p["ben"].want("/drafts/oats/review", 200, "A safety change.", `<span class="tone alert">safety</span>`, "Still has to approve: approver and food-safety")
	all := ticks(body)
	p["ben"].did("/drafts/oats/review", "approver", all...)
	p["ben"].want("/drafts/oats/review", 200, "You have approved it. The other approval, as food-safety, needs another person: Fay Quill.")
	p["fay"].want("/drafts/oats/review", 200, "Approve as food-safety", "Ben Ode approved as approver")
	p["fay"].did("/drafts/oats/review", "food-safety", all...)
	p["fay"].want("/drafts", 200, "approved", "a rollout")
}

func TestTwoWhoEditOneField(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "admin")
	ada := p["ada"]
	ada.did("/drafts", "begin", "title", "Autumn menu")
	etag := hiddenField.FindStringSubmatch(ada.want(latteAt, 200))[1]
	ada.did(latteAt, "save", "path", "checks.milk_temp.target", "value", "61 °C")
	stale := func(act string, fields ...string) string {
		t.Helper()
		f := url.Values{"act": {act}, "request_id": {uuid.NewString()}, "etag": {etag}}
		for i := 0; i+1 < len(fields); i += 2 {
			f.Set(fields[i], fields[i+1])
		}
		path := latteAt
		if act == "file" {
			path += "&as=yaml"
		}
		res, body := ada.post(path, f)
		if res.StatusCode != 409 {
			t.Fatalf("%s: %d %s", act, res.StatusCode, told(body))
		}
		return body
	}
	body := stale("save", "path", "checks.milk_temp.target", "value", "59 °C")
	for _, w := range []string{"Somebody was faster", "it stands at <strong>61 °C</strong> now, and yours is <strong>59 °C</strong>", `value="59 °C"`} {
		if !strings.Contains(body, w) {
			t.Errorf("the conflict lacks %q", w)
		}
	}
	body = stale("file", "file", "drinks/latte.yaml", "content", "id: latte\nname: Mine\nchecks:\n  milk_temp: {target: 58 °C}\n")
	for _, w := range []string{"Somebody saved this file in between", "checks.milk_temp.target: stands now 61 °C; yours 58 °C", "name: Mine"} {
		if !strings.Contains(body, w) {
			t.Errorf("the conflict of a file lacks %q", w)
		}
	}
	// The same request twice is done once.
	f := url.Values{"act": {"remark"}, "request_id": {uuid.NewString()}, "text": {"Twice sent"}}
	for range 2 {
		if res, body := ada.post("/drafts/autumn-menu", f); res.StatusCode != 303 {
			t.Fatalf("%d %s", res.StatusCode, told(body))
		}
	}
	if n := strings.Count(ada.want("/drafts/autumn-menu", 200), "Twice sent"); n != 1 {
		t.Errorf("the remark stands %d times", n)
	}
	// Another site cannot send a form.
	if res, _ := ada.post("/drafts/autumn-menu", f, "Sec-Fetch-Site", "cross-site"); res.StatusCode != 403 {
		t.Errorf("a form from another site: %d", res.StatusCode)
	}
	ada.want("/drafts/none", 404, "There is no such draft", `href="/drafts"`)
	ada.want("/drafts/autumn-menu?file=drinks/none.yaml", 404, "The whole draft")
	ada.refused("/drafts/autumn-menu", 422, []string{"reason"}, "withdraw", "reason", "")
	ada.did("/drafts/autumn-menu", "withdraw", "reason", "Put off")
	ada.want("/drafts?show=all", 200, "withdrawn")
	ada.refused(latteAt, 409, []string{"Not as things are"}, "save", "path", "name", "value", "Late")
}

func TestADraftIsBroughtUpToANewerEdition(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "flo")
	ada := p["ada"]
	ada.did("/drafts", "begin", "title", "Later")
	ada.did("/drafts/later?file=drinks%2Flatte.yaml", "save", "path", "checks.milk_temp.target", "value", "58 °C")
	approved(t, p, "Warmer", "warmer", "61 °C")
	p["flo"].did("/rollouts", "begin", "draft", "warmer", "shares", "")
	ada.want("/drafts/later", 200, "Bring it up to the newest edition")
	ada.refused("/drafts/later", 409, []string{"has another value since the draft was begun"}, "propose")
	const field = "drinks/latte.yaml checks.milk_temp.target"
	body := ada.refused("/drafts/later", 409, []string{"Not as things are", `<legend>` + field, `value="keep" required`}, "rebase")
	if strings.Count(body, `name="field"`) != 1 {
		t.Error("more than the one field is asked about")
	}
	ada.did("/drafts/later", "rebase", "field", field, "side:"+field, "keep")
	ada.want("/drafts/later", 200, "from edition 2", "61 °C", "58 °C")
	ada.did("/drafts/later", "propose")
}
