package drink

// Acts are the verbs of the build order, each with the words that a card uses
// when a step states none. Common practice, no source.
var Acts = map[string]string{
	"warm":      "warm the vessel",
	"dose":      "dose and tamp",
	"pull":      "pull the shot",
	"add_water": "add hot water",
	"add_milk":  "add cold milk",
	"add_ice":   "add ice",
	"add":       "add",
	"scoop":     "add the scoop",
	"steep":     "steep",
	"stir":      "stir",
	"steam":     "steam the milk",
	"wipe":      "wipe and purge the wand",
	"swirl":     "swirl the jug",
	"strain":    "strain",
	"pour":      "pour",
	"garnish":   "garnish",
	"lid":       "fit the lid",
}

// IngredientKinds are the kinds of ingredient that a book may name.
var IngredientKinds = []string{"coffee", "water", "milk", "plant_milk", "sauce", "syrup", "powder", "tea", "ice", "ice_cream", "topping"}

// Allergens are the fourteen groups of Regulation (EU) No 1169/2011, Annex II,
// by short codes of ours. Other countries list others: the local food code
// prevails.
var Allergens = []string{
	"gluten", "crustaceans", "egg", "fish", "peanut", "soya", "milk", "nuts",
	"celery", "mustard", "sesame", "sulphites", "lupin", "molluscs",
}
