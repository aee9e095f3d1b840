package console

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// stopsPage lists stops, and orders one.
type stopsPage struct {
	All   bool
	Table *Table
	Next  string
	Form  *form
	Lacks string
	// Drinks, Ingredients and Scopes are what can be chosen.
	Drinks, Ingredients, Scopes []choice
}

func stopKindWord(k pb.StopKind) string { return enum(k, "STOP_KIND_") }

func stopState(s pb.StopState) (word, tone string) {
	switch s {
	case pb.StopState_STOP_STATE_OPEN:
		return "holds", "alert"
	case pb.StopState_STOP_STATE_LIFT_ASKED:
		return "holds; to be lifted", "caution"
	}
	return "lifted", "quiet"
}

func stopLink(name string) string { return "/stops/" + shortName(name) }

// stopTarget names what is stopped, as the newest book has it.
func stopTarget(b *book, s *pb.Stop) string {
	if b != nil && s.GetKind() == pb.StopKind_STOP_KIND_INGREDIENT {
		if in, ok := b.IngredientByID(s.Target); ok && in.Name != "" {
			return in.Name
		}
	}
	if b != nil && s.GetKind() == pb.StopKind_STOP_KIND_DRINK {
		return subjectWords(b, s.Target)
	}
	return s.GetTarget()
}

func stopList(v *visit) (*view, error) {
	q := v.URL.Query()
	p := stopsPage{All: q.Get("show") == "all", Form: v.newForm(""), Lacks: v.lacks("order a stop", roleAnyActor)}
	res, err := v.ask.stops.ListStops(v.ctx, &pb.ListStopsRequest{PageSize: 100, PageToken: q.Get("page"), OpenOnly: !p.All})
	if err != nil {
		return nil, err
	}
	b, _ := v.newestBook() // without one, ids are shown
	p.Table = &Table{ID: "stops", Caption: "Stops that hold", Cols: cols("what", "kind", "state", "where", "#sites not seen", "#servings off", "by", "since", "~why"),
		Empty: "Nothing is stopped. A stop takes a drink, an ingredient or a lot off every counter at once, whatever the book says."}
	if p.All {
		p.Table.Caption = "Every stop, the newest first"
	}
	for _, s := range res.Stops {
		word, tone := stopState(s.State)
		open := textf("%d", s.OpenSites)
		if s.OpenSites > 0 && s.State != pb.StopState_STOP_STATE_LIFTED {
			open.Tone = "caution"
		}
		p.Table.add(head(stopTarget(b, s.Stop), stopLink(s.Name)), text(stopKindWord(s.Stop.GetKind())), Cell{Text: word, Tone: tone}, text(v.scopesWords(s.Stop.GetScopes())), open,
			textf("%d", len(s.Servings)), text(v.who(s.Stop.GetAuthor())), v.moment(s.Stop.GetCreateTime()), text(s.Stop.GetReason()))
	}
	if res.NextPageToken != "" {
		p.Next = with(v.URL, "page", res.NextPageToken)
	}
	if b != nil {
		for i := range b.Drinks {
			p.Drinks = append(p.Drinks, choice{"drink " + b.Drinks[i].ID, b.Drinks[i].Name, p.Form.Or("what", "") == "drink "+b.Drinks[i].ID})
		}
		for i := range b.Ingredients {
			in := &b.Ingredients[i]
			p.Ingredients = append(p.Ingredients, choice{"ingredient " + in.ID, stopTarget(b, &pb.Stop{Kind: pb.StopKind_STOP_KIND_INGREDIENT, Target: in.ID}), p.Form.Or("what", "") == "ingredient "+in.ID})
		}
	}
	seen := map[string]bool{}
	for _, s := range v.sites().Sites {
		if r := "region." + s.Region; s.Region != "" && !seen[r] {
			seen[r] = true
			p.Scopes = append(p.Scopes, choice{r, "the region " + s.Region, p.Form.Or("scope", "") == r})
		}
	}
	for _, s := range v.sites().Sites {
		p.Scopes = append(p.Scopes, choice{"site." + s.Id, s.Name, p.Form.Or("scope", "") == "site."+s.Id})
	}
	return &view{Title: "Stops", Data: p, Tables: []*Table{p.Table}}, nil
}

func stopOrder(v *visit) (string, error) {
	if v.typed("act") != "order" {
		return "", v.unknownAct()
	}
	req := &pb.CreateStopRequest{RequestId: v.requestID(), Reason: v.typed("reason"), Instruction: v.typed("instruction")}
	kind, target, _ := strings.Cut(v.typed("what"), " ")
	switch lot := v.typed("lot"); {
	case kind == "" && lot == "":
		return "", badForm("What is stopped", "nothing was chosen", "Choose a drink or an ingredient, or write a lot.")
	case kind != "" && lot != "":
		return "", badForm("What is stopped", fmt.Sprintf("both %s and the lot %s were given", target, lot), "Stop one, then the other.")
	case lot != "":
		req.Kind, req.Target = pb.StopKind_STOP_KIND_LOT, lot
	default:
		req.Kind, req.Target = pb.StopKind(pb.StopKind_value["STOP_KIND_"+strings.ToUpper(kind)]), target
	}
	if s := v.typed("scope"); s != "" {
		req.Scopes = []string{s}
	}
	res, err := v.ask.stops.CreateStop(v.ctx, req)
	if err != nil {
		return "", err
	}
	return stopLink(res.Stop.Name), nil
}

// stopPage is one stop.
type stopPage struct {
	*pb.StopStatus
	ID, What, Kind, Word, Tone string
	Lead, Off, Asked           string
	Open                       bool
	Holding, Stations          int
	Table                      *Table
	Unseen                     []choice
	// MayLift is set where the person may ask or agree; Why says why not.
	MayLift, MaySee bool
	Why             string
	Form            *form
}

// escalations is whose turn it is at a site that did not acknowledge: 15, 30
// and 60 minutes after the stop.
var escalations = []string{"shift lead", "store manager", "area manager", "head office"}

func stopShow(v *visit) (*view, error) {
	id := v.PathValue("id")
	res, err := v.ask.stops.GetStop(v.ctx, &pb.GetStopRequest{Name: "stops/" + id})
	if err != nil {
		return nil, missingOr(err, "stop", id, link{"/stops?show=all", "All stops"})
	}
	s := res.Stop
	b, _ := v.newestBook() // without one, ids are shown
	p := &stopPage{StopStatus: s, ID: id, What: stopTarget(b, s.Stop), Kind: stopKindWord(s.Stop.GetKind()), Form: v.newForm("")}
	p.Word, p.Tone = stopState(s.State)
	p.Open = s.State != pb.StopState_STOP_STATE_LIFTED
	p.Lead = fmt.Sprintf("ordered by %s, %s, for %s", v.who(s.Stop.GetAuthor()), v.at(s.Stop.GetCreateTime()), v.scopesWords(s.Stop.GetScopes()))
	off := make([]string, len(s.Servings))
	for i, x := range s.Servings {
		off[i] = b.servingWordsOr(x)
	}
	p.Off = strings.Join(off, "; ")
	sites := v.sites()
	p.Table = &Table{ID: "sites", Caption: "Who has it", Cols: cols("site", "seen by", "when", "whose turn", "#stations hold it", "~note"), Empty: "It holds at no site."}
	slices.SortStableFunc(s.Sites, func(a, b *pb.StopSite) int { return cmp.Compare(min(1, len(a.Person)), min(1, len(b.Person))) })
	for _, x := range s.Sites {
		z := sites.zone(x.Site)
		p.Holding, p.Stations = p.Holding+int(x.StationsHolding), p.Stations+int(x.Stations)
		by, turn := text(x.Person), Cell{}
		if x.Person == "" {
			by = Cell{Text: "nobody yet", Tone: "caution"}
			if x.Escalation >= 0 && int(x.Escalation) < len(escalations) {
				turn = text(escalations[x.Escalation])
			}
			p.Unseen = append(p.Unseen, choice{x.Site, sites.name(x.Site), p.Form.Or("site", "") == x.Site})
		}
		holds := textf("%d of %d", x.StationsHolding, x.Stations)
		if x.StationsHolding < x.Stations {
			holds.Tone = "caution"
		}
		p.Table.add(head(sites.name(x.Site), ""), by, text(clock(x.AcknowledgeTime, z, v.now)), turn, holds, text(x.Note))
	}
	v.shorten(p.Table)
	asked := s.State == pb.StopState_STOP_STATE_LIFT_ASKED
	switch {
	case asked:
		p.Asked = fmt.Sprintf("%s asked for it to be lifted: %s A second person has to agree.", v.who(s.LiftAskedBy), sentence(s.LiftReason))
	case !p.Open:
		p.Asked = fmt.Sprintf("Lifted by %s and %s, %s: %s", v.who(s.LiftAskedBy), v.who(s.LiftedBy), v.at(s.LiftTime), sentence(s.LiftReason))
	}
	p.Why = v.lacks("lift it", roleLift)
	if asked && s.LiftAskedBy == v.me.Name && !v.me.Local {
		p.Why = "You asked for it, so a second person has to agree: " + orElse(v.holders(roleLift), "nobody else has the role yet") + "."
	}
	p.MayLift = p.Open && p.Why == ""
	p.MaySee = p.Open && v.me.any(roleAnyActor...)
	return &view{Title: "Stop of " + p.What, Data: p, Tables: []*Table{p.Table}}, nil
}

func orElse(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

func stopAct(v *visit) (string, error) {
	name := "stops/" + v.PathValue("id")
	switch v.PostFormValue("act") {
	case "lift":
		_, err := v.ask.stops.LiftStop(v.ctx, &pb.LiftStopRequest{RequestId: v.requestID(), Name: name, Reason: v.typed("reason")})
		return "/" + name, err
	case "seen":
		_, err := v.ask.stops.AcknowledgeStop(v.ctx, &pb.AcknowledgeStopRequest{RequestId: v.requestID(), Name: name, Site: v.typed("site"), Person: v.typed("person"), Note: v.typed("note")})
		return "/" + name, err
	}
	return "", v.unknownAct()
}
