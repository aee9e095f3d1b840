package audit

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/stat"
)

// Bounds of a visit. Choices of ours.
const (
	// DefaultPerSlot drinks a slot are about a quarter of an hour of labour a day.
	DefaultPerSlot = 2
	defaultFault   = 0.1
	// promptMinutes is how long a pick stays open; gapMinutes keeps the auditor
	// from having to be at two machines.
	promptMinutes = 10
	gapMinutes    = 12
	mostSlots     = 50
	mostPerSlot   = 30
	mostPicks     = 200
	mostCups      = 60
)

// NewPlan draws the visit's drinks, checks and times from seed: the same book,
// parameters and seed give the same plan. Each slot is cut into equal windows
// with one drink at a random minute in each; drinks are drawn alike, then their
// servings. At least one drink a slot, and one with plant milk where one is on
// sale. The depth of froth is measured once, since that drink is lost.
func NewPlan(b *drink.Book, q Params, seed uint64) (*Plan, error) {
	if q.PerSlot == 0 {
		q.PerSlot = DefaultPerSlot
	}
	if q.Fault == 0 {
		q.Fault = defaultFault
	}
	if err := q.check(); err != nil {
		return nil, err
	}
	onSale, err := servingsOf(b, q.Drinks)
	if err != nil {
		return nil, err
	}
	h := fnv.New64a()
	_, _ = h.Write([]byte(q.Site + "|" + q.Day)) // a hash never fails
	d := &draw{book: b, rng: rand.New(rand.NewPCG(seed, h.Sum64())), onSale: onSale}
	p := &Plan{Chain: b.Chain, Site: q.Site, Day: q.Day, Seed: seed, Slots: slices.Clone(q.Slots), Cautions: cautions(b)}
	if err := d.times(p, q); err != nil {
		return nil, err
	}
	d.servings(p)
	d.checks(p)
	d.cups(p, q.Cups)
	p.Allergens = d.allergens(p)
	if err := p.decide(q); err != nil {
		return nil, err
	}
	return p, nil
}

func (q Params) check() error {
	if q.Site == "" {
		return inputErr("site", `""`, "the site's slug, such as tannery-row")
	}
	if _, err := time.Parse(time.DateOnly, q.Day); err != nil {
		return inputErr("day", fmt.Sprintf("%q", q.Day), "a day such as 2026-03-02")
	}
	if len(q.Slots) == 0 || len(q.Slots) > mostSlots {
		return inputErr("slots", len(q.Slots), fmt.Sprintf("1 to %d: who works where, and when", mostSlots))
	}
	if q.PerSlot < 1 || q.PerSlot > mostPerSlot || q.PerSlot*len(q.Slots) > mostPicks {
		return inputErr("drinks a slot", q.PerSlot, fmt.Sprintf("1 to %d, and %d in all", mostPerSlot, mostPicks))
	}
	if q.Cups < 0 || q.Cups > min(mostCups, q.PerSlot*len(q.Slots)) {
		return inputErr("tasting cups", q.Cups, fmt.Sprintf("0 to %d: each comes from a drink that is measured", min(mostCups, q.PerSlot*len(q.Slots))))
	}
	if !(q.Fault > 0 && q.Fault < 1) {
		return inputErr("fault", q.Fault, "a share above 0 and below 1, such as 0.1")
	}
	for i, s := range q.Slots {
		switch {
		case s.Station == "" || s.Barista == "":
			return inputErr(fmt.Sprintf("slot %d", i+1), fmt.Sprintf("station %q, barista %q", s.Station, s.Barista), "a station and a pseudonym")
		case s.From < 0 || s.To > 24*60 || s.To <= s.From:
			return inputErr(fmt.Sprintf("slot %d", i+1), fmt.Sprintf("%s to %s", s.From, s.To), "an end after its start on one day; cut a slot that passes midnight in two")
		case int(s.To-s.From) < q.PerSlot*(gapMinutes+1)+promptMinutes:
			return inputErr(fmt.Sprintf("slot %d", i+1), fmt.Sprintf("%d minutes", s.To-s.From),
				fmt.Sprintf("%d minutes or more for %d drinks; lengthen it or measure fewer", q.PerSlot*(gapMinutes+1)+promptMinutes, q.PerSlot))
		}
	}
	for code, v := range q.Limits {
		if _, ok := auditableOf(code); !ok {
			return inputErr("measure of a limit", code, strings.Join(auditableCodes(), ", "))
		}
		if v <= 0 {
			return inputErr("limit of "+code, v, "above 0")
		}
	}
	return nil
}

// servingsOf groups the servings on sale that have something to measure, by drink.
func servingsOf(b *drink.Book, drinks []string) ([][]*drink.Serving, error) {
	var out [][]*drink.Serving
	for _, id := range drinks {
		if !slices.ContainsFunc(b.Drinks, func(d drink.Drink) bool { return d.ID == id }) {
			return nil, inputErr("drink", fmt.Sprintf("%q", id), "a drink of the book")
		}
	}
	for i := range b.Drinks {
		d := &b.Drinks[i]
		if drinks != nil && !slices.Contains(drinks, d.ID) {
			continue
		}
		var list []*drink.Serving
		for j := range d.Servings {
			if slices.ContainsFunc(d.Servings[j].Checks, func(k drink.Check) bool { _, ok := auditableOf(k.Measure); return ok }) {
				list = append(list, &d.Servings[j])
			}
		}
		if len(list) > 0 {
			out = append(out, list)
		}
	}
	if len(out) == 0 {
		return nil, inputErr("drinks on sale", len(out), "at least one with a check that an auditor can take: "+strings.Join(auditableCodes(), ", "))
	}
	return out, nil
}

type draw struct {
	book   *drink.Book
	rng    *rand.Rand
	onSale [][]*drink.Serving
}

// mostDraws bounds the search for times that do not collide.
const mostDraws = 500

func (d *draw) times(p *Plan, q Params) error {
	for range mostDraws {
		p.Picks = p.Picks[:0]
		for _, s := range q.Slots {
			window := float64(int(s.To-s.From)-promptMinutes) / float64(q.PerSlot)
			for i := range q.PerSlot {
				at := s.From + Clock(float64(i)*window) + Clock(d.rng.IntN(int(window)-gapMinutes+1))
				p.Picks = append(p.Picks, Pick{At: at, Until: at + promptMinutes, Station: s.Station, Barista: s.Barista})
			}
		}
		slices.SortStableFunc(p.Picks, func(a, b Pick) int { return int(a.At - b.At) })
		collide := false
		for i := range p.Picks {
			p.Picks[i].No = i + 1
			collide = collide || i > 0 && p.Picks[i].At-p.Picks[i-1].At < gapMinutes
		}
		if !collide {
			return nil
		}
	}
	return inputErr("drinks in all", len(p.Picks), fmt.Sprintf("fewer: overlapping slots leave no %d minutes between one drink and the next", gapMinutes))
}

func (d *draw) servings(p *Plan) {
	var plant []*drink.Serving
	for _, list := range d.onSale {
		for _, s := range list {
			if d.isPlant(s) {
				plant = append(plant, s)
			}
		}
	}
	seen := false
	for i := range p.Picks {
		list := d.onSale[d.rng.IntN(len(d.onSale))]
		d.set(&p.Picks[i], list[d.rng.IntN(len(list))])
		seen = seen || p.Picks[i].PlantMilk
	}
	switch {
	case len(plant) == 0:
		p.Notes = append(p.Notes, "No drink with plant milk is on sale, so none is measured.")
	case !seen:
		d.set(&p.Picks[d.rng.IntN(len(p.Picks))], plant[d.rng.IntN(len(plant))])
	}
}

func (d *draw) isPlant(s *drink.Serving) bool {
	in, ok := d.book.IngredientByID(s.Milk)
	return ok && in.Kind == "plant_milk"
}

func (d *draw) set(k *Pick, s *drink.Serving) {
	k.Serving, k.PlantMilk, k.Vessel = s.ID, d.isPlant(s), s.Vessel
	k.Drink = s.DrinkName + ", " + strings.ReplaceAll(s.Size, "-", " ")
	if in, ok := d.book.IngredientByID(s.Milk); ok {
		k.Drink += ", " + strings.ToLower(in.Name)
	}
	if v, ok := d.book.VesselByID(s.Vessel); ok {
		k.Vessel = v.Name
	}
}

// checks fills in what to read of each pick, once all servings are settled.
func (d *draw) checks(p *Plan) {
	var froth []int
	for i := range p.Picks {
		k := &p.Picks[i]
		s, _ := d.book.ServingByID(k.Serving) // drawn from the book
		for _, a := range auditables {
			for j := range s.Checks {
				c := &s.Checks[j]
				if c.Measure != a.measure {
					continue
				}
				m := drink.MeasureByCode(c.Measure)
				of := max(1, c.Occurrences)
				k.Checks = append(k.Checks, PickCheck{Check: c.ID, Measure: c.Measure, Label: m.Label, Unit: m.Unit,
					Occurrence: 1 + d.rng.IntN(of), Of: of, Resolution: c.Resolution, Target: c.Target})
				if a.spoils {
					froth = append(froth, i)
				}
			}
		}
	}
	if len(froth) == 0 {
		return
	}
	keep := froth[d.rng.IntN(len(froth))]
	for i := range p.Picks {
		spoils := func(c PickCheck) bool { a, _ := auditableOf(c.Measure); return a.spoils }
		left := slices.DeleteFunc(slices.Clone(p.Picks[i].Checks), spoils)
		if i != keep && len(left) > 0 {
			p.Picks[i].Checks = left
		}
	}
}

// cups are of drinks that the ruler has not been in, as far as there are enough.
func (d *draw) cups(p *Plan, n int) {
	codes := d.rng.Perm(900)
	picks := d.rng.Perm(len(p.Picks))
	slices.SortStableFunc(picks, func(a, b int) int { return ruled(&p.Picks[a]) - ruled(&p.Picks[b]) })
	for i, k := range picks[:n] {
		p.Cups = append(p.Cups, Cup{Code: fmt.Sprint(100 + codes[i]), Pick: k + 1})
	}
	// By code, so that the order on the form says nothing of the drinks.
	slices.SortFunc(p.Cups, func(a, b Cup) int { return strings.Compare(a.Code, b.Code) })
}

func ruled(k *Pick) int {
	for _, c := range k.Checks {
		if a, _ := auditableOf(c.Measure); a.spoils {
			return 1
		}
	}
	return 0
}

// decide fixes the limits and says what the visit can show.
func (p *Plan) decide(q Params) error {
	pairs := map[string]int{}
	for _, k := range p.Picks {
		for _, c := range k.Checks {
			a, _ := auditableOf(c.Measure)
			pairs[c.Measure]++
			p.Seconds += a.seconds
		}
	}
	for _, a := range auditables {
		if pairs[a.measure] == 0 {
			continue
		}
		limit := a.limit
		if v, ok := q.Limits[a.measure]; ok {
			limit = v
		}
		p.Limits = append(p.Limits, Limit{Measure: a.measure, Limit: limit, Unit: drink.MeasureByCode(a.measure).Unit})
	}
	words, err := stat.PowerWords(len(p.Picks), q.Fault)
	if err != nil {
		return fmt.Errorf("stating the power: %w", err)
	}
	p.Power = append(p.Power, words+" No fault seen is not no fault.")
	for _, l := range p.Limits {
		n := pairs[l.Measure]
		label := drink.MeasureByCode(l.Measure).Label
		if n < 3 {
			p.Power = append(p.Power, fmt.Sprintf("%s: %d of this visit; limits of agreement need 3 pairs, and about 30 to be useful: join visits.", label, n))
			continue
		}
		f := float64(n)
		se := math.Sqrt(1/f + 1.96*1.96/(2*(f-1)))
		p.Power = append(p.Power, fmt.Sprintf("%s: %d pairs place each limit of agreement with a standard error of %.2f deviations of a difference; 30 pairs would give 0.31.", label, n, se))
	}
	return nil
}
