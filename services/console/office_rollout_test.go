package console

import (
	"bufio"
	"context"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// approved takes a change of the latte from draft to approval.
func approved(t *testing.T, p map[string]*desk, title, id, value string) {
	t.Helper()
	p["ada"].did("/drafts", "begin", "title", title)
	p["ada"].did("/drafts/"+id+"?file=drinks%2Flatte.yaml", "save", "path", "checks.milk_temp.target", "value", value)
	p["ada"].did("/drafts/"+id, "propose")
	_, body := p["ben"].get("/drafts/" + id + "/review")
	p["ben"].did("/drafts/"+id+"/review", "approver", ticks(body)...)
}

func TestARolloutIsBegunGoneOnWithHaltedAndRolledBack(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "flo", "lea", "olu")
	flo := p["flo"]
	flo.want("/rollouts", 200, "No rollout yet", "No draft is approved and waiting")
	approved(t, p, "Warmer", "warmer", "61 °C")
	p["ada"].want("/rollouts", 200, "To begin a rollout needs the role fleet-manager", "Flo Marsh could.")
	p["ada"].refused("/rollouts", 403, []string{"it needs the role fleet-manager"}, "begin", "draft", "warmer")
	flo.want("/rollouts?draft=warmer", 200, `<option value="warmer" selected>Warmer`, "tannery-row")
	flo.refused("/rollouts", 422, []string{"Write whole numbers from 1 to 99", `value="5x"`}, "begin", "draft", "warmer", "shares", "5x")
	flo.refused("/rollouts", 422, []string{"without a day"}, "begin", "draft", "warmer", "minute", "06:30")
	flo.refused("/rollouts", 409, []string{"there is no such site"}, "begin", "draft", "warmer", "sites", "nowhere")
	if at := flo.did("/rollouts", "begin", "draft", "warmer", "sites", "tannery-row", "shares", "75 %", "false_alarm", "2.5"); at != "/rollouts/2" {
		t.Fatalf("the rollout is at %s", at)
	}
	flo.want("/rollouts/2", 200, "Wave 1: Tannery Row", "Wave 2: 75 % of the sites", "Wave 3: all sites that are left", "Not open yet", "2 silent", "Cannot tell yet", "at most about 2.5 %", "draft warmer")
	c.heard(t, "tannery-row", "bar-1", 2, true)
	c.heard(t, "tannery-row", "bar-2", 1, false, &pb.Refusal{Release: 2, Reason: "BAD_BOOK", Detail: "this machine has no probe"})
	if err := eventually("both are heard", func() (bool, error) {
		_, body := flo.get("/rollouts/2")
		return strings.Contains(body, "1 uses it, 1 refused"), nil
	}); err != nil {
		t.Fatal(err)
	}
	flo.want("/rollouts/2?state=refused", 200, "this machine has no probe", `<option value="refused" selected>`)
	flo.want("/rollouts/2?state=stale", 200, "No station is so")
	p["olu"].want("/rollouts/2", 200, "needs the role fleet-manager", "To halt it needs")

	// Going on before the test can tell needs a reason.
	flo.refused("/rollouts/2", 409, []string{"to go on regardless, say why"}, "go")
	p["lea"].refused("/rollouts/2", 403, []string{"it needs the role fleet-manager"}, "go", "reason", "fine")
	flo.did("/rollouts/2", "go", "reason", "Tasted at Tannery Row", "day", "2026-10-07", "minute", "06:30")
	flo.want("/rollouts/2", 200, "has it")
	flo.refused("/rollouts/2", 422, []string{"reason"}, "halt", "reason", "")
	p["lea"].did("/rollouts/2", "halt", "reason", "Foam collapses")
	flo.want("/rollouts/2", 200, "Why it is halted", "Foam collapses", "Resume it", "put a mended edition in its place")
	flo.want("/rollouts?replaces=2", 200, "To put another in the place of edition 2, a mended draft is approved first")
	approved(t, p, "Mended", "mended", "60.5 °C")
	flo.want("/rollouts?replaces=2", 200, `<option value="2" selected`)
	flo.refused("/rollouts/2", 409, []string{"is halted"}, "go", "reason", "on")
	flo.did("/rollouts/2", "resume", "reason", "It was one wand")
	flo.want("/rollouts/2", 200, "edition 1, the autumn book")
	if at := flo.did("/rollouts/2", "back", "reason", "Foam again"); at != "/rollouts/3" {
		t.Fatalf("rolled back to %s", at)
	}
	flo.want("/rollouts/2", 200, "Rolled back", "Nothing is left to decide here")
	flo.refused("/rollouts/2", 409, []string{"Another edition is newer"}, "back", "reason", "again")
	flo.want("/rollouts", 200, "Edition 3", "rolled back")
	flo.want("/rollouts/9", 404, "There is no such rollout", `href="/rollouts"`)
	flo.want("/rollouts/x", 404)
}

// tells is Flo's desk where the authority says something else of rollouts.
func tells(t *testing.T, c *chain, say func(*pb.Rollout)) *desk {
	t.Helper()
	return openDesk(t, c, func(cfg *Config) {
		cfg.Authority = &tellConn{ClientConnInterface: c.cc, change: func(reply any) {
			if r, ok := reply.(*pb.GetRolloutResponse); ok {
				say(r.Rollout)
			}
		}}
	}).as(c.tokens["flo"])
}

// courseOf is a test that comes to go on, over a second wave.
func courseOf(looks int) (out []*pb.WavePoint) {
	for i := range looks {
		n := uint64(60 * (i + 1)) //nolint:gosec // small
		x := func(slope float64) *pb.RateComparison {
			r := &pb.RateComparison{WaveBuilds: n, WaveDeviations: n / 50, ReferenceBuilds: 4000, ReferenceDeviations: 80, LogLikelihoodRatio: -slope * float64(i), LowerBound: -2.25, UpperBound: 2.89, Advice: pb.WaveAdvice_WAVE_ADVICE_CANNOT_TELL_YET}
			if r.LogLikelihoodRatio <= r.LowerBound {
				r.Advice = pb.WaveAdvice_WAVE_ADVICE_GO_ON
			}
			return r
		}
		p := &pb.WavePoint{LookTime: timestamppb.New(time.Date(2026, 10, 5, 9, 15*i, 0, 0, time.UTC)), OpenWaves: 1 + int32(2*i/looks), Advice: pb.WaveAdvice_WAVE_ADVICE_CANNOT_TELL_YET, OwnPast: x(0.09), OtherSites: x(0.06)} //nolint:gosec // small
		if p.OwnPast.Advice == p.OtherSites.Advice {
			p.Advice = p.OwnPast.Advice
		}
		out = append(out, p)
	}
	return out
}

func TestTheTestOfAWaveIsDrawnAndSaid(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "flo")
	approved(t, p, "Warmer", "warmer", "61 °C")
	p["flo"].did("/rollouts", "begin", "draft", "warmer", "sites", "tannery-row")
	say := func(advice pb.WaveAdvice, llr float64) *desk {
		return tells(t, c, func(r *pb.Rollout) {
			x := &pb.RateComparison{WaveBuilds: 240, WaveDeviations: 30, ReferenceBuilds: 4000, ReferenceDeviations: 160, LogLikelihoodRatio: llr, LowerBound: -2.25, UpperBound: 2.89, Advice: advice}
			r.Report = &pb.WaveReport{Advice: advice, Text: "30 of 240 builds in the wave were off spec, and 160 of 4000 before.", OwnPast: x, OtherSites: x}
		})
	}
	bad := say(pb.WaveAdvice_WAVE_ADVICE_ROLL_BACK, 3.4)
	bad.want("/rollouts/2", 200, `<p class="answer tone alert">Roll back</p>`, "30 of 240 builds", "above: roll back", "below: go on", "12.50", "4.00", "Why go on, since the test says: roll back")
	for _, f := range []string{"svg", "png"} {
		if res, _ := bad.get("/rollouts/2?of=test&format=" + f); res.StatusCode != 200 || !strings.HasPrefix(res.Header.Get("Content-Type"), "image/") {
			t.Errorf("%s: %d", f, res.StatusCode)
		}
	}
	if res, body := bad.get("/rollouts/2?of=rates&format=csv"); res.StatusCode != 200 || !strings.Contains(body, "its own past,240,30,12.50") {
		t.Errorf("csv: %s", body)
	}
	course := tells(t, c, func(r *pb.Rollout) {
		r.OpenWaves, r.Course = 2, courseOf(400)
		last := r.Course[len(r.Course)-1]
		r.Report = &pb.WaveReport{Advice: last.Advice, Text: "It says so.", OwnPast: last.OwnPast, OtherSites: last.OtherSites}
	})
	course.want("/rollouts/2", 200, "The course of the test", "against its own past", "against the other sites", "above: roll back", "below: go on", "400 looks", "wave 2", "builds in the open waves")
	res, body := course.get("/rollouts/2?of=test-data&format=csv")
	if lines := strings.Split(strings.TrimSpace(body), "\n"); res.StatusCode != 200 || len(lines) != 801 || !strings.Contains(lines[400], "it says go on") {
		t.Errorf("csv of the course, %d lines: %s", len(lines), body)
	}
	if _, svg := course.get("/rollouts/2?of=test&format=svg"); strings.Count(svg, "<circle") < 80 || strings.Count(svg, "<circle") > 2*mostDots+8 {
		t.Errorf("%d dots are drawn of 800 looks", strings.Count(svg, "<circle"))
	}
	for _, f := range []string{"svg", "png"} {
		if res, _ := course.get("/rollouts/2?of=test&format=" + f); res.StatusCode != 200 {
			t.Errorf("%s of the course: %d", f, res.StatusCode)
		}
	}
	say(pb.WaveAdvice_WAVE_ADVICE_HOLD, 0.4).want("/rollouts/2", 200, "Hold: the two comparisons disagree")
	say(pb.WaveAdvice_WAVE_ADVICE_GO_ON, -2.6).want("/rollouts/2", 200, `tone good">Go on`, "A word on it, or nothing")
}

func TestAnOpenRolloutPageIsToldOfAdoption(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "flo")
	approved(t, p, "Warmer", "warmer", "61 °C")
	flo := p["flo"]
	flo.did("/rollouts", "begin", "draft", "warmer", "sites", "tannery-row")
	live := cutBetween(flo.want("/rollouts/2", 200), `data-live="`, `"`)
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	listen := func(last string) *bufio.Scanner {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, flo.srv.URL+strings.ReplaceAll(live, "&amp;", "&"), nil)
		if err != nil {
			t.Fatal(err)
		}
		if last != "" {
			req.Header.Set("Last-Event-ID", last)
		}
		res, err := flo.c.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = res.Body.Close() })
		if res.Header.Get("Content-Type") != "text/event-stream" {
			t.Fatalf("%d %s", res.StatusCode, res.Header.Get("Content-Type"))
		}
		return bufio.NewScanner(res.Body)
	}
	next := func(in *bufio.Scanner) (id, data string) {
		for in.Scan() {
			if s, ok := strings.CutPrefix(in.Text(), "id: "); ok {
				id = s
			}
			if s, ok := strings.CutPrefix(in.Text(), "data: "); ok {
				return id, s
			}
		}
		t.Fatalf("the stream ended: %v", in.Err())
		return
	}
	in := listen("")
	c.heard(t, "tannery-row", "bar-1", 2, false)
	id, data := next(in)
	if !strings.Contains(data, "1 have it") {
		t.Errorf("told %s", data)
	}
	// Cut off and back: only what is new is told.
	in = listen(id)
	c.heard(t, "tannery-row", "bar-2", 2, true)
	if _, data = next(in); !strings.Contains(data, "2 have it") {
		t.Errorf("after coming back told %s", data)
	}
	if res, _ := openDesk(t, c, nil).get("/rollouts/2/live"); res.StatusCode != http.StatusNoContent {
		t.Errorf("a stranger is answered %d", res.StatusCode)
	}
}

func TestAHaltedRolloutIsReplaced(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "flo")
	flo := p["flo"]
	approved(t, p, "Warmer", "warmer", "61 °C")
	flo.did("/rollouts", "begin", "draft", "warmer", "sites", "tannery-row")
	approved(t, p, "Mended", "mended", "60.5 °C")
	flo.want("/rollouts", 200, "is on its way. Another begins once it has ended")
	flo.refused("/rollouts", 409, []string{"Not as things are"}, "begin", "draft", "mended")
	flo.refused("/rollouts", 409, []string{"Not as things are"}, "begin", "draft", "mended", "replaces", "2")
	flo.did("/rollouts/2", "halt", "reason", "Foam collapses")
	at := flo.did("/rollouts", "begin", "draft", "mended", "sites", "oyster-steps", "replaces", "2")
	flo.want(at, 200, "It took the place of", "and those left on a halted edition", "reaches Oyster Steps and Tannery Row")
	flo.want("/rollouts/2", 200, "Replaced", "Another edition took its place", "Nothing is left to decide here")
}

// watchCount counts the streams that follow a rollout.
type watchCount struct {
	grpc.ClientConnInterface
	n atomic.Int32
}

func (c *watchCount) NewStream(ctx context.Context, d *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	if strings.HasSuffix(method, "/WatchRollout") {
		c.n.Add(1)
	}
	return c.ClientConnInterface.NewStream(ctx, d, method, opts...)
}

func TestAThousandOpenPagesFollowARolloutOnce(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "flo")
	approved(t, p, "Warmer", "warmer", "61 °C")
	name := strings.TrimPrefix(p["flo"].did("/rollouts", "begin", "draft", "warmer", "sites", "tannery-row"), "/")
	cc := &watchCount{ClientConnInterface: c.cc}
	feeds := &rolloutFeeds{ask: pb.NewRolloutServiceClient(cc)}
	var chans []<-chan standing
	var leave []func()
	for range 1000 {
		ch, out := feeds.join(name)
		chans, leave = append(chans, ch), append(leave, out)
	}
	hear := func(words string) {
		t.Helper()
		end := time.After(patience)
		for i, ch := range chans {
			for told := false; !told; {
				select {
				case s := <-ch:
					told = strings.Contains(s.words, words)
				case <-end:
					t.Fatalf("page %d was not told %q", i, words)
				}
			}
		}
	}
	hear("2 silent")
	c.heard(t, "tannery-row", "bar-1", 2, true)
	hear("1 use it")
	if n := cc.n.Load(); n != 1 {
		t.Errorf("%d streams for a thousand pages", n)
	}
	for _, out := range leave {
		out()
	}
	if len(feeds.by) != 0 {
		t.Error("a rollout is followed that nobody looks at")
	}
}

func TestStopsAreOrderedSeenAndLiftedByTwo(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "fay", "flo", "olu")
	ada := p["ada"]
	ada.want("/stops", 200, "Nothing is stopped", "Stop something now", "Whole milk", "the region harbour")
	p["olu"].want("/stops", 200, "To order a stop needs the role", "auditor")
	p["olu"].refused("/stops", 403, []string{"may not order a stop"}, "order", "what", "drink latte", "reason", "no")
	ada.refused("/stops", 422, []string{"Choose a drink or an ingredient"}, "order", "reason", "recall")
	ada.refused("/stops", 422, []string{"Stop one, then the other"}, "order", "what", "drink latte", "lot", "L-1", "reason", "recall")
	ada.refused("/stops", 422, []string{"reason"}, "order", "what", "drink latte", "reason", "")
	at := ada.did("/stops", "order", "what", "ingredient whole-milk", "scope", "region.harbour", "reason", "Supplier's recall", "instruction", "Put the cartons aside")
	if at != "/stops/1" {
		t.Fatalf("the stop is at %s", at)
	}
	ada.want(at, 200, "Whole milk", "Holds", "Supplier&#39;s recall", "Put the cartons aside", "Latte, glass", "0 of 4", "nobody yet", "shift lead", "To lift it needs the role")
	ada.want("/stops", 200, "Whole milk", "the region harbour")
	ada.did(at, "seen", "site", "tannery-row", "person", "Mia, shift lead", "note", "4 cartons")
	ada.want(at, 200, "Mia, shift lead", "4 cartons", "at 1 site nobody has acknowledged it")
	ada.refused(at, 409, []string{"does not hold at"}, "seen", "site", "oyster-steps", "person", "Mia")
	ada.refused(at, 403, []string{"may not lift a stop"}, "lift", "reason", "over")
	p["fay"].did(at, "lift", "reason", "Lots were replaced")
	p["fay"].want(at, 200, "Holds; to be lifted", "You asked for it, so a second person has to agree")
	p["fay"].refused(at, 409, []string{"a second person must agree"}, "lift", "reason", "again")
	p["flo"].want(at, 200, "Agree, and lift it", "Fay Quill asked for it to be lifted")
	p["flo"].did(at, "lift", "reason", "Checked")
	ada.want(at, 200, "Lifted by Fay Quill and Flo Marsh")
	ada.want("/stops", 200, "Nothing is stopped")
	ada.want("/stops?show=all", 200, "lifted")
	ada.did("/stops", "order", "lot", "L-2231", "reason", "Recall")
	ada.want("/stops/2", 200, "L-2231", "what is made with the lot is known at the counter")
	ada.want("/stops/9", 404, "There is no such stop")
}

func TestOverlaysPlacesAndTheRecord(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "flo", "olu")
	p["olu"].want("/overlays", 200, "There is no overlay")
	p["olu"].want("/places", 200, "Tannery Row", "05:00 every day", "Quillmaker Street, bar-2", "never heard of")
	p["olu"].want("/keys", 200, "Key list 1, good until", "releases")
	p["olu"].want("/people", 200, "Ben Ode", "food-safety")
	if _, err := pb.NewOverlayServiceClient(c.cc).CreateOverlay(c.asPerson(t.Context(), "ada"), &pb.CreateOverlayRequest{RequestId: newID(), Scope: "site.oyster-steps", Reason: "Only the small boiler",
		Edits: []*pb.FieldEdit{{File: "drinks/latte.yaml", Path: "checks.milk_temp.target", Value: "59 °C"}}}); err != nil {
		t.Fatal(err)
	}
	p["olu"].want("/overlays", 200, "Oyster Steps", "proposed", "Only the small boiler")
	const at = "/overlays/site.oyster-steps"
	p["olu"].want(at, 200, "pinned on edition 1", "checks.milk_temp.target", "60 °C", "59 °C", "needs the role")
	p["ada"].want(at, 200, "You edited this, so you may not approve it", "Propose it anew")
	p["ada"].refused(at, 403, []string{"Your roles do not allow this"}, "approver")
	body := p["ben"].want(at, 200, "Approve as approver")
	p["ben"].did(at, "approver", ticks(body)...)
	p["ben"].want(at, 200, "Active", "Ben Ode approved")
	// The edition changes the same field: the overlay waits to be rebased.
	approved(t, p, "Warmer", "warmer", "61 °C")
	p["ben"].want("/drafts/warmer/review", 200, "Oyster Steps stays on what is there until the overlay is rebased")
	rollout := p["flo"].did("/rollouts", "begin", "draft", "warmer", "shares", "")
	p["flo"].want(rollout, 200, "Oyster Steps stays on what is there", "Complete")
	p["olu"].want("/overlays", 200, "needs rebase")
	p["ada"].want(at, 200, "changed what it sets", "Say which values stand")
	p["ada"].did(at, "rebase", "reason", "Still the small boiler", sideName(0), "keep")
	p["ada"].want(at, 200, "Proposed", "pinned on edition "+strings.TrimPrefix(rollout, "/rollouts/"))
	p["flo"].did(at, "retire", "reason", "The boiler was replaced")
	p["flo"].want(at, 200, "Retired")
	p["flo"].want("/overlays/site.nowhere", 404, "All overlays")

	olu := p["olu"]
	olu.want("/record", 200, "Acts, the newest first", "Ada Brook", "proposed an overlay for", "Check the whole chain")
	olu.want("/record?drink=latte", 200, "latte")
	olu.want("/record?drink=none", 200, "No act is about this drink")
	olu.want("/record?verify=1", 200, "The record holds: ")
	olu.want("/record?before=5", 200, "The newest acts", `<th scope="row" class="num" data-name="no.">4</th>`)
	olu.want("/record?before=x", 400, "Take it from the links")
	_, csv := olu.get("/record?format=csv")
	if !strings.Contains(csv, "no.,when,who,what\n") {
		t.Errorf("csv: %s", csv)
	}
}

func TestTheHeadOfALongRecordIsFound(t *testing.T) {
	for _, n := range []uint64{0, 1, 63, 64, 65, 500, 12345} {
		con := &Console{}
		con.ask.office = countingRecord{n: n}
		for range 2 { // the second time from what is known
			v := &visit{c: con, ask: &con.ask, ctx: t.Context()}
			if got, err := v.recordHead(); err != nil || got != n {
				t.Errorf("of %d entries the last is %d, %v", n, got, err)
			}
		}
	}
}

func TestTheFirstDayOfHeadOffice(t *testing.T) {
	c := emptyChain(t)
	d := openDesk(t, c, nil)
	for path, words := range map[string][]string{
		"/drafts":       {"No book was published yet", "samecup draft create"},
		"/rollouts":     {"No rollout yet", "See the drafts"},
		"/stops":        {"Nothing is stopped", "a lot, as it stands on the label"},
		"/overlays":     {"every site follows the chain", "There is no site yet"},
		"/overlays/new": {"There is no site yet"},
		"/places":       {"No site is there yet", "Add a site", "make a code for its first one"},
		"/places/new":   {"It is the first one of the chain"},
		"/people":       {"Add the first person"},
		"/keys":         {"Key list 1, good until"},
		"/record":       {"Record"},
	} {
		d.want(path, 200, words...)
	}
	d.refused("/drafts", 409, []string{"there is no edition to begin from"}, "begin", "title", "First")
}

func TestHeadOfficeWhileTheAuthorityIsAway(t *testing.T) {
	c := officeChain(t)
	cut := &cutConn{ClientConnInterface: c.cc}
	d := openDesk(t, c, func(cfg *Config) { cfg.Authority = cut }).as(c.tokens["ada"])
	d.did("/drafts", "begin", "title", "Warmer")
	away := status.Error(codes.Unavailable, "away")
	cut.fail("ReviewDraft", away)
	d.want("/drafts/warmer", 200, "Part of this page is missing", "what the draft changes", "Flat white")
	cut.fail("ListKeyLists", away)
	d.want("/keys", 503, "The centre does not answer")
	d.want("/places", 200, "Tannery Row")
	cut.fail("ListOverlays", away)
	d.want("/places/tannery-row", 200, "Part of this page is missing", "its overlay", "bar-2")
	cut.fail("DraftService", away)
	d.want("/drafts", 503, "The centre does not answer", "To the morning page")
	cut.fail("ListPeople", away)
	d.want("/drafts/warmer", 200, "Begun by ada")
	cut.fail("StopService", away)
	d.want("/stops", 503, "Counters go on")
	if res, _ := openDesk(t, c, nil).get("/drafts"); res.StatusCode != http.StatusSeeOther {
		t.Errorf("a stranger is answered %d", res.StatusCode)
	}
}
