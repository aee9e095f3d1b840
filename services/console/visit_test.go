package console

import (
	"bytes"
	"fmt"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"samecup.example/samecup/internal/audit"
	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// visitQuery draws a visit to a site on a day that has logs.
func visitQuery() url.Values {
	return url.Values{"site": {"tannery-row"}, "day": {"2026-10-26"}, "release": {"1"}, "seed": {"7"}, "perslot": {"10"}, "drinks": {"espresso, flat-white"}, "cups": {"2"}, "limits": {"milk_temp=2"},
		"station": {"bar-1", ""}, "barista": {"b-17", ""}, "begin": {"06:00", ""}, "end": {"14:00", ""}}
}

// visitAddress fills in the form of a visit from the log, somewhat off.
func visitAddress(t *testing.T, ch *chain, d *desk) string {
	t.Helper()
	q := visitQuery()
	body := d.want("/visits/plan.json?"+q.Encode(), 200)
	plan, err := audit.ReadPlan(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	res, err := pb.NewInsightServiceClient(ch.qc).ListBuilds(ch.asAdmin(t.Context()), &pb.ListBuildsRequest{PageSize: 1000,
		Filter: &pb.RollupFilter{FirstDay: "2026-09-30", LastDay: "2026-10-27", Sites: []string{"tannery-row"}}})
	if err != nil {
		t.Fatal(err)
	}
	used := map[string]bool{}
	for _, k := range plan.Picks {
		field := func(name string) string { return fmt.Sprintf("d%d.%s", k.No, name) }
		var paired *pb.Build
		for _, b := range res.Builds {
			if day := b.Build.StartedTime.AsTime(); b.Build.Serving == k.Serving && !used[b.Build.Id] && day.Day() == 26 {
				paired = b.Build
				break
			}
		}
		if paired != nil {
			used[paired.Id] = true
			q.Set(field("build"), paired.Id)
		}
		for i, c := range k.Checks {
			value := float64(c.Target)/1000 + 0.1*float64(k.No%3)
			if paired != nil {
				for _, r := range paired.Readings {
					if r.Check == c.Check && int(r.Occurrence) == c.Occurrence {
						value = float64(r.ValueMilli)/1000 - 0.1*float64((k.No+i)%4)
					}
				}
			}
			q.Set(field(fmt.Sprintf("%s.%d", c.Check, c.Occurrence)), strings.Replace(fmt.Sprintf("%.1f", value), ".", ",", 1))
		}
	}
	q.Set("c"+plan.Cups[0].Code+"."+audit.Scores[0], "5")
	return "/visits/result?" + q.Encode()
}

func TestAVisitIsPlannedPrintedAndCompared(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["olu"])
	d.want("/visits/new?site=lantern-hill", 200, `value="lantern-hill" selected`, "Seed of the draw", `<option value="bar-1">`)
	enc := visitQuery().Encode()
	body := d.want("/visits/new?"+enc, 200, "What is ordered and measured", "b-17", "decided before", "Drinks drawn by lot", "Form as PDF")
	if again := d.want("/visits/new?"+enc, 200); again != body {
		t.Error("the same address draws another visit")
	}
	// The form tells neither a target nor which cup is which.
	form := d.want("/visits/form?"+enc, 200, "Mind", "build number, copied last", `name="d1.`, `<input type="hidden" name="seed" value="7">`)
	plan, err := audit.ReadPlan(strings.NewReader(d.want("/visits/plan.json?"+enc, 200)))
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range plan.Picks {
		for _, c := range k.Checks {
			if words := ">" + drink.FormatQuantity(c.Target, c.Unit); strings.Contains(form, words) {
				t.Errorf("the form tells the target %s", words)
			}
		}
	}
	res, pdf := d.get("/visits/form.pdf?" + enc)
	if res.Header.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(pdf, "%PDF-") {
		t.Errorf("the paper form: %s", res.Header.Get("Content-Type"))
	}
	d.want("/visits/slip.txt?"+enc, 200, plan.Cups[0].Code, "the taster must not see this")
	address := visitAddress(t, ch, d)
	body = d.want(address, 200, "measured drinks not in spec", "The station&#39;s values against the auditor&#39;s", "limits of agreement", "decided before", "Tasted blind", "Addresses of the results")
	if !strings.Contains(body, `<figure class="chart" id="agree-`) {
		t.Error("nothing was drawn")
	}
	// What was entered is a file that samecup audit agree reads.
	_, file := d.get(address + "&format=csv&of=visit")
	if _, err := audit.ReadVisit(bytes.NewReader([]byte(file)), plan); err != nil {
		t.Errorf("the visit's file: %v\n%s", err, file)
	}
	// The same visit again is told not to be one more pair.
	also := url.Values{"also": {"https://console.example" + address}}
	body = d.want(address+"&"+also.Encode(), 200, "2 visits")
	if !regexp.MustCompile(`paired with another drink already`).MatchString(html.UnescapeString(body)) {
		t.Error("a pair is counted twice")
	}
	d.want(address+"&format=svg&of="+regexp.MustCompile(`id="(agree-[a-z_]+)"`).FindStringSubmatch(body)[1], 200, "<svg", "allowed apart, decided before")
}

func TestAVisitThatCannotBeUsedSaysWhy(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["olu"])
	change := func(pairs ...string) string {
		q := visitQuery()
		for i := 0; i+1 < len(pairs); i += 2 {
			q.Set(pairs[i], pairs[i+1])
		}
		return q.Encode()
	}
	for _, c := range []struct{ path, want string }{
		{"/visits/new?" + change("perslot", "99"), "Drinks a slot is 99"},
		{"/visits/new?" + change("begin", "soon"), "hours and minutes"},
		{"/visits/new?" + change("seed", "x"), "The seed is"},
		{"/visits/new?" + change("limits", "milk_temp"), "such as milk_temp=2"},
		{"/visits/result?" + change(), "The form is empty"},
		{"/visits/result?" + change("d1.build", "x", "d1.missed", ""), ""},
		{"/visits/result?" + change("d1.missed", "no", "also", "/visits/result?site=x"), "The release is"},
	} {
		res, body := d.get(c.path)
		if !strings.Contains(html.UnescapeString(body), c.want) || c.want != "" && res.StatusCode != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d, and it lacks %q", c.path, res.StatusCode, c.want)
		}
	}
	d.want("/visits/form?site=x", 400, "This address draws no visit", "Plan a visit")
	d.want("/visits/form.pdf?site=x", 400, "This address draws no visit")
}

func TestADecimalCommaIsTaken(t *testing.T) {
	for in, want := range map[string]string{"60,5": "60.5", "60.5": "60.5", "1,234.5": "1,234.5", "1,2,3": "1,2,3", "": ""} {
		if got := point(in); got != want {
			t.Errorf("%q is taken for %q, want %q", in, got, want)
		}
	}
}
