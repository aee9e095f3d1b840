package sim

import (
	"slices"
	"sort"
	"strings"

	"samecup.example/samecup/internal/drink"
)

// drinkShares is the mix of drinks sold, in percent; invented. Drinks not
// listed count 1.
var drinkShares = map[string]float64{
	"latte": 32, "flat-white": 18, "cappuccino": 15, "americano": 9, "mocha": 5,
	"hot-chocolate": 4, "chai-latte": 4, "dirty-chai": 1, "espresso": 4,
	"macchiato": 1, "long-black": 2, "iced-latte": 3, "batch-filter": 2,
}

// milkShares weighs the servings of one drink by milk: 28 % plant milk, of
// that four fifths oat; invented.
func milkShare(milk string) float64 {
	switch {
	case strings.Contains(milk, "oat"):
		return 0.224
	case strings.Contains(milk, "soy"):
		return 0.056
	}
	return 0.72
}

// cumulativeMix returns the running sum of the servings' weights.
func cumulativeMix(servings []drink.Serving) []float64 {
	whole := make(map[string]float64)
	for i := range servings {
		whole[servings[i].Drink] += milkShare(servings[i].Milk)
	}
	sums := make([]float64, len(servings))
	sum := 0.0
	for i := range servings {
		s := &servings[i]
		share, listed := drinkShares[strings.ReplaceAll(s.Drink, "_", "-")]
		if !listed {
			share = 1
		}
		sum += share * milkShare(s.Milk) / whole[s.Drink]
		sums[i] = sum
	}
	return sums
}

func (b *Bar) draw() *drink.Serving {
	x := b.rng.Float64() * b.mix[len(b.mix)-1]
	i := sort.SearchFloat64s(b.mix, x)
	return &b.servings[min(i, len(b.servings)-1)]
}

// stock is what a bar has within reach to get wrong: everything that any
// serving names, sorted, so that a seed gives the same choice every time.
type stock struct{ vessels, milks, garnishes, ingredients []string }

func takeStock(servings []drink.Serving) stock {
	var k stock
	for i := range servings {
		s := &servings[i]
		k.vessels = append(k.vessels, s.Vessel)
		if s.Milk != "" {
			k.milks = append(k.milks, s.Milk)
		}
		k.garnishes = append(k.garnishes, s.Garnish...)
		for _, p := range s.Parts {
			k.ingredients = append(k.ingredients, p.Ingredient)
		}
	}
	for _, list := range []*[]string{&k.vessels, &k.milks, &k.garnishes, &k.ingredients} {
		slices.Sort(*list)
		*list = slices.Compact(*list)
	}
	return k
}

// other picks one of list that taken does not refuse; when the bar has none,
// something nobody ever stocked.
func (b *Bar) other(list []string, unheardOf string, taken func(string) bool) string {
	left := slices.DeleteFunc(slices.Clone(list), taken)
	if len(left) == 0 {
		return unheardOf
	}
	return left[b.rng.IntN(len(left))]
}
