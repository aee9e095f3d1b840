package console

import (
	"strconv"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// draftsPage lists drafts, and begins one.
type draftsPage struct {
	All   bool
	Table *Table
	Next  string
	Form  *form
	// Lacks says why no draft can be begun here.
	Lacks string
	// First is set on the first day: there is no edition to begin from.
	First bool
}

func draftWord(s pb.DraftState) string { return enum(s, "DRAFT_STATE_") }

func draftTone(s pb.DraftState) string {
	switch s {
	case pb.DraftState_DRAFT_STATE_PROPOSED:
		return "caution"
	case pb.DraftState_DRAFT_STATE_APPROVED, pb.DraftState_DRAFT_STATE_RELEASED:
		return "good"
	case pb.DraftState_DRAFT_STATE_WITHDRAWN:
		return "quiet"
	}
	return ""
}

func draftLink(id string) string { return "/drafts/" + id }

func draftList(v *visit) (*view, error) {
	q := v.URL.Query()
	p := draftsPage{All: q.Get("show") == "all", Form: v.newForm(""), Lacks: v.lacks("begin a draft", roleAuthor)}
	req := &pb.ListDraftsRequest{PageSize: 200, PageToken: q.Get("page")}
	if !p.All {
		req.States = []pb.DraftState{pb.DraftState_DRAFT_STATE_OPEN, pb.DraftState_DRAFT_STATE_PROPOSED, pb.DraftState_DRAFT_STATE_APPROVED}
	}
	res, err := v.ask.drafts.ListDrafts(v.ctx, req)
	if err != nil {
		return nil, err
	}
	p.Table = &Table{ID: "drafts", Caption: "Drafts on their way", Cols: cols("draft", "state", "~waits for", "author", "#from edition", "#saves", "changed"),
		Empty: "No draft is on its way. Begin one below: it starts as a copy of the newest edition."}
	if p.All {
		p.Table.Caption = "Every draft"
		p.Table.Empty = "No draft was ever begun."
	}
	for _, d := range res.Drafts {
		id := shortName(d.Name)
		p.Table.add(head(d.Title, draftLink(id)), Cell{Text: draftWord(d.State), Tone: draftTone(d.State)}, draftWaits(d), text(v.who(d.Author)), textf("%d", d.BaseEdition), textf("%d", d.Revision), v.moment(d.UpdateTime))
	}
	if res.NextPageToken != "" {
		p.Next = with(v.URL, "page", res.NextPageToken)
	}
	if len(res.Drafts) == 0 {
		releases, err := v.ask.books.ListReleases(v.ctx, &pb.ListReleasesRequest{PageSize: 1})
		p.First = v.part("the editions", err) && len(releases.Releases) == 0
		if p.First {
			p.Table.Empty = "No book was published yet, so there is nothing to begin a draft from."
		}
	}
	return &view{Title: "Drafts", Data: p, Tables: []*Table{p.Table}}, nil
}

// draftWaits is the next step of a draft, and leads there.
func draftWaits(d *pb.Draft) Cell {
	id := shortName(d.Name)
	switch d.State {
	case pb.DraftState_DRAFT_STATE_OPEN:
		return text("its author, to propose it")
	case pb.DraftState_DRAFT_STATE_PROPOSED:
		return to("an approval", draftLink(id)+"/review")
	case pb.DraftState_DRAFT_STATE_APPROVED:
		return to("a rollout", "/rollouts?draft="+id+"#start")
	case pb.DraftState_DRAFT_STATE_RELEASED:
		return to("nothing: edition "+strconv.FormatUint(d.Edition, 10), rolloutLink(d.Edition))
	}
	return text("nothing")
}

func draftBegin(v *visit) (string, error) {
	if v.typed("act") != "begin" {
		return "", v.unknownAct()
	}
	res, err := v.ask.drafts.CreateDraft(v.ctx, &pb.CreateDraftRequest{RequestId: v.requestID(), Title: v.typed("title")})
	if err != nil {
		return "", err
	}
	return draftLink(shortName(res.Draft.Name)), nil
}

func rolloutLink(edition uint64) string { return "/rollouts/" + strconv.FormatUint(edition, 10) }
