package console

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// rolloutsPage lists rollouts, and begins one.
type rolloutsPage struct {
	Table *Table
	Next  string
	Form  *form
	// Ready are the approved drafts; Halted the rollouts whose place one can take.
	Ready  []choice
	Halted []choice
	// Running is a rollout on its way, while which none begins.
	Running *link
	Lacks   string
	Sites   string
}

// choice is an option of a select.
type choice struct {
	ID, Name string
	Chosen   bool
}

func rolloutWord(s pb.RolloutState) string { return enum(s, "ROLLOUT_STATE_") }

func rolloutTone(s pb.RolloutState) string {
	switch s {
	case pb.RolloutState_ROLLOUT_STATE_HALTED:
		return "alert"
	case pb.RolloutState_ROLLOUT_STATE_COMPLETE:
		return "good"
	case pb.RolloutState_ROLLOUT_STATE_ROLLED_BACK, pb.RolloutState_ROLLOUT_STATE_REPLACED:
		return "quiet"
	}
	return ""
}

func adviceWord(a pb.WaveAdvice) (word, tone string) {
	switch a {
	case pb.WaveAdvice_WAVE_ADVICE_GO_ON:
		return "go on", "good"
	case pb.WaveAdvice_WAVE_ADVICE_HOLD:
		return "hold: the two comparisons disagree", "caution"
	case pb.WaveAdvice_WAVE_ADVICE_ROLL_BACK:
		return "roll back", "alert"
	}
	return "cannot tell yet", "quiet"
}

func rolloutList(v *visit) (*view, error) {
	q := v.URL.Query()
	res, err := v.ask.rollouts.ListRollouts(v.ctx, &pb.ListRolloutsRequest{PageSize: 100, PageToken: q.Get("page")})
	if err != nil {
		return nil, err
	}
	p := rolloutsPage{Form: v.newForm(""), Lacks: v.lacks("begin a rollout", roleFleet)}
	p.Table = &Table{ID: "rollouts", Caption: "Rollouts, the newest first", Cols: cols("edition", "state", "draft", "#waves open", "the test says", "by", "begun", "~reason"),
		Empty: "No rollout yet. An approved draft is taken to the counters from here, a few sites first."}
	for _, r := range res.Rollouts {
		advice, tone := "nothing yet", "quiet"
		if r.Report != nil {
			advice, tone = adviceWord(r.Report.Advice)
		}
		draft := Cell{}
		if r.Draft != "" {
			draft = to(shortName(r.Draft), draftLink(shortName(r.Draft)))
		}
		p.Table.add(head(fmt.Sprintf("Edition %d", r.Edition), rolloutLink(r.Edition)), Cell{Text: rolloutWord(r.State), Tone: rolloutTone(r.State)}, draft,
			textf("%d of %d", r.OpenWaves, len(r.Waves)), Cell{Text: advice, Tone: tone}, text(v.who(r.Author)), v.moment(r.CreateTime), text(r.Reason))
		switch r.State {
		case pb.RolloutState_ROLLOUT_STATE_RUNNING:
			p.Running = &link{rolloutLink(r.Edition), fmt.Sprintf("edition %d", r.Edition)}
		case pb.RolloutState_ROLLOUT_STATE_HALTED:
			id := strconv.FormatUint(r.Edition, 10)
			p.Halted = append(p.Halted, choice{id, "edition " + id, p.Form.Or("replaces", q.Get("replaces")) == id})
		}
	}
	if res.NextPageToken != "" {
		p.Next = with(v.URL, "page", res.NextPageToken)
	}
	ready, err := v.ask.drafts.ListDrafts(v.ctx, &pb.ListDraftsRequest{PageSize: 200, States: []pb.DraftState{pb.DraftState_DRAFT_STATE_APPROVED}})
	if v.part("the approved drafts", err) {
		for _, d := range ready.Drafts {
			id := shortName(d.Name)
			p.Ready = append(p.Ready, choice{id, d.Title, p.Form.Or("draft", q.Get("draft")) == id})
		}
	}
	var ids []string
	for _, s := range v.sites().Sites {
		ids = append(ids, s.Id)
	}
	if len(ids) > 12 {
		ids = append(ids[:12], fmt.Sprintf("and %d more, on the page of places", len(ids)-12))
	}
	p.Sites = strings.Join(ids, ", ")
	return &view{Title: "Rollouts", Data: p, Tables: []*Table{p.Table}}, nil
}

var wordBreak = regexp.MustCompile(`[\s,;]+`)

// formWaves reads the waves of the form: some sites, then shares, then all.
func (v *visit) formWaves() ([]*pb.Wave, error) {
	var waves []*pb.Wave
	if list := v.typed("sites"); list != "" {
		w := &pb.Wave{}
		for _, s := range wordBreak.Split(list, -1) {
			if s != "" {
				w.Sites = append(w.Sites, s)
			}
		}
		waves = append(waves, w)
	}
	if list := v.typed("shares"); list != "" {
		for _, s := range wordBreak.Split(strings.ReplaceAll(list, "%", " "), -1) {
			if s == "" {
				continue
			}
			n, err := strconv.ParseUint(s, 10, 8)
			if err != nil || n < 1 || n > 99 {
				return nil, badForm("The shares", fmt.Sprintf("%q is no share", s), "Write whole numbers from 1 to 99 that rise, such as 20 50.")
			}
			waves = append(waves, &pb.Wave{SharePercent: int32(n)})
		}
	}
	return append(waves, &pb.Wave{All: true}), nil
}

// formShare reads a figure of the form; 0 where it is left out.
func (v *visit) formShare(name, field string, scale float64) (float64, error) {
	s := strings.ReplaceAll(v.typed(name), ",", ".")
	if s == "" {
		return 0, nil
	}
	f, err := strconv.ParseFloat(s, 64)
	if err != nil || f <= 0 || f > 100*scale*100 {
		return 0, badForm(field, fmt.Sprintf("%q cannot be used", s), "Write a figure above 0, or leave it out for the usual one.")
	}
	return f / scale, nil
}

func rolloutBegin(v *visit) (string, error) {
	if v.typed("act") != "begin" {
		return "", v.unknownAct()
	}
	req := &pb.CreateRolloutRequest{RequestId: v.requestID(), Draft: "drafts/" + v.typed("draft"), Note: v.typed("note"), Test: &pb.WaveTest{}}
	var err error
	if req.Waves, err = v.formWaves(); err != nil {
		return "", err
	}
	if req.When, err = v.formWhen(); err != nil {
		return "", err
	}
	if s := v.typed("training"); s != "" {
		n, err := strconv.ParseUint(s, 10, 8)
		if err != nil || n > 100 {
			return "", badForm("The share of people", fmt.Sprintf("%q cannot be used", s), "Write a percentage from 0 to 100.")
		}
		req.TrainingPercent = int32(n)
	}
	if req.Test.FalseAlarm, err = v.formShare("false_alarm", "The chance of a false alarm", 100); err != nil {
		return "", err
	}
	if req.Test.MissedHarm, err = v.formShare("missed_harm", "The chance of missing harm", 100); err != nil {
		return "", err
	}
	if req.Test.HarmfulRatio, err = v.formShare("harmful_ratio", "The rise that must not be missed", 1); err != nil {
		return "", err
	}
	if r := v.typed("replaces"); r != "" {
		req.Replaces = "rollouts/" + r
	}
	res, err := v.ask.rollouts.CreateRollout(v.ctx, req)
	if err != nil {
		return "", err
	}
	return rolloutLink(res.Rollout.Edition), nil
}
