package console

import (
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// everyScreen looks at the page that is open in each size and scheme: none is wider
// than its screen, each control has a name, nothing serious is found, and a
// picture is left where they are asked for.
func (w *walker) everyScreen(name string) {
	w.t.Helper()
	for _, screen := range []struct {
		name          string
		width, height int64
		mobile        bool
	}{{"phone", 390, 844, true}, {"laptop", 1280, 800, false}} {
		var how []chromedp.EmulateViewportOption
		if screen.mobile {
			how = append(how, chromedp.EmulateMobile)
		}
		for _, colours := range []string{"dark", "light"} {
			w.do("look at "+name, chromedp.EmulateViewport(screen.width, screen.height, how...), scheme(colours))
			wide, err := chromedp.Run(w.ctx, chromedp.Evaluate[float64](`document.documentElement.scrollWidth`))
			if err != nil {
				w.t.Fatal(err)
			}
			if int64(wide) > screen.width {
				w.t.Errorf("%s on a %s is %.0f wide, and the screen %d", name, screen.name, wide, screen.width)
			}
			if screen.mobile == (colours == "dark") {
				bad, err := chromedp.Run(w.ctx, chromedp.Evaluate[string](nameless))
				if err != nil {
					w.t.Fatal(err)
				}
				if bad != "" {
					w.t.Errorf("%s has controls without a name: %s", name, bad)
				}
				accessible(w.t, w.ctx, fmt.Sprintf("%s, %s, %s", name, screen.name, colours))
			}
			w.shot(fmt.Sprintf("%s-%s-%s", name, screen.name, colours))
		}
	}
}

// TestHeadOfficeActsInTheBrowser proposes an overlay and rebases it, adds a site,
// enrols a station, adds a person and makes a key, as head office would.
func TestHeadOfficeActsInTheBrowser(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "flo")
	d := openDesk(t, c, nil)
	knowsFirst(t, d)
	w := &walker{t: t, ctx: browser(t), base: d.srv.URL}
	click := func(css string) chromedp.Action[chromedp.Void] { return chromedp.Click(chromedp.CSS(css)) }
	seen := func(css string) chromedp.Action[chromedp.Void] { return chromedp.WaitVisible(chromedp.CSS(css)) }
	fill := func(css, value string) chromedp.Action[chromedp.Void] {
		return chromedp.SetValue(chromedp.CSS(css), value)
	}

	w.do("the author signs in", signInAs(w.base, c.tokens["ada"], "/overlays"))
	w.do("begin an overlay", click(`a[href="/overlays/new"]`), seen("select[name=scope]"))
	w.everyScreen("overlay-where")
	w.do("say where", fill("select[name=scope]", "site.oyster-steps"), click("button.first"), seen("select[name=file]"))
	w.do("open the latte", fill("select[name=file]", "drinks/latte.yaml"), click("#choose button"), seen("#file"))
	field := `form[data-try="checks.milk_temp.target"] `
	w.do("type into a field", fill(field+"input[name=value]", "75 °C"), chromedp.Evaluate[chromedp.Void](`document.querySelector('form[data-try="checks.milk_temp.target"] input[name=value]').dispatchEvent(new Event("input"))`),
		seen(field+".tried .tone.alert"))
	w.says("hard maximum for milk")
	w.do("set it", fill(field+"input[name=value]", "59 °C"), click(field+"button[value=set]"), seen("#propose button[value=propose]"))
	w.says("59 °C", "It would hold for Oyster Steps alone", "set here")
	w.everyScreen("overlay-effect")
	w.do("propose it", fill("#propose textarea", "Only the small boiler"), click("#propose button[value=propose]"), seen("#decide"))
	w.says("Proposed", "Only the small boiler")
	w.do("the approver signs in", signInAs(w.base, c.tokens["ben"], "/overlays/site.oyster-steps"), seen("#decide button.first"))
	n, err := chromedp.Run(w.ctx, chromedp.Evaluate[int](`document.querySelectorAll("input[name=caution]").length`))
	if err != nil {
		t.Fatal(err)
	}
	for i := range n {
		w.do("acknowledge", click(fmt.Sprintf(".cautions label.tick:nth-of-type(%d) input", i+1)))
	}
	w.do("approve", click("button[value=approver]"), chromedp.WaitNotPresent(chromedp.CSS("button[value=approver]")))

	approved(t, p, "Warmer", "warmer", "61 °C")
	p["flo"].did("/rollouts", "begin", "draft", "warmer", "shares", "")
	w.do("the author comes back", signInAs(w.base, c.tokens["ada"], "/overlays/site.oyster-steps"), seen("fieldset.sides"))
	w.says("60 °C", "61 °C", "59 °C")
	w.everyScreen("overlay-rebase")
	w.do("choose and rebase", click("fieldset.sides input[value=keep]"), click("button[value=rebase]"), chromedp.WaitNotPresent(chromedp.CSS("fieldset.sides")))
	w.says("Proposed", "59 °C")

	w.do("the fleet manager signs in", signInAs(w.base, c.tokens["flo"], "/places"))
	w.everyScreen("places")
	w.do("open the form of a site", click(`a[href="/places/new"]`), seen(".week"))
	w.do("send it with a fault", fill("[name='site.id']", "foundry-lane"), fill("[name='site.name']", "Foundry Lane"), fill("[name='site.region']", "harbour"), fill("[name='site.time_zone']", "Europe/London"),
		fill("[name='open6']", ""), click("button[value=add]"), seen("#open6-f"))
	w.everyScreen("place-new")
	w.do("mend it and send it", click("[name=closed6]"), click("button[value=add]"), seen("#acts"))
	w.says("Foundry Lane", "Sun closed", "No station is enrolled here yet")
	w.do("make a code", click("button[value=enrol]"), seen("#once .secret"))
	w.everyScreen("place-code")
	code, err := chromedp.Run(w.ctx, chromedp.Text(chromedp.CSS("#once .secret")))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := pb.NewFleetServiceClient(c.cc).EnrolStation(t.Context(), &pb.EnrolStationRequest{Code: code}); err != nil {
		t.Fatal(err)
	}
	w.do("see it enrolled", chromedp.Navigate(w.base+"/places/foundry-lane"), seen("#stations table"))
	w.says("bar-1", "never heard of since it was enrolled")

	w.do("the administrator signs in", signInAs(w.base, c.tokens["admin"], "/people"), seen("#add"))
	w.everyScreen("people")
	w.do("add a person", fill("#add [name=display_name]", "Nia Reed"), fill("#add [name=person_id]", "nia"), click("#add input[value=author]"), click("#add button.first"), seen("#once .secret"))
	w.says("The token of Nia Reed, this once", "cannot be shown again")
	w.everyScreen("people-token")
	w.do("look at her page", chromedp.Navigate(w.base+"/people/nia"), seen("#acts"))
	w.everyScreen("person")
	w.do("look at one's own", chromedp.Navigate(w.base+"/people/admin"), seen("#acts"))
	w.everyScreen("person-last-admin")
	w.do("look at the keys", chromedp.Navigate(w.base+"/keys"), seen("#make"))
	w.everyScreen("keys")
	w.do("make a key", fill("#make [name=label]", "authority, winter 2026"), click("button[value=make]"), seen("#once .secret"))
	w.says("It signs nothing before a key list names it")
	w.everyScreen("keys-made")
}
