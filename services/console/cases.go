package console

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/method"
)

// casesPage lists cases.
type casesPage struct {
	All   bool
	Site  string
	Sites *siteList
	Table *Table
	Next  string
	// Waiting says how far the watch is behind.
	Waiting string
}

func caseList(v *visit) (*view, error) {
	q := v.URL.Query()
	p := casesPage{All: q.Get("show") == "all", Site: q.Get("site"), Sites: v.sites()}
	var res *pb.ListCasesResponse
	var signals *pb.ListSignalsResponse
	var err, errSignals error
	var asking sync.WaitGroup
	asking.Go(func() {
		res, err = v.ask.cases.ListCases(v.ctx, &pb.ListCasesRequest{PageSize: 100, OpenOnly: !p.All, Site: p.Site, PageToken: q.Get("page")})
	})
	asking.Go(func() {
		signals, errSignals = v.ask.cases.ListSignals(v.ctx, &pb.ListSignalsRequest{PageSize: 500, Site: p.Site})
	})
	asking.Wait()
	if err != nil {
		return nil, err
	}
	v.part("how sure each is", errSignals)
	sure := sureBy(signals)
	t := &Table{ID: "cases", Caption: "Cases, the gravest first", Cols: cols("case", "risk", "~what is wrong", "^likely cause", "where", "since about", "how sure", "stage", "owner"),
		Empty: "No case is open. One opens by itself when builds depart from their own past, their targets or the rest of the chain."}
	for _, k := range res.Cases {
		stage := stageWord(k.Stage)
		if k.MergedInto != "" {
			stage = "merged into " + k.MergedInto
		}
		likely := ""
		if k.Fix != nil {
			likely = causeWord(k.Fix.Cause) + ", as stated"
		} else if len(k.Suspects) > 0 {
			likely = causeWord(k.Suspects[0].Cause)
		}
		t.add(to(k.Id, caseLink(k.Id)), Cell{Text: riskWord(k.Risk), Tone: riskTone(k.Risk)}, head(caseTitle(k, p.Sites), caseLink(k.Id)), text(likely), text(placeNames(k, p.Sites)),
			Cell{Text: ago(k.BeganTime.AsTime(), v.now), CSV: k.BeganTime.AsTime().Format(time.RFC3339)}, text(surely(sure[k.Id])), text(stage), text(k.Owner))
	}
	if res.NextPageToken != "" {
		p.Next = with(v.URL, "page", res.NextPageToken)
	}
	p.Table, p.Waiting = t, waitingWords(res.WaitingBuilds)
	if p.Waiting != "" && len(t.Rows) == 0 {
		t.Empty = "No case is open so far."
	}
	return &view{Title: "Cases", Data: p, Tables: []*Table{t}}, nil
}

// casePage is one case.
type casePage struct {
	*pb.Case
	Name                     string
	Risk, Tone, Stage, Where string
	Steps                    []stageStep
	Began, Opened, Last      string
	Suspects                 []suspect
	Hands                    *byHand
	Effect                   *effect
	Charts                   []*Figure
	Evidence, History        *Table
	Fix                      *fixWords
	Form                     *caseForm
	MayAct                   bool
}

type stageStep struct {
	Word       string
	Done, Here bool
}

type suspect struct{ Cause, Share, Why, Check string }

type effect struct {
	Word, Tone, Text string
	More             int
}

type fixWords struct{ Cause, Explanation, Done, Prevention, At string }

// caseForm is what the forms begin with; a refused one comes back as it was
// filled in.
type caseForm struct {
	RequestID, Etag                              string
	Owner, Containment, Note                     string
	Cause, Explanation, Done, Prevention, Reason string
	At                                           string
	Causes                                       []struct{ Code, Word string }
	Act                                          string
}

func caseShow(v *visit) (*view, error) {
	res, err := v.ask.cases.GetCase(v.ctx, &pb.GetCaseRequest{Id: v.PathValue("id")})
	if err != nil {
		if s := stateOf(err); s.code == http.StatusNotFound || s.code == http.StatusBadRequest {
			return nil, notFound("case", v.PathValue("id"), link{"/cases", "All open cases"})
		}
		return nil, err
	}
	k := res.Case
	sites, told := v.sites(), v.teller()
	zone := time.UTC
	if len(k.Sites) == 1 {
		zone = sites.zone(k.Sites[0])
	}
	p := &casePage{Case: k, Name: caseTitle(k, sites), Risk: riskWord(k.Risk), Tone: riskTone(k.Risk), Stage: stageWord(k.Stage), Where: placeNames(k, sites), Steps: steps(k.Stage),
		Began: clock(k.BeganTime, zone, v.now), Opened: clock(k.OpenedTime, zone, v.now), Last: clock(k.LastTime, zone, v.now), MayAct: v.me.any("quality-lead", "administrator")}
	out := &view{Title: k.Id + ", " + p.Name, Data: p}
	for _, s := range k.Suspects {
		p.Suspects = append(p.Suspects, suspect{causeWord(s.Cause), fmt.Sprintf("%.0f", 100*s.Weight), sentence(told.advice(s.Why)), sentence(told.advice(s.Check))})
	}
	if f := k.Fix; f != nil {
		p.Fix = &fixWords{causeWord(f.Cause), f.Explanation, f.Done, f.Prevention, clock(f.FixTime, zone, v.now)}
	}
	if e := res.Effect; e != nil {
		p.Effect = effectWords(e, told)
	}
	p.Evidence = evidence(told, k, res.Evidence)
	p.History = &Table{ID: "history", Caption: "History", Cols: cols("when", "who", "~what"), Empty: "Nothing was done yet."}
	for _, h := range res.History {
		p.History.add(text(clock(h.Time, zone, v.now)), text(h.Actor), Cell{Text: told.tell(h.Text), CSV: h.Text})
	}
	p.Charts = v.caseCharts(res)
	p.Form = v.caseForm(k, zone)
	p.Hands, err = v.byHand(res, v.caseSpan(k))
	if v.part("whose drinks moved", err) && p.Hands != nil {
		if p.Hands.Figure != nil {
			p.Charts = append(p.Charts, p.Hands.Figure)
		}
		if p.Hands.Person != "" && k.Fix == nil {
			p.Name += ", in drinks made by " + p.Hands.Person
			out.Title = k.Id + ", " + p.Name
			if v.Method != http.MethodPost {
				p.Form.Cause = "technique"
			}
		}
	}
	out.Figures, out.Tables = p.Charts, []*Table{p.Evidence, p.History}
	return out, nil
}

func steps(at pb.CaseStage) []stageStep {
	var out []stageStep
	for s := pb.CaseStage_CASE_STAGE_OPEN; s <= pb.CaseStage_CASE_STAGE_CLOSED; s++ {
		out = append(out, stageStep{stageWord(s), s < at, s == at})
	}
	return out
}

func effectWords(e *pb.CaseEffect, told teller) *effect {
	out := &effect{Text: told.effect(e.Text), More: int(e.More)}
	switch e.Outcome {
	case pb.FixOutcome_FIX_OUTCOME_MENDED:
		out.Word, out.Tone = "mended", "good"
	case pb.FixOutcome_FIX_OUTCOME_NOT_MENDED:
		out.Word, out.Tone = "not mended", "alert"
	default:
		out.Word, out.Tone = "cannot tell yet", "caution"
	}
	return out
}

func evidence(told teller, k *pb.Case, list []*pb.Signal) *Table {
	t := &Table{ID: "evidence", Caption: "Evidence", Cols: cols("seen", "where", "~what was noticed", "how sure", "^method", "#builds"), Empty: "The signals of this case are no longer kept.", Help: []string{method.Watch},
		// How it began; a rule that speaks at every cup says no more the fortieth time.
		Most: 10}
	for _, s := range list {
		t.add(seenCell(s, told), signalWhere(s, k, told), signalWords(s, told), text(s.Sure), text(s.Method), to(strconv.Itoa(int(s.Count)), signalLink(s)))
	}
	return t
}

func seenCell(s *pb.Signal, told teller) Cell {
	return Cell{Text: clock(s.SeenTime, told.sites.zone(s.Site), told.now), CSV: s.SeenTime.AsTime().Format(time.RFC3339)}
}

// signalWords are a signal's sentence without its place; the file has it as stored.
func signalWords(s *pb.Signal, told teller) Cell {
	return Cell{Text: told.short(s.Text), CSV: s.Text, Head: true}
}

// signalWhere is where a signal was seen. One about a lot, a person or a release has
// no place of its own and stands for those of its case, which may be unknown.
func signalWhere(s *pb.Signal, k *pb.Case, told teller) Cell {
	if s.Site == "" && k != nil {
		return text(placeNames(k, told.sites))
	}
	day := s.SeenTime.AsTime().In(told.sites.zone(s.Site)).Format(time.DateOnly)
	return where(s.Site, s.Station, told.sites, day)
}

func (v *visit) caseForm(k *pb.Case, zone *time.Location) *caseForm {
	f := &caseForm{RequestID: uuid.NewString(), Etag: k.Etag, Owner: k.Owner, At: v.now.In(zone).Format("2006-01-02T15:04"), Causes: causes}
	if x := k.Fix; x != nil {
		f.Cause, f.Explanation, f.Done, f.Prevention = x.Cause, x.Explanation, x.Done, x.Prevention
	} else if len(k.Suspects) > 0 {
		f.Cause = k.Suspects[0].Cause
	}
	if v.Method != http.MethodPost {
		return f
	}
	// What was typed is not to be typed again.
	f.Act = v.PostFormValue("act")
	for field, value := range map[string]*string{"owner": &f.Owner, "containment": &f.Containment, "note": &f.Note, "cause": &f.Cause,
		"explanation": &f.Explanation, "done": &f.Done, "prevention": &f.Prevention, "reason": &f.Reason, "at": &f.At} {
		if v.PostForm.Has(field) {
			*value = v.PostFormValue(field)
		}
	}
	return f
}

// caseAct does what a form asks.
func caseAct(v *visit) (string, error) {
	id := v.PathValue("id")
	if !v.me.any("quality-lead", "administrator") {
		return "", &stateError{code: http.StatusForbidden, title: "Not yours to do", text: "Cases are looked after by quality leads, and your roles are " + orNone(v.me.Roles) + ".",
			next: "An administrator can give you the role; a note to a quality lead does it too.", links: []link{{caseLink(id), "Back to the case"}}}
	}
	val := func(name string) *string { s := strings.TrimSpace(v.PostFormValue(name)); return &s }
	req := &pb.UpdateCaseRequest{RequestId: v.PostFormValue("request_id"), Id: id, Etag: v.PostFormValue("etag"), Actor: v.me.Display}
	switch v.PostFormValue("act") {
	case "take":
		req.Owner = val("owner")
	case "contain":
		req.Containment = val("containment")
	case "note":
		req.Note = val("note")
	case "fix":
		fix := &pb.CaseFix{Cause: *val("cause"), Explanation: *val("explanation"), Done: *val("done"), Prevention: *val("prevention")}
		if text := *val("at"); text != "" {
			t, err := v.formTime(text, id)
			if err != nil {
				return "", err
			}
			fix.FixTime = timestamppb.New(t)
		}
		req.Fix = fix
	case "close":
		_, err := v.ask.cases.CloseCase(v.ctx, &pb.CloseCaseRequest{RequestId: req.RequestId, Id: id, Etag: req.Etag, Actor: req.Actor})
		return caseLink(id), err
	case "reopen":
		_, err := v.ask.cases.ReopenCase(v.ctx, &pb.ReopenCaseRequest{RequestId: req.RequestId, Id: id, Etag: req.Etag, Actor: req.Actor, Reason: *val("reason")})
		return caseLink(id), err
	default:
		return "", badRequest("The act", fmt.Sprintf("%q is not known", v.PostFormValue("act")), "use the forms of the case")
	}
	_, err := v.ask.cases.UpdateCase(v.ctx, req)
	return caseLink(id) + "#stands", err
}

func orNone(roles []string) string {
	if len(roles) == 0 {
		return "none"
	}
	return listWords(roles)
}

// formTime reads a time of a form, by the clock at the case's site. A minute that
// is not over yet counts as now.
func (v *visit) formTime(text, id string) (time.Time, error) {
	zone := time.UTC
	if res, err := v.ask.cases.GetCase(v.ctx, &pb.GetCaseRequest{Id: id}); err == nil && len(res.Case.Sites) == 1 {
		zone = v.sites().zone(res.Case.Sites[0])
	}
	t, err := time.ParseInLocation("2006-01-02T15:04", text, zone)
	if err != nil {
		return t, badRequest("The time of the fix", fmt.Sprintf("%q is not a time", text), "write it as 2026-11-02T08:15")
	}
	return t, nil
}
