package console

import (
	"cmp"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
)

// rolloutPage is an edition on its way.
type rolloutPage struct {
	*pb.Rollout
	ID, Word, Tone string
	Head, Lead     string
	// Mark tells news from what the page says already.
	Mark         string
	DraftID      string
	Waves        []waveStep
	Advice, Mood string
	Said         string
	Errors       string
	Chart        *Figure
	Rates, Table *Table
	Releases     *Table
	// Stays names what does not get it, since its overlay needs rebasing.
	Stays string
	Form  *form
	// What is offered, as things and roles are; Lacks says what roles are short of.
	MayGo, MayHalt, MayResume, MayBack, MayReplace bool
	// Needs is set where going on needs a reason.
	Needs bool
	Lacks []string
	// Older are the editions that it can be rolled back to.
	Older []choice
	// Only keeps stations of one state.
	Only   string
	States []choice
}

// waveStep is a wave on the timeline.
type waveStep struct {
	Title, When, Sites, Waiting string
	Open, Here                  bool
	Bar                         template.HTML
	Counts                      string
}

func adoptionWord(s pb.AdoptionState) (word, tone string) {
	switch s {
	case pb.AdoptionState_ADOPTION_STATE_SILENT:
		return "silent", "caution"
	case pb.AdoptionState_ADOPTION_STATE_STALE:
		return "stale", "caution"
	case pb.AdoptionState_ADOPTION_STATE_REFUSED:
		return "refused", "alert"
	case pb.AdoptionState_ADOPTION_STATE_HAS_IT:
		return "has it", ""
	case pb.AdoptionState_ADOPTION_STATE_IN_FORCE:
		return "in force", "good"
	case pb.AdoptionState_ADOPTION_STATE_USES_IT:
		return "uses it", "good"
	}
	return "not known", "quiet"
}

func rolloutShow(v *visit) (*view, error) {
	id := v.PathValue("id")
	res, err := v.ask.rollouts.GetRollout(v.ctx, &pb.GetRolloutRequest{Name: "rollouts/" + id})
	if err != nil {
		return nil, missingOr(err, "rollout", id, link{"/rollouts", "All rollouts"})
	}
	r := res.Rollout
	p := &rolloutPage{Rollout: r, ID: id, Word: rolloutWord(r.State), Tone: rolloutTone(r.State), DraftID: shortName(r.Draft), Form: v.newForm(r.Etag), Only: v.URL.Query().Get("state")}
	p.Lead = fmt.Sprintf("begun by %s, %s, to take effect %s", v.who(r.Author), v.at(r.CreateTime), whenWords(r.When))
	if r.TrainingPercent > 0 {
		p.Lead += fmt.Sprintf("; a site waits until %d %% of its people have acknowledged the cards", r.TrainingPercent)
	}
	all, err := v.adoption(r.Name)
	if !v.part("how far it has come at the stations", err) {
		all = nil
	}
	p.timeline(v, all)
	p.adoptionTable(v, all)
	p.test(v, r)
	p.Head = fmt.Sprintf("Edition %d", r.Edition)
	switch r.State {
	case pb.RolloutState_ROLLOUT_STATE_RUNNING:
		p.Head += " on its way"
	case pb.RolloutState_ROLLOUT_STATE_HALTED:
		p.Head += ", halted"
	}
	p.Releases = &Table{ID: "releases", Caption: "Releases made of it", Cols: cols("release", "for", "#servings", "digest"), Empty: "No release is kept of it."}
	for _, x := range r.Releases {
		p.Releases.add(head(strconv.FormatUint(x.Number, 10), ""), text(sentenceCase(v.scopeWords(x.Scope))), textf("%d", x.ServingCount), textf("%.12x", x.Digest))
	}
	if len(r.NeedsRebase) > 0 {
		p.Stays = v.scopesWords(r.NeedsRebase)
	}
	p.offer(v, r)
	p.Mark = standingOf(r).mark
	out := &view{Title: fmt.Sprintf("Rollout of edition %d", r.Edition), Data: p, Tables: []*Table{p.Table, p.Rates, p.Releases}, Scripts: []string{"adoption.js"}}
	if p.Chart != nil {
		out.Figures = []*Figure{p.Chart}
	}
	return out, nil
}

// adoption lists how far every station is.
func (v *visit) adoption(name string) ([]*pb.Adoption, error) {
	var out []*pb.Adoption
	req := &pb.ListAdoptionRequest{Name: name, PageSize: 1000}
	for {
		res, err := v.ask.rollouts.ListAdoption(v.ctx, req)
		if err != nil {
			return nil, err
		}
		out = append(out, res.Adoptions...)
		if req.PageToken = res.NextPageToken; req.PageToken == "" {
			return out, nil
		}
	}
}

// timeline puts the waves one after the other, each with how far it has come.
func (p *rolloutPage) timeline(v *visit, all []*pb.Adoption) {
	sites := v.sites()
	by := map[string][]*pb.Adoption{}
	for _, a := range all {
		by[a.Site] = append(by[a.Site], a)
	}
	for i, w := range p.Rollout.Waves {
		s := waveStep{Title: fmt.Sprintf("Wave %d: %s", i+1, waveWords(w, sites)), Open: i < int(p.OpenWaves), Here: i == int(p.OpenWaves)-1, When: "Not open yet"}
		if i == 0 && p.Replaces != "" && !w.All {
			s.Title += ", and those left on a halted edition"
		}
		if s.Open {
			s.When = "Opened " + v.at(w.OpenTime)
			s.Sites = "reaches " + sites.names(w.ReachedSites)
			if len(w.ReachedSites) == 0 {
				s.Sites = "reached no further site"
			}
			var stations []*pb.Adoption
			for _, id := range w.ReachedSites {
				stations = append(stations, by[id]...)
			}
			s.Counts = adoptionCounts(stations)
			s.Bar = adoptionBar(stations)
			if len(w.WaitingSites) > 0 {
				s.Waiting = sites.names(w.WaitingSites)
			}
		}
		p.Waves = append(p.Waves, s)
	}
}

func waveWords(w *pb.Wave, sites *siteList) string {
	switch {
	case w.All:
		return "all sites that are left"
	case w.SharePercent != 0:
		return fmt.Sprintf("%d %% of the sites", w.SharePercent)
	}
	return sites.names(w.Sites)
}

// adoptionOrder is how states are told, the farthest first.
var adoptionOrder = []pb.AdoptionState{pb.AdoptionState_ADOPTION_STATE_USES_IT, pb.AdoptionState_ADOPTION_STATE_IN_FORCE, pb.AdoptionState_ADOPTION_STATE_HAS_IT,
	pb.AdoptionState_ADOPTION_STATE_STALE, pb.AdoptionState_ADOPTION_STATE_REFUSED, pb.AdoptionState_ADOPTION_STATE_SILENT}

func countStates(all []*pb.Adoption) map[pb.AdoptionState]int {
	n := map[pb.AdoptionState]int{}
	for _, a := range all {
		n[a.State]++
	}
	return n
}

func adoptionCounts(all []*pb.Adoption) string {
	if len(all) == 0 {
		return "no station there"
	}
	n := countStates(all)
	var out []string
	for _, s := range adoptionOrder {
		if n[s] > 0 {
			word, _ := adoptionWord(s)
			out = append(out, fmt.Sprintf("%d %s", n[s], word))
		}
	}
	return plural(len(all), "station", "stations") + ": " + strings.Join(out, ", ")
}

// adoptionBar draws the shares of the states; the words beside it say the same.
func adoptionBar(all []*pb.Adoption) template.HTML {
	if len(all) == 0 {
		return ""
	}
	n := countStates(all)
	const wide = 300.0
	var o strings.Builder
	fmt.Fprintf(&o, `<svg class="adoption" viewBox="0 0 %.0f 14" width="%.0f" height="14" role="img" aria-label="%s">`, wide, wide, template.HTMLEscapeString(adoptionCounts(all)))
	x := 0.0
	for _, s := range adoptionOrder {
		w := wide * float64(n[s]) / float64(len(all))
		if w == 0 {
			continue
		}
		word, _ := adoptionWord(s)
		fmt.Fprintf(&o, `<rect class="ad-%s" x="%.1f" y="1" width="%.1f" height="12"/>`, strings.ReplaceAll(word, " ", "-"), x, w)
		x += w
	}
	o.WriteString(`</svg>`)
	return template.HTML(o.String()) // #nosec G203 -- all words are escaped above
}

func (p *rolloutPage) adoptionTable(v *visit, all []*pb.Adoption) {
	sites := v.sites()
	t := &Table{ID: "adoption", Caption: "Station by station", Cols: cols("station", "state", "#release", "in force from", "last heard", "~why"), Empty: "No station should have it yet.", Note: sentence(adoptionCounts(all))}
	n := countStates(all)
	for _, s := range adoptionOrder {
		word, _ := adoptionWord(s)
		p.States = append(p.States, choice{word, fmt.Sprintf("%s, %d", word, n[s]), p.Only == word})
	}
	// What wants a look comes first.
	slices.SortStableFunc(all, func(a, b *pb.Adoption) int {
		return slices.Index(adoptionOrder, b.State) - slices.Index(adoptionOrder, a.State)
	})
	for _, a := range all {
		word, tone := adoptionWord(a.State)
		if p.Only != "" && p.Only != word {
			continue
		}
		z := sites.zone(a.Site)
		release := text("")
		if a.Release != 0 {
			release = textf("%d", a.Release)
		}
		t.add(head(sites.name(a.Site)+", "+a.Station, stationLink(a.Site, a.Station, "")), Cell{Text: word, Tone: tone}, release, text(clock(a.StartTime, z, v.now)), text(clock(a.PresenceTime, z, v.now)), text(a.Detail))
	}
	if p.Only != "" && len(t.Rows) == 0 {
		t.Empty = "No station is so. Show every state to see the others."
	}
	v.shorten(t)
	p.Table = t
}

// test says how the sequential test stands.
func (p *rolloutPage) test(v *visit, r *pb.Rollout) {
	t := r.Test
	p.Errors = fmt.Sprintf("Chosen before it began: %s that it says to roll back though nothing got worse, %s that it says to go on though builds off spec rose %s-fold.",
		chance(cmp.Or(t.GetFalseAlarm(), 0.05)), chance(cmp.Or(t.GetMissedHarm(), 0.10)), chart.Number(cmp.Or(t.GetHarmfulRatio(), 1.5)))
	p.Advice, p.Mood = adviceWord(pb.WaveAdvice_WAVE_ADVICE_CANNOT_TELL_YET)
	p.Rates = &Table{ID: "rates", Caption: "The two comparisons", Cols: cols("against", "#builds in the wave", "#off spec", "#rate, %", "#builds there", "#off spec there", "#rate there, %", "#log likelihood ratio", "says"),
		Empty: "Nothing was compared yet: the test begins with the first builds by the new edition."}
	if r.Report == nil {
		return
	}
	p.Advice, p.Mood = adviceWord(r.Report.Advice)
	p.Said = sentence(r.Report.Text)
	for _, c := range []struct {
		name string
		*pb.RateComparison
	}{{"its own past", r.Report.OwnPast}, {"the other sites", r.Report.OtherSites}} {
		if c.RateComparison == nil || c.LowerBound >= c.UpperBound {
			continue
		}
		word, tone := adviceWord(c.Advice)
		p.Rates.add(head(c.name, ""), textf("%d", c.WaveBuilds), textf("%d", c.WaveDeviations), text(rateOf(c.WaveDeviations, c.WaveBuilds)), textf("%d", c.ReferenceBuilds),
			textf("%d", c.ReferenceDeviations), text(rateOf(c.ReferenceDeviations, c.ReferenceBuilds)), textf("%.2f", c.LogLikelihoodRatio), Cell{Text: word, Tone: tone})
	}
	p.Chart = courseFigure(v, r, p.Advice)
}

func chance(f float64) string {
	return fmt.Sprintf("a chance of at most about %s %%", chart.Number(100*f))
}

func rateOf(bad, n uint64) string {
	if n == 0 {
		return "none"
	}
	return fmt.Sprintf("%.2f", 100*float64(bad)/float64(n))
}

// offer works out what the person can do with it as it stands.
func (p *rolloutPage) offer(v *visit, r *pb.Rollout) {
	running, halted := r.State == pb.RolloutState_ROLLOUT_STATE_RUNNING, r.State == pb.RolloutState_ROLLOUT_STATE_HALTED
	fleet := v.me.any(roleFleet...)
	p.MayGo = running && int(r.OpenWaves) < len(r.Waves) && fleet
	p.MayHalt = running && v.me.any(roleHalt...)
	p.MayResume, p.MayReplace = halted && fleet, halted && fleet
	p.Needs = r.Report.GetAdvice() != pb.WaveAdvice_WAVE_ADVICE_GO_ON
	if (running || halted) && !fleet {
		p.Lacks = append(p.Lacks, v.lacks("open a wave, resume, roll back or replace it", roleFleet))
	}
	if running && !p.MayHalt {
		p.Lacks = append(p.Lacks, v.lacks("halt it", roleHalt))
	}
	if fleet && r.State != pb.RolloutState_ROLLOUT_STATE_ROLLED_BACK && r.State != pb.RolloutState_ROLLOUT_STATE_REPLACED {
		p.older(v, r)
	}
}

// older lists the editions that it can be rolled back to; none where it is not
// the newest, since rolling back ends the newest.
func (p *rolloutPage) older(v *visit, r *pb.Rollout) {
	newest, err := v.newestRollout()
	if !v.part("the newest rollout", err) || newest != r.Edition {
		return
	}
	res, err := v.ask.books.ListReleases(v.ctx, &pb.ListReleasesRequest{PageSize: 200})
	if !v.part("the older editions", err) {
		return
	}
	for _, x := range res.Releases {
		if x.Scope != "chain" || x.Number >= r.Edition {
			continue
		}
		id := strconv.FormatUint(x.Number, 10)
		p.Older = append(p.Older, choice{id, strings.TrimSuffix("edition "+id+", "+x.Note, ", "), p.Form.Or("to", "") == id})
	}
	p.MayBack = len(p.Older) > 0
}

func (v *visit) newestRollout() (uint64, error) {
	res, err := v.ask.rollouts.ListRollouts(v.ctx, &pb.ListRolloutsRequest{PageSize: 1})
	if err != nil || len(res.Rollouts) == 0 {
		return 0, err
	}
	return res.Rollouts[0].Edition, nil
}

func rolloutAct(v *visit) (string, error) {
	name, etag, reason := "rollouts/"+v.PathValue("id"), v.PostFormValue("etag"), v.typed("reason")
	here := "/rollouts/" + v.PathValue("id")
	switch v.PostFormValue("act") {
	case "go":
		w, err := v.formWhen()
		if err != nil {
			return "", err
		}
		_, err = v.ask.rollouts.AdvanceRollout(v.ctx, &pb.AdvanceRolloutRequest{RequestId: v.requestID(), Name: name, Etag: etag, When: w, Reason: reason})
		return here, err
	case "halt": // without etag: a halt must not fail because something else changed
		_, err := v.ask.rollouts.HaltRollout(v.ctx, &pb.HaltRolloutRequest{RequestId: v.requestID(), Name: name, Reason: reason})
		return here, err
	case "resume":
		_, err := v.ask.rollouts.ResumeRollout(v.ctx, &pb.ResumeRolloutRequest{RequestId: v.requestID(), Name: name, Etag: etag, Reason: reason})
		return here, err
	case "back":
		w, err := v.formWhen()
		if err != nil {
			return "", err
		}
		// The service rolls the newest back, whatever page asks.
		newest, err := v.newestRollout()
		if err != nil {
			return "", err
		}
		if rolloutLink(newest) != here {
			return "", &refusal{Title: "Another edition is newer", Points: []string{fmt.Sprintf("Edition %d came after this one, and rolling back would end that.", newest)},
				Next: "Nothing was changed. Roll back from the page of the newest.", Status: http.StatusConflict}
		}
		req := &pb.RollBackRequest{RequestId: v.requestID(), Reason: reason, When: w}
		if s := v.typed("to"); s != "" {
			if req.ToEdition, err = strconv.ParseUint(s, 10, 64); err != nil {
				return "", badForm("The edition", fmt.Sprintf("%q is no number", s), "Choose one of the list.")
			}
		}
		res, err := v.ask.rollouts.RollBack(v.ctx, req)
		if err != nil {
			return "", err
		}
		return rolloutLink(res.Rollout.Edition), nil
	}
	return "", v.unknownAct()
}
