package tablet

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/bar"
)

func TestABuildIsLoggedWithoutScript(t *testing.T) {
	s := newShop(t)
	v := visit(t, s)
	home := v.get("/")
	wants(t, home, "Release 1", "edition 1", "Offline: it works on", "All sent", "Latte")
	// Two taps: the drink, then size and milk.
	wants(t, v.get("/drink/latte"), "medium Oat drink")
	page := v.post("/begin", "serving", "latte/medium/oat-drink")
	build := s.state().Open.ID
	if v.at != "/build/"+build {
		t.Fatalf("at %s", v.at)
	}
	wants(t, page, "Latte medium, Oat drink", "By release 1", "at pump on", "25 to 31 s", "aerate: 15 % air", "never above 65 °C",
		"Separate jug and wand routine for oat drink.", "pull 1 of 2", "1 spout is left over", "4 values are asked for")
	if !strings.Contains(page, `<svg class="cup"`) {
		t.Error("no cup is drawn")
	}
	at := "/build/" + build
	wants(t, v.post(at+"/timer", "act", "start"), "Stop")
	s.Clock.Add(22 * time.Second)
	wants(t, v.post(at+"/timer", "act", "stop"), "Shot time 3 s fast: grind finer", "by this timer", "pull 2 of 2")
	wants(t, v.post(at+"/reading", "check", "yield", "n", "1", "act", "target"), "within tolerance by stepper")
	v.post(at+"/reading", "check", "yield", "n", "1", "act", "more")
	// Values by keypad: digit by digit, then entered.
	pad := v.get(at + "/keypad?check=yield&n=2&typed=36.&key=4")
	if !strings.Contains(pad, `value="36.4"`) {
		t.Error("the keypad lost what was typed")
	}
	if text := v.refused(at+"/keypad", "check", "yield", "n", "2", "act", "typed", "typed", "36.4.1"); !strings.Contains(text, "is no number") {
		t.Error(text)
	}
	v.post(at+"/keypad", "check", "yield", "n", "2", "act", "typed", "typed", "36,4")
	v.post(at+"/keypad", "check", "shot_time", "n", "2", "act", "typed", "typed", "28")
	wants(t, v.post(at+"/step", "step", "dose", "done", "yes"), "done")
	wants(t, v.post(at+"/step", "step", "dose", "done", "no"), "left out")
	v.post(at+"/step", "step", "dose", "done", "yes")
	var got []drink.Milli
	for _, r := range s.state().Open.Readings {
		got = append(got, r.Value)
	}
	if len(got) != 4 || got[0] != 36_100 && got[0] != 22_000 {
		t.Errorf("readings %v", got)
	}
	done := v.post(at + "/finish")
	if v.at != "/" {
		t.Errorf("at %s", v.at)
	}
	wants(t, done, "Off spec: Latte, medium, Oat drink", "Shot time 3 s fast: grind finer", "read 22 s, allowed 25 to 31 s", "Logged as no. 1 by release 1", "1 build waits to be sent")
	// A second tap on the same button changes nothing.
	v.post(at + "/finish")
	if st := s.state(); st.LastSequence != 1 {
		t.Errorf("logged %d times", st.LastSequence)
	}

	// Within a minute it can be put right; the original stays.
	page = v.post("/undo", "build", build)
	second := s.state().Open.ID
	wants(t, page, "You are correcting the build before", "Log the correction")
	v.post("/build/"+second+"/keypad", "check", "shot_time", "n", "1", "act", "typed", "typed", "27")
	wants(t, v.post("/build/"+second+"/finish"), "In spec:", "May be served.", "no. 2", "in place of the one before, which is kept")
	if st := s.state(); st.LastSequence != 2 || st.Last.Corrects != build {
		t.Errorf("%+v", st.Last)
	}
	s.Clock.Add(2 * time.Minute)
	if text := v.refused("/undo", "build", second); !strings.Contains(text, "for a minute") {
		t.Error(text)
	}
	lacks(t, v.get("/"), "Correct it")
}

func TestWhatMayHarmIsSaidInWords(t *testing.T) {
	s := newShop(t)
	v := visit(t, s)
	v.post("/begin", "serving", "latte/small/whole-milk")
	at := "/build/" + s.state().Open.ID
	v.post(at+"/keypad", "check", "milk_temp", "n", "1", "act", "typed", "typed", "68")
	page := v.get(at)
	wants(t, page, "Milk temperature 3 °C hot: do not serve; steam fresh milk and stop sooner")
	wants(t, v.post(at+"/finish"), "Do not serve: Latte, small", "It may harm a guest.", "Safety. Milk temperature 3 °C hot")
}

// An ingredient that nobody declared is a safety matter that is not known, and a
// release with one does not pass the check of a book; but a page may not depend
// on that.
func TestUndeclaredAllergensAreNeverFine(t *testing.T) {
	s := newShop(t)
	book := largeBook(t)
	for i := range book.Ingredients {
		if book.Ingredients[i].ID == "oat-drink" {
			book.Ingredients[i].Contains, book.Ingredients[i].MayContain, book.Ingredients[i].AllergensKnown = nil, nil, false
		}
	}
	s.Give(2, book)
	v := visit(t, s)
	page := v.post("/begin", "serving", "latte/medium/oat-drink")
	wants(t, page, "Contains unknown", "Not declared, so it may not be served to a guest who asks: Oat drink")
	at := "/build/" + s.state().Open.ID
	for _, n := range []string{"1", "2"} {
		v.post(at+"/reading", "check", "yield", "n", n, "act", "target")
		v.post(at+"/reading", "check", "shot_time", "n", n, "act", "target")
	}
	done := v.post(at + "/finish")
	wants(t, done, "Safety unknown:", "May not be served until what stands below is known.", "Nobody declared the allergens of Oat drink")
	lacks(t, done, "May be served.")
}

func TestAStoppedDrinkCannotBeBegun(t *testing.T) {
	s := newShop(t)
	v := visit(t, s)
	s.Stop(&pb.Stop{Id: "stop-7", Kind: pb.StopKind_STOP_KIND_DRINK, Target: "mocha", Reason: "undeclared nut", Scopes: []string{"chain"}})
	home := v.get("/")
	wants(t, home, "Stopped: ", "undeclared nut", "I have seen it")
	if strings.Contains(home, `id="begin-mocha`) || strings.Contains(home, `href="/drink/mocha"`) {
		t.Error("a stopped drink can be tapped")
	}
	if text := v.refused("/begin", "serving", "mocha/medium"); !strings.Contains(text, "Not done. Do not make it:") {
		t.Error(text)
	}
	// Head office is told who saw it.
	if text := v.refused("/stops/seen", "stop", "stop-7"); !strings.Contains(text, "Tap who you are first") {
		t.Error(text)
	}
	v.post("/people", "person", "otter")
	lacks(t, v.post("/stops/seen", "stop", "stop-7"), "I have seen it")
	wants(t, v.get("/"), "undeclared nut")
}

func TestANewReleaseIsAnnouncedAndAMidBuildOneWaits(t *testing.T) {
	s := newShop(t)
	v := visit(t, s)
	v.post("/people", "person", "otter")
	v.post("/begin", "serving", "latte/medium/whole-milk")
	at := "/build/" + s.state().Open.ID
	book := largeBook(t)
	for i := range serving(t, book, "latte/medium/whole-milk").Checks {
		if k := &serving(t, book, "latte/medium/whole-milk").Checks[i]; k.ID == "froth_depth" {
			k.Target, k.Low, k.High = 12_000, 10_000, 14_000
		}
	}
	s.Give(2, book)
	page := v.get(at)
	wants(t, page, "Release 2 is in force now.", "This drink goes on by release 1", "Froth depth 10 mm (8 to 12 mm)")
	lacks(t, page, "Release 2 is new here")
	for _, n := range []string{"1", "2"} {
		v.post(at+"/reading", "check", "yield", "n", n, "act", "target")
		v.post(at+"/reading", "check", "shot_time", "n", n, "act", "target")
	}
	home := v.post(at + "/finish")
	wants(t, home, "by release 1", "Release 2 is new here", "froth depth", "Read by otter")
	lacks(t, v.post("/news/read", "edition", "2"), "Release 2 is new here")
	wants(t, v.post("/begin", "serving", "latte/medium/whole-milk"), "By release 2", "Froth depth 12 mm (10 to 14 mm)")
}

func TestPeopleAreTappedAddedAndForgotten(t *testing.T) {
	s := newShop(t)
	v := visit(t, s)
	wants(t, v.get("/"), "Who is here?")
	wants(t, v.post("/people", "person", "heron"), "At the bar: heron")
	v.post("/people", "person", "otter")
	wants(t, v.get("/people"), "heron", "at the bar now")
	wants(t, v.post("/people", "person", ""), "Who is here?")
	lacks(t, v.post("/people/forget", "person", "heron"), "heron")
	if text := v.refused("/people", "person", strings.Repeat("x", 200)); !strings.Contains(text, "too long") {
		t.Error(text)
	}
}

func TestBuildsThatAreAbandonedOrUnlike(t *testing.T) {
	s := newShop(t)
	v := visit(t, s)
	v.post("/begin", "serving", "cappuccino/small")
	at := "/build/" + s.state().Open.ID
	if text := v.refused("/begin", "serving", "espresso/double"); !strings.Contains(text, "is open: finish or abandon it first") {
		t.Error(text)
	}
	wants(t, v.get("/"), "On its way: Cappuccino, small")
	wants(t, v.post(at+"/use", "vessel", "c350", "milk", "whole-milk", "shots", "3"), "Something was different: entered")
	if text := v.refused(at+"/abandon", "note", " "); !strings.Contains(text, "Say why") {
		t.Error(text)
	}
	v.post(at+"/abandon", "why", "spoilt")
	if s.state().Open != nil || v.at != "/" {
		t.Errorf("still open, at %s", v.at)
	}
	// What belongs to a build that is gone leads home and says so.
	if text := v.refused(at+"/step", "step", "pull", "done", "yes"); !strings.Contains(text, "not open any more") {
		t.Error(text)
	}
	v.get(at)
	if v.at != "/" {
		t.Errorf("at %s", v.at)
	}
	v.get("/build")
	if status, body := v.do(http.MethodGet, "/drink/tea", nil); status != http.StatusNotFound {
		t.Errorf("%d", status)
	} else {
		wants(t, body, "There is no drink “tea”")
	}
}

func TestMeasuringIsAskedForAndMayBeSkippedWithAReason(t *testing.T) {
	s := newShop(t, plan(239, 240, 120))
	v := visit(t, s)
	wants(t, v.get("/"), "Measure the next shot: Dose, Yield, Shot time until")
	v.post("/begin", "serving", "espresso/double")
	at := "/build/" + s.state().Open.ID
	wants(t, v.get(at), "Measure this one: Dose, Yield, Shot time", "3 values are asked for", "It cannot be measured")
	if text := v.refused(at + "/skip"); !strings.Contains(text, "Say why") {
		t.Error(text)
	}
	wants(t, v.post(at+"/skip", "why", "rush"), "Not measured: Too busy", "2 values are asked for")
}

func TestTheGrinderIsDialledIn(t *testing.T) {
	s := newShop(t)
	v := visit(t, s)
	wants(t, v.get("/dial-in"), "Opening", "not sold")
	wants(t, v.post("/dial-in/begin", "occasion", "opening"), "Grind a dose and throw it away.")
	for range 2 {
		v.post("/dial-in/purge", "dose", "18")
	}
	wants(t, v.get("/dial-in"), "Pull a shot, weigh it, time it.", "at pump on")
	if text := v.refused("/dial-in/shot", "setting", "12", "dose", "18", "yield", "36", "time", "abc"); !strings.Contains(text, "“abc” is no number") {
		t.Error(text)
	}
	settings := []string{"12", "11.5", "11", "11", "11"}
	times := []string{"22", "24", "27.5", "28", "28"}
	for i := range settings {
		s.Clock.Add(time.Minute)
		if st := s.state(); st.DialIn == nil || string(st.DialIn.Phase) != "pull" {
			break
		}
		wants(t, v.post("/dial-in/shot", "setting", settings[i], "dose", "18", "yield", "36", "time", times[i]), "Shots of this dial-in")
	}
	wants(t, v.get("/dial-in"), "taste the last one")
	if text := v.refused("/dial-in/tasted", "note", "sour"); !strings.Contains(text, "tap one of the two") {
		t.Error(text)
	}
	v.post("/dial-in/tasted", "right", "yes", "note", "round")
	wants(t, v.get("/day"), "This machine on")
}

func TestTheDayIsDrawnWithATableBehindIt(t *testing.T) {
	s := newShop(t)
	v := visit(t, s)
	for i := range 8 {
		s.make("flat-white/small/whole-milk", drink.Milli(28_000-i*700))
		s.Clock.Add(4 * time.Minute)
	}
	day := v.get("/day")
	wants(t, day, "This machine on 2 Nov 2026", "Drinks made", "Shot time", "tolerance of the book", "The same as a table", "beyond", "No check has ended yet.")
	if strings.Count(day, `<svg class="chart"`) == 0 || !strings.Contains(day, `class="tolerance"`) || !strings.Contains(day, `class="off"`) {
		t.Error("the chart lacks its band or its diamonds")
	}
	v.lang = "de"
	wants(t, v.get("/day?date=2026-11-02"), "Diese Maschine am 02.11.2026", "Toleranz des Buchs")
	if status, _ := v.do(http.MethodGet, "/day?date=yesterday", nil); status != http.StatusNotFound {
		t.Errorf("%d", status)
	}
}

func TestThePageSpeaksGerman(t *testing.T) {
	s := newShop(t)
	v := visit(t, s)
	v.lang = "fr, de-AT;q=0.8, en;q=0.5"
	home := v.get("/")
	if !strings.Contains(home, `<html lang="de">`) {
		t.Error("not in German")
	}
	wants(t, home, "Ausgabe 1", "Alles gesendet")
	v.post("/begin", "serving", "latte/medium/whole-milk")
	at := "/build/" + s.state().Open.ID
	page := v.post(at+"/keypad", "check", "yield", "n", "1", "act", "typed", "typed", "33,5")
	wants(t, page, "Bezugsmenge 1 g zu wenig: Bezug später stoppen", "34,5 bis 37,5 g", "Milch dämpfen")
	if !strings.Contains(page, `lang="en">Shots are exact`) && !strings.Contains(page, `lang="en"><li>Shots are exact`) {
		t.Error("the book's own words are not marked as English")
	}
	// Chosen by hand it stays, whatever the browser asks for.
	wants(t, v.post("/language", "language", "en", "back", at), "Yield (pull 1)")
	v.refused("/language", "language", "xx")
}

func TestWhatThePageAlwaysShows(t *testing.T) {
	s := newShop(t)
	s.show(func(st *bar.State) {
		st.Online, st.OutboxDepth, st.Heard = false, 12_345, st.Now.Add(-3*time.Hour)
		st.Stale, st.StaleReason = true, "the centre was not heard for 3 hours"
		st.NextRelease, st.NextAt = 2, st.Now.Add(19*time.Hour)
	})
	v := visit(t, s)
	for _, path := range []string{"/", "/drink/latte", "/people", "/dial-in", "/day"} {
		wants(t, v.get(path), "Release 1", "Release 2 takes over at 3 Nov 2026 05:00", "Offline: it works on", "head office heard 3 hours ago",
			"12345 builds wait to be sent", "The book here may be old.", "not heard for 3 hours")
	}
}
