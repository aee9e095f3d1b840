package season

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"samecup.example/samecup/internal/cup"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/testdata"
)

// The chain's book stands in four variants: two releases, each with and without
// the overlay of one region, which takes the cocoa off (nuts).
const (
	overlaid  = 2 // added to the variant of a release
	nVariants = 4
)

const (
	wholeMilk = "whole-milk"
	oatDrink  = "oat-drink"
	soyDrink  = "soy-drink"
	chai      = "chai-concentrate"
)

// nominal figures of steaming, from domain knowledge without a source.
const (
	tareDryness = 0.94 // mean of the model's dryness, for nominal masses
	waterHeatKJ = 4.19
	milkHeatKJ  = 3.93
	steamHf     = 517.0
	steamHfg    = 2194.0
)

// limit is a check as the log needs it.
type limit struct {
	ok                bool
	id, measure       string
	unit              drink.Unit
	target, low, high float64
}

// spec is a recipe as one variant of the book has it.
type spec struct {
	checker *verdict.Checker
	garnish []string
	steps   []drink.StepLog
	finish  time.Duration

	dose, yield, time, temp, mass, depth, sauce limit
}

// recipe is a serving made ready for simulation.
type recipe struct {
	id, drink, milk, vesselID string
	shots, pulls              int
	hot                       bool // milk is steamed and poured to the level
	vessel                    vessel
	sauceML, sauceGPerML      float64
	pumped                    string
	waterML, iceML, coldML    float64
	air, gapMM                float64
	coldGPerML, hotGPerML     float64
	specs                     [nVariants]spec
}

// vessel is a frustum: base and top diameter and height, mm.
type vessel struct {
	base, top, height float64
	profile           cup.Profile
	brim              float64
}

func newVessel(base, top, height float64) (vessel, error) {
	p, err := cup.New(base, top, height)
	if err != nil {
		return vessel{}, err
	}
	return vessel{base, top, height, p, p.Brim()}, nil
}

// substitute is the vessel of other brim and top that a delivery may bring.
func (v vessel) substitute(brim, top float64) (vessel, error) {
	wide, err := newVessel(v.base, v.top*top, v.height)
	if err != nil {
		return vessel{}, err
	}
	return newVessel(v.base, v.top*top, v.height*brim*v.brim/wide.brim)
}

// menu is what the chain sells, with running sums of the shares.
type menu struct {
	recipes []*recipe
	// drinks and sizes to choose by; plant is added later, by the parameters.
	families []family
	sums     []float64
}

// family is one drink and size in its milks: dairy or none, oat, soy.
type family struct {
	share float64
	milks [3]*recipe
}

// shares of the drinks sold, in percent, and of their sizes; invented.
var drinkShares = map[string]float64{
	"latte": 32, "flat-white": 18, "cappuccino": 15, "americano": 9, "mocha": 5, "hot-chocolate": 4, "chai-latte": 4,
	"dirty-chai": 1, "espresso": 4, "macchiato": 1, "long-black": 2, "iced-latte": 3, "batch-filter": 2,
}

var sizeShares = map[string]float64{
	"latte/small": 25, "latte/medium": 35, "latte/large": 15, "latte/medium-takeaway": 25,
	"cappuccino/small": 40, "cappuccino/medium": 30, "cappuccino/small-takeaway": 30,
	"americano/small": 50, "americano/medium": 50, "espresso/double": 80, "espresso/single": 20,
}

var theMenu = sync.OnceValues(loadMenu)

func loadMenu() (*menu, error) {
	files, err := fs.Sub(testdata.FS, "harbour-finch")
	if err != nil {
		return nil, fmt.Errorf("open the book: %w", err)
	}
	book, problems := drink.LoadAndCheck(files)
	if book == nil {
		return nil, fmt.Errorf("the book cannot be read: %v", problems)
	}
	m := &menu{}
	byKey := map[string]*family{}
	var keys []string
	for _, s := range book.Servings() {
		if drinkShares[s.Drink] == 0 {
			continue
		}
		key := s.Drink + "/" + s.Size
		f := byKey[key]
		if f == nil {
			share := drinkShares[s.Drink]
			if part, ok := sizeShares[key]; ok {
				share *= part / 100
			}
			f = &family{share: share}
			byKey[key], keys = f, append(keys, key)
		}
		r, err := newRecipe(book, &s)
		if err != nil {
			return nil, fmt.Errorf("serving %s: %w", s.ID, err)
		}
		f.milks[milkIndex(s.Milk)] = r
	}
	sum := 0.0
	for _, key := range keys {
		f := byKey[key]
		for i, milk := range []string{oatDrink, soyDrink} {
			if whole := f.milks[0]; f.milks[i+1] == nil && whole != nil && whole.milk == wholeMilk {
				if f.milks[i+1], err = plantVariant(book, key, milk); err != nil {
					return nil, fmt.Errorf("%s with %s: %w", key, milk, err)
				}
			}
		}
		if f.milks[0] == nil {
			return nil, fmt.Errorf("%s: the book has it with plant milk alone; add the usual one", key)
		}
		sum += f.share
		m.families, m.sums = append(m.families, *f), append(m.sums, sum)
		for _, r := range f.milks {
			if r != nil {
				m.recipes = append(m.recipes, r)
			}
		}
	}
	return m, nil
}

func milkIndex(milk string) int {
	return max(0, slices.Index([]string{wholeMilk, oatDrink, soyDrink}, milk))
}

// choose draws a recipe.
func (m *menu) choose(d *dice, plant, oat float64) *recipe {
	u, v, w := d.Float64()*m.sums[len(m.sums)-1], d.Float64(), d.Float64()
	i, _ := slices.BinarySearch(m.sums, u)
	f := &m.families[min(i, len(m.families)-1)]
	if v >= plant || f.milks[1] == nil {
		return f.milks[0]
	}
	if w < oat {
		return f.milks[1]
	}
	return f.milks[2]
}

// plantVariant is a serving that the book has with whole milk alone, made with
// a plant milk to the same level: less air and a lower end temperature.
func plantVariant(book *drink.Book, key, milk string) (*recipe, error) {
	var s drink.Serving
	for _, c := range book.Servings() {
		if c.Drink+"/"+c.Size == key && c.Milk == wholeMilk {
			s = c
			s.Parts, s.Checks = slices.Clone(c.Parts), slices.Clone(c.Checks)
			s.ID = strings.TrimSuffix(c.ID, "/"+wholeMilk) + "/" + milk
		}
	}
	s.Milk, s.Air = milk, s.Air*15/18
	for i := range s.Parts {
		if s.Parts[i].Ingredient == wholeMilk {
			s.Parts[i].Ingredient = milk
		}
	}
	temp := drink.Milli(57_000)
	if milk == soyDrink {
		temp = 55_000
	}
	for i := range s.Checks {
		if k := &s.Checks[i]; k.Measure == "milk_temp" {
			k.Target, k.Low, k.High = temp, temp-3000, temp+3000
		}
	}
	// The depth follows from the lesser air.
	r, err := newRecipe(book, &s)
	if err != nil || !r.hot {
		return r, err
	}
	depth := drink.Milli(math.Round(r.nominalDepth())) * 1000
	for i := range s.Checks {
		if k := &s.Checks[i]; k.Measure == "froth_depth" {
			half := k.High - k.Target
			k.Target, k.Low, k.High = depth, depth-half, depth+half
		}
	}
	return newRecipe(book, &s)
}

func newRecipe(book *drink.Book, s *drink.Serving) (*recipe, error) {
	v, ok := book.VesselByID(s.Vessel)
	if !ok {
		return nil, fmt.Errorf("vessel %q is not in the book", s.Vessel)
	}
	r := &recipe{id: s.ID, drink: s.Drink, milk: s.Milk, vesselID: s.Vessel, shots: s.Shots, pulls: book.Pulls(s), air: s.Air.Float()}
	var err error
	if r.vessel, err = newVessel(v.Base.Float(), v.Top.Float(), v.Height.Float()); err != nil {
		return nil, err
	}
	for _, p := range s.Parts {
		in, ok := book.IngredientByID(p.Ingredient)
		if !ok {
			return nil, fmt.Errorf("ingredient %q is not in the book", p.Ingredient)
		}
		switch {
		case p.Ingredient == s.Milk:
			r.coldML, r.coldGPerML = p.Amount.Float(), in.Density.Float()
		case in.Kind == "water" || in.Kind == "coffee":
			r.waterML += p.Amount.Float()
		case in.Kind == "ice":
			r.iceML = p.Amount.Float() / 0.917 // density of ice, g/mL
		case p.Unit == drink.Count:
			r.sauceML, r.sauceGPerML, r.pumped = p.Amount.Float()*in.PumpVolume.Float(), in.Density.Float(), in.ID
		default:
			r.sauceML, r.sauceGPerML = p.Amount.Float(), in.Density.Float()
		}
	}
	r.hot = slices.ContainsFunc(s.Steps, func(st drink.Step) bool { return st.Act == "steam" })
	if r.hot {
		if err := r.level(book, s); err != nil {
			return nil, err
		}
	}
	for variant := range r.specs {
		if r.specs[variant], err = r.variant(s, variant); err != nil {
			return nil, err
		}
	}
	return r, nil
}

// level finds the rim gap that the nominal parts leave, to which the milk is
// poured, and the hot density by which nominal cold milk fills it.
func (r *recipe) level(book *drink.Book, s *drink.Serving) error {
	factor := book.House.MilkHotFactor.Float()
	if in, ok := book.IngredientByID(s.Milk); ok && in.HotFactor > 0 {
		factor = in.HotFactor.Float()
	}
	i := slices.IndexFunc(s.Checks, func(k drink.Check) bool { return k.Measure == "milk_temp" })
	if i < 0 {
		return errors.New("steamed milk without a check on its temperature")
	}
	dilution := dilution(4, s.Checks[i].Target.Float(), tareDryness)
	r.hotGPerML = r.coldGPerML * (1 + dilution) / factor
	fill := r.nominalBase() + r.coldML*factor*(1+r.air)
	depth, err := r.vessel.profile.Depth(fill)
	if err != nil {
		return fmt.Errorf("nominal fill: %w", err)
	}
	r.gapMM = r.vessel.height - depth
	return nil
}

// dilution is the condensate over cold milk of steaming from one temperature to
// another by steam of a dryness: m_s (h_f + x h_fg - c_w T) = m c (T - T0).
func dilution(from, to, dryness float64) float64 {
	return milkHeatKJ * (to - from) / (steamHf + dryness*steamHfg - waterHeatKJ*to)
}

func (r *recipe) nominalBase() float64 { return 18*float64(r.shots) + r.sauceML + r.waterML }

func (r *recipe) nominalFill() float64 {
	v, err := r.vessel.profile.Volume(r.vessel.height - r.gapMM)
	if err != nil {
		return r.nominalBase()
	}
	return v
}

func (r *recipe) nominalDepth() float64 {
	fill := r.nominalFill()
	hot := (fill - r.nominalBase()) / (1 + r.air)
	z, err := r.vessel.profile.Layer(fill, hot*r.air/0.55)
	if err != nil {
		return 0
	}
	return z
}

func (r *recipe) nominalMass() float64 {
	hot := (r.nominalFill() - r.nominalBase()) / (1 + r.air)
	return 18*float64(r.shots) + r.sauceML*r.sauceGPerML + r.waterML + hot*r.hotGPerML
}
