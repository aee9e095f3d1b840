package tablet

import (
	"math"
	"net/http"
	"strings"

	"samecup.example/samecup/internal/dialin"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/station/bar"
)

// dialInBody is the routine on its way, or the choice of one.
type dialInBody struct {
	Occasions []dialin.Occasion
	Now       *bar.DialIn
	// Setting, Dose and Yield are what the fields begin with.
	Setting, Dose, Yield string
}

func (s *Server) dialIn(_ *http.Request, v *view) error {
	b := dialInBody{
		Occasions: []dialin.Occasion{dialin.Opening, dialin.AfterLunch, dialin.NewCoffee, dialin.NewBurrSet},
		Now:       v.State.DialIn,
	}
	if d := b.Now; d != nil {
		b.Setting, b.Dose, b.Yield = v.Num(d.Setting), v.Num(d.Target.Dose), v.Num(d.Target.Yield)
		if d.Advice != nil {
			b.Setting = v.Num(d.Advice.Setting)
		}
	}
	v.Page, v.Title, v.Body = "dialin", v.T("dialin.title"), b
	return nil
}

// dialInAct carries the routine on; the last part of the path says how.
func (s *Server) dialInAct(r *http.Request, _ http.ResponseWriter) (string, error) {
	const here = "/dial-in"
	var firstWrong error
	number := func(field string) drink.Milli {
		m, ok := parseNumber(r.PostFormValue(field))
		if !ok && firstWrong == nil {
			no := refuse("refuse.number", r.PostFormValue(field))
			no.Field = field
			firstWrong = no
		}
		return m
	}
	ctx := r.Context()
	switch r.PathValue("act") {
	case "begin":
		return here, s.cfg.Bar.BeginDialIn(ctx, dialin.Occasion(r.PostFormValue("occasion")))
	case "purge":
		dose := number("dose")
		if firstWrong != nil {
			return "", firstWrong
		}
		return here, s.cfg.Bar.PurgeDialIn(ctx, dose)
	case "shot":
		shot := bar.DialInShot{Setting: number("setting"), Dose: number("dose"), Yield: number("yield"), Time: number("time")}
		if firstWrong != nil {
			return "", firstWrong
		}
		return here, s.cfg.Bar.DialInShot(ctx, shot)
	case "tasted":
		right := r.PostFormValue("right")
		if right != "yes" && right != "no" {
			return "", refuse("refuse.right")
		}
		return here, s.cfg.Bar.DialInTasted(ctx, right == "yes", strings.TrimSpace(r.PostFormValue("note")))
	case "end":
		why, err := s.reason(r, "dialin.end.")
		if err != nil {
			return "", err
		}
		return here, s.cfg.Bar.EndDialIn(ctx, why)
	case "turn":
		setting := number("setting")
		if firstWrong != nil {
			return "", firstWrong
		}
		return here, s.cfg.Bar.TurnGrinder(ctx, setting)
	}
	return "", refuse("refuse.act", r.PathValue("act"))
}

// Advice words how to turn the grinder, and how sure that is.
func (v *view) Advice(a *dialin.Advice) string {
	if a == nil {
		return ""
	}
	switch a.Action {
	case dialin.Turn, dialin.Probe:
		key := "advice." + string(a.Action) + ".coarser"
		if a.Finer {
			key = "advice." + string(a.Action) + ".finer"
		}
		return v.T(key, a.Steps, a.Setting)
	case dialin.Pull, dialin.Leave:
		return v.T("advice." + string(a.Action))
	}
	return a.Words
}

// Predicted rounds the interval outwards, so that it never says more than is
// known.
func (v *view) Predicted(p *dialin.Prediction) string {
	whole := func(f float64) drink.Milli { return drink.Milli(f) * 1000 }
	return v.T("advice.predicted", whole(math.Round(p.Expected)), whole(math.Floor(p.Low)), whole(math.Ceil(p.High)))
}

// DialInWords says what to do now.
func (v *view) DialInWords(d *bar.DialIn) string {
	if key := "dialin.now." + string(d.Phase); v.Has(key) {
		return v.T(key, len(d.Pulled))
	}
	return d.Words
}
