package console

import (
	"errors"
	"io/fs"
	"net/url"
	"os"
	"strings"
	"testing"

	"github.com/google/uuid"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/overlay"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// TestFilesAreRebuiltOfTheirFields takes books apart as ResolveSite does, and wants
// the same fields with the same paths and values back.
func TestFilesAreRebuiltOfTheirFields(t *testing.T) {
	for _, name := range []string{"harbour-finch", "harbour-finch-counter", "harbour-finch-shapes"} {
		sub, err := fs.Sub(os.DirFS("../../testdata"), name)
		if err != nil {
			t.Fatal(err)
		}
		files, problems := drink.ReadFiles(sub)
		if err := problems.Err(); err != nil {
			t.Fatal(err)
		}
		var told []*pb.FieldOrigin
		for file, src := range files {
			for _, f := range bookedit.Fields(src) {
				told = append(told, &pb.FieldOrigin{File: file, Path: f.Path, Value: f.Value, Line: int32(f.Line)}) //nolint:gosec // a line of a small file
			}
		}
		for _, d := range bookedit.Diff(files, rebuilt(told)) {
			t.Errorf("%s: %s: %q became %q", name, d, d.Old, d.New)
		}
	}
}

func FuzzReadSet(f *testing.F) {
	f.Add(`[["drinks/latte.yaml","checks.milk_temp.target","61 °C"]]`)
	f.Add(`[["a","b"]]`)
	f.Add(`{}`)
	f.Fuzz(func(t *testing.T, text string) {
		edits, err := readSet(text)
		if err != nil {
			return
		}
		again, err := readSet(writeSet(edits))
		if err != nil || len(again) != len(edits) {
			t.Errorf("%d edits come back as %d, %v", len(edits), len(again), err)
		}
	})
}

func TestFieldsOfOverlaysAreNamed(t *testing.T) {
	files := counterFiles(t)
	read, _ := drink.LoadFiles(files)
	b, whole := newBook(read, 0), sourcesOf(files, true)
	for _, c := range []struct{ file, path, want string }{
		{"drinks/latte.yaml", "checks.milk_temp.target", "Latte, checks: milk temperature, target"},
		{"drinks/latte.yaml", "servings[size=mug].vessel", "Latte, mug: vessel"},
		{"drinks/latte.yaml", "name", "Latte: name"},
		{"drinks/latte.yaml", "cautions[+]", "Latte, cautions: one more"},
		{"house.yaml", "milk_max", "The house: milk max"},
	} {
		if got := fieldWords(b, whole, c.file, c.path); !strings.EqualFold(got, c.want) {
			t.Errorf("%s %s is %q, want %q", c.file, c.path, got, c.want)
		}
	}
}

// overlayAt is the editor's address with fields set.
func overlayAt(scope string, set ...string) string {
	s := &editorState{scope: scope, file: "drinks/latte.yaml"}
	var edits []overlay.Edit
	for i := 0; i+1 < len(set); i += 2 {
		edits = append(edits, overlay.Edit{File: "drinks/latte.yaml", Path: set[i], Value: set[i+1]})
	}
	return s.address(edits)
}

const milkTarget = "checks.milk_temp.target"

// knowsFirst has consoles know the sources of the edition that officeChain
// publishes. To ask a site for them takes long under the race detector;
// TestABasisIsExactOrNone does it.
func knowsFirst(t *testing.T, desks ...*desk) {
	t.Helper()
	files := counterFiles(t)
	for _, d := range desks {
		d.con.bases.put(1, files, true)
	}
}

func TestAnOverlayIsProposedWithItsEffectSeen(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "olu")
	ada := p["ada"]
	knowsFirst(t, ada, p["ben"])
	ada.want("/overlays", 200, "Propose an overlay", "There is no overlay")
	p["olu"].want("/overlays", 200, "To propose an overlay needs the role author")
	ada.want("/overlays/new", 200, `value="region.harbour"`, `value="site.oyster-steps"`)
	ada.want("/overlays/new?scope=site.nowhere", 404, "There is no such region or site")
	ada.want("/overlays/new?scope=site.oyster-steps", 200, "On edition 1", "Oyster Steps", `value="drinks/latte.yaml"`, ">Ingredients</option>", "Nothing yet.")
	at := "/overlays/new?scope=site.oyster-steps&file=drinks%2Flatte.yaml"
	ada.want("/overlays/new?scope=site.oyster-steps&file=drinks/none.yaml", 404, "There is no such file of this edition", "All files")
	ada.want("/overlays/new?scope=site.oyster-steps&file=../house.yaml", 400, "is none of a book")
	ada.want(at, 200, "Milk temperature, target", `value="60 °C"`, `<option value="Mug"`)
	if strings.Contains(ada.want(at+"&part=Mug", 200), "Milk temperature, target") {
		t.Error("another part than the mug is shown")
	}
	// Tried, it is told and not kept; set, it stands in the address.
	next := ada.did(at, "try", "path", milkTarget, "value", "75 °C", "anchor", "f3")
	ada.want(strings.Split(next, "#")[0], 200, "hard maximum for milk", "Tried, not saved", "Nothing yet.")
	ada.want("/overlays/new/try?"+url.Values{"scope": {"site.oyster-steps"}, "file": {"drinks/latte.yaml"}, "path": {milkTarget}, "try": {"75 °C"}}.Encode(), 200, "hard maximum for milk")
	for value, words := range map[string]string{"60 °C": "in the base already", "": "Nothing was written"} {
		if got := ada.refused(at, 422, []string{words}, "set", "path", milkTarget, "value", value, "anchor", "f3"); !strings.Contains(cutBetween(got, `data-try="`+milkTarget+`"`, "</form>"), words) {
			t.Errorf("%q is not refused at its field", value)
		}
	}
	bad := strings.Split(ada.did(at, "set", "path", milkTarget, "value", "75 °C"), "#")[0]
	ada.want(bad, 200, "It cannot be proposed so", "Mend what stands above first")
	ada.refused(bad, 409, []string{"hard maximum"}, "propose", "reason", "Hotter")
	good := strings.Split(ada.did(at, "set", "path", milkTarget, "value", "59 °C"), "#")[0]
	body := ada.want(good, 200, "<s>60 °C</s>", "<strong>59 °C</strong>", "Latte, checks: milk temperature, target", "It would hold for Oyster Steps alone", "set here", "What follows from it", "Propose it")
	if strings.Contains(body, "An approver") {
		t.Error("an approval is offered before there is anything to approve")
	}
	// Set back to what the edition has, it is out again.
	if back := ada.did(good, "set", "path", milkTarget, "value", "60 °C"); strings.Contains(back, "59") {
		t.Errorf("it is still set: %s", back)
	}
	if out := ada.did(good, "drop", "n", "0"); strings.Contains(out, "59") {
		t.Errorf("it is still set: %s", out)
	}
	ada.refused(good, 422, []string{"Say why"}, "propose", "reason", " ")
	ada.refused(at, 422, []string{"It sets nothing yet"}, "propose", "reason", "Only the small boiler")
	// The same form twice is one overlay.
	f := url.Values{"act": {"propose"}, "request_id": {uuid.NewString()}, "reason": {"Only the small boiler"}, "etag": {""}}
	for range 2 {
		if res, body := ada.post(good, f); res.StatusCode != 303 || res.Header.Get("Location") != "/overlays/site.oyster-steps" {
			t.Fatalf("%d %s", res.StatusCode, told(body))
		}
	}
	ada.want("/overlays/site.oyster-steps", 200, "Proposed", "Only the small boiler", "59 °C", "You edited this")
	f.Set("request_id", uuid.NewString())
	if res, body := ada.post(good, f); res.StatusCode != 409 || !strings.Contains(body, "has an overlay already") {
		t.Errorf("a second overlay of the site: %d %s", res.StatusCode, told(body))
	}
	p["ben"].refused(good, 403, []string{"it needs the role author"}, "propose", "reason", "Mine")
	p["ben"].want(good, 200, "What is tried here stays here", "59 °C")

	// Changed by who wrote it, it is proposed anew, and checked against what was read.
	body = ada.want("/overlays/new?scope=site.oyster-steps", 200, "Changing the overlay of Oyster Steps", "<strong>59 °C</strong>", "Propose it anew")
	etag := hiddenField.FindStringSubmatch(body)[1]
	more := overlayAt("site.oyster-steps", milkTarget, "58 °C")
	ada.did(more, "propose", "reason", "A smaller boiler still")
	ada.want("/overlays/site.oyster-steps", 200, "58 °C", "A smaller boiler still")
	res, body := ada.post(more, url.Values{"act": {"propose"}, "request_id": {uuid.NewString()}, "etag": {etag}, "reason": {"Late"}})
	if res.StatusCode != 409 || !strings.Contains(body, "Somebody was faster") {
		t.Errorf("an old etag: %d %s", res.StatusCode, told(body))
	}
	p["ben"].did("/overlays/site.oyster-steps", "retire", "reason", "The boiler was replaced")
	ada.want("/overlays/new?scope=site.oyster-steps", 200, "A new overlay for Oyster Steps")
	ada.want("/overlays/new?scope=site.oyster-steps&set=nonsense", 400, "could not be read")
	ada.want("/overlays/new?scope=site.oyster-steps&set="+strings.Repeat("x", maxSet+1), 400, "more than an address takes")
}

func TestAnOverlayIsRebasedFieldByField(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "flo")
	ada, ben := p["ada"], p["ben"]
	knowsFirst(t, ada, ben)
	propose := func(scope string, set ...string) {
		t.Helper()
		ada.did(overlayAt(scope, set...), "propose", "reason", "Only the small boiler")
		body := ben.want("/overlays/"+scope, 200)
		ben.did("/overlays/"+scope, "approver", ticks(body)...)
	}
	const mugAir = "servings[size=mug].air"
	propose("site.oyster-steps", milkTarget, "59 °C", mugAir, "14 %")
	propose("site.quillmaker-street", milkTarget, "58 °C")
	ada.did(overlayAt("site.tannery-row", mugAir, "13 %"), "propose", "reason", "A drier froth")
	// An edition is numbered as its release, and the two overlays were 2 and 3.
	approved(t, p, "Warmer", "warmer", "61 °C")
	p["flo"].did("/rollouts", "begin", "draft", "warmer", "shares", "")
	const pending = "/overlays/site.tannery-row"
	if body := ben.want(pending, 200, "A newer edition came out since it was proposed"); strings.Contains(body, "Approve as approver") {
		t.Error("what would be refused is offered")
	}
	ada.want(pending, 200, "The new edition touched none of its fields")
	ada.did(pending, "rebase")
	ben.want(pending, 200, "Approve as approver", "pinned on edition 4")
	const at = "/overlays/site.oyster-steps"
	body := ada.want(at, 200, "Edition 4 changed what it sets", "it was 60 °C, the edition now says 61 °C, ours is 59 °C", "Propose it anew on edition 4", `<legend>Latte, checks: milk temperature, target</legend>`, "<dd>60 °C</dd>", "<dd>61 °C</dd>", "<dd>59 °C</dd>", "1 other field stays as it is")
	if n := strings.Count(body, `value="keep"`); n != 1 {
		t.Errorf("%d fields are asked about, want the one", n)
	}
	// Never silently: without a choice it is refused at the field.
	ada.refused(at, 422, []string{"Say which value stands"}, "rebase")
	side := sideName(0)
	// Weighed, nothing is sent, and the editor shows what it comes to.
	weighed := ada.did(at, "weigh", side, "take")
	ada.want(strings.Split(weighed, "#")[0], 200, "Changing the overlay of Oyster Steps", "<strong>14 %</strong>")
	ada.want(at, 200, "Needs rebase")
	ada.did(at, "rebase", side, "take", "reason", "The new temperature suits us")
	body = ada.want(at, 200, "pinned on edition 4", "14 %", "The new temperature suits us")
	if strings.Contains(body, "59 °C") {
		t.Error("what was given up is still set")
	}
	// Where nothing would be left it says to retire it; kept, it is proposed as it was.
	const other = "/overlays/site.quillmaker-street"
	ada.refused(other, 422, []string{"Nothing would be left of it", "Retire the overlay instead"}, "rebase", side, "take")
	ada.did(other, "rebase", side, "keep")
	ada.want(other, 200, "58 °C", "pinned on edition 4", "Only the small boiler")
	ben.want(other, 200, "Approve as approver")
}

// TestABasisIsExactOrNone wants the sources of an edition from its draft, from a
// site, or not at all.
func TestABasisIsExactOrNone(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "flo")
	approved(t, p, "Warmer", "warmer", "61 °C")
	p["flo"].did("/rollouts", "begin", "draft", "warmer", "shares", "")
	d := openDesk(t, c, nil)
	v := &visit{c: d.con, ask: &d.con.ask, now: c.now(), ctx: c.asPerson(t.Context(), "ada"), me: person{Name: "ada"}}
	info, err := v.newestEdition()
	if err != nil || info.Edition != 2 {
		t.Fatalf("edition %v, %v", info, err)
	}
	released, err := v.bookOf(info.Number)
	if err != nil {
		t.Fatal(err)
	}
	draft, err := v.draftSources(info)
	if err != nil {
		t.Fatal(err)
	}
	site, err := v.siteSources(info, sources{}, nil, []string{"drinks/latte.yaml"})
	if err != nil {
		t.Fatal(err)
	}
	part := map[string][]byte{}
	for name := range site {
		part[name] = draft[name]
	}
	if diff := bookedit.Diff(part, site); len(diff) > 0 || len(site) != len(sharedFiles)+1 || len(draft) == 0 || !gives(site, released) {
		t.Errorf("%d files; a draft and a site that follows it differ: %v", len(draft), diff)
	}
	// A region's overlay lies beneath those of its sites.
	region := []*pb.Overlay{{Scope: "region.harbour", State: pb.OverlayState_OVERLAY_STATE_ACTIVE, Edits: []*pb.OverlayEdit{{Edit: &pb.FieldEdit{File: "drinks/latte.yaml", Path: milkTarget, Value: "59 °C"}, BaseValue: "61 °C"}}}}
	for scope, want := range map[string]string{"site.tannery-row": "59 °C", "site.oyster-steps": "61 °C", "region.harbour": "61 °C"} {
		b, err := v.basisOf(scope, region, []string{"drinks/latte.yaml"})
		if err != nil {
			t.Fatal(err)
		}
		if got, _, _ := bookedit.Get(b.files["drinks/latte.yaml"], milkTarget); got != want || b.note != "" {
			t.Errorf("%s departs from %s, want %s; %s", scope, got, want, b.note)
		}
	}
	region[0].State = pb.OverlayState_OVERLAY_STATE_PROPOSED
	if b, err := v.basisOf("site.tannery-row", region, nil); err != nil || !strings.Contains(b.note, "those without it") {
		t.Errorf("%+v, %v", b, err)
	}
	d.con.bases = baseCache{}
	info.Edition, info.RollsBackTo = 99, 0
	if _, err := v.sourcesOf(info, released, nil, nil); !errors.Is(err, errNoBasis) {
		t.Errorf("an edition that nobody follows: %v", err)
	}
}
