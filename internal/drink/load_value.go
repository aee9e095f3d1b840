package drink

import (
	"math/big"
	"slices"
	"strings"
)

// Energy of 1 g of a nutrient. Source: Regulation (EU) No 1169/2011, Annex XIV.
// Kilojoules have factors of their own: converting the kilocalories by 4.184
// gives another figure.
var nutrients = []struct {
	key      string
	kcal, kj float64
}{
	{"carbohydrate", 4, 17}, {"polyols", 2.4, 10}, {"protein", 4, 17}, {"fat", 9, 37},
	{"alcohol", 7, 29}, {"organic_acids", 3, 13}, {"fibre", 2, 8},
}

// EnergyOf is the energy of 100 mL or 100 g that hold these grams of nutrients,
// named as in a book: carbohydrate, polyols, protein, fat, alcohol,
// organic_acids, fibre. Others count as nothing.
func EnergyOf(grams map[string]float64) (kcal, kj float64) {
	for _, n := range nutrients {
		kcal += grams[n.key] * n.kcal
		kj += grams[n.key] * n.kj
	}
	return kcal, kj
}

// kJ in a kilocalorie, for a label that states only one of the two.
const kjPerKcal = 4.184

// perUnit splits "64 kcal/100ml" at the slash and reads what stands after it:
// 100 ml or 100 g, or 1 l or 1 kg where thousand is true.
func perUnit(text string, thousand bool) (figure string, per Unit, ok bool) {
	figure, after, found := strings.Cut(text, "/")
	after = strings.ToLower(strings.ReplaceAll(after, " ", ""))
	names := map[string]Unit{"100ml": Millilitre, "100g": Gram}
	if thousand {
		names = map[string]Unit{"l": Millilitre, "kg": Gram}
	}
	per, ok = names[after]
	return strings.TrimSpace(figure), per, found && ok
}

// decimal reads a plain number into thousandths, rounding none.
func decimal(text string) (Milli, bool) {
	v, ok := parseDecimal(strings.TrimSpace(text))
	if !ok {
		return 0, false
	}
	m, exact, ok := toMilli(v)
	return m, exact && ok
}

// content reads a figure with a unit for an amount, like "71 mg/100ml".
func (c cursor) content(unit, like string) (Milli, Unit) {
	figure, per, ok := perUnit(c.n.text, false)
	number, suffixed := strings.CutSuffix(figure, unit)
	m, read := decimal(number)
	if c.n.kind != scalarNode || !ok || !suffixed || !read {
		c.fail("is not "+unit+" in 100 ml or 100 g", unit+"/100ml or "+unit+"/100g", "write it like \""+like+`"`)
		return 0, ""
	}
	return m, per
}

// energy reads "64 kcal/100ml", or a mapping of nutrients in 100 ml or 100 g.
func (c cursor) energy() Energy {
	if c.n.kind != dictNode {
		m, per := c.content("kcal", "64 kcal/100ml")
		return Energy{Kcal: m, KJ: milliOf(m.Float() * kjPerKcal), Per: per}
	}
	keys := []string{"per"}
	for _, n := range nutrients {
		keys = append(keys, n.key)
	}
	f := c.fields(keys...)
	e := Energy{}
	if at, ok := c.need(f, "per", `what the nutrients are in: "100 ml" or "100 g"`); ok {
		if _, e.Per, ok = perUnit("/"+at.n.text, false); !ok {
			at.fail("is not an amount for nutrients", "100 ml or 100 g", "write one of these")
		}
	}
	grams, total := map[string]float64{}, new(big.Rat)
	for key, at := range f {
		if key == "per" {
			continue
		}
		m, _ := at.quantity(Gram)
		if m < 0 {
			at.fail("is negative", "0 g to 100 g", "correct it")
			m = 0
		}
		grams[key] = m.Float()
		total.Add(total, big.NewRat(int64(m), 1000))
	}
	if e.Per == Gram && total.Cmp(big.NewRat(100, 1)) > 0 {
		c.fail("holds "+total.FloatString(1)+" g of nutrients in 100 g", "at most 100 g", "check each against the label")
	}
	kcal, kj := EnergyOf(grams)
	e.Kcal, e.KJ = milliOf(kcal), milliOf(kj)
	return e
}

// price reads "1.10 GBP/l" or "12 GBP/kg"; the currency must be the house's.
func (c cursor) price(currency string) Price {
	figure, per, ok := perUnit(c.n.text, true)
	number, code, spaced := strings.Cut(figure, " ")
	m, read := decimal(number)
	code = strings.TrimSpace(code)
	switch {
	case c.n.kind != scalarNode || !ok || !spaced || !read || !isCurrency(code):
		c.fail("is not a price", "an amount in the house's currency a litre or a kilogram", `write it like "1.10 GBP/l" or "9.50 GBP/kg"`)
		return Price{}
	case currency == "":
		c.fail("is a price, but the house states no currency", "", `add "currency: `+code+`" to `+houseFile)
		return Price{}
	case code != currency:
		c.fail("is in "+code+"; the house's currency is "+currency, currency, "write the price in "+currency)
		return Price{}
	}
	return Price{Amount: m, Per: per}
}

func (c cursor) currency() string {
	if c.n.kind != scalarNode || !isCurrency(c.n.text) {
		c.fail("is not a currency", "three capitals by ISO 4217", `write it like "GBP"`)
		return ""
	}
	return c.n.text
}

func isCurrency(s string) bool {
	return len(s) == 3 && !slices.ContainsFunc([]byte(s), func(b byte) bool { return b < 'A' || b > 'Z' })
}
