package drink

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path"
	"slices"
	"strings"
)

// Limits on a book as a whole.
const (
	// MaxFiles bounds the number of YAML files.
	MaxFiles = 2000
	// MaxServings bounds what the drinks resolve into.
	MaxServings = 10_000
	// MaxSingles bounds the shots of one serving.
	MaxSingles = 12
	maxList    = 5000
)

// Names of the files of a book; drinks stand as drinks/<id>.yaml.
const (
	houseFile       = "house.yaml"
	vesselsFile     = "vessels.yaml"
	ingredientsFile = "ingredients.yaml"
	drinksDir       = "drinks"
	// SamplingFile may be left out.
	SamplingFile = "sampling.yaml"
)

func drinkFile(id string) string { return drinksDir + "/" + id + ".yaml" }

// LoadDir reads the book in a directory. See [Load].
func LoadDir(dir string) (*Book, Problems) {
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return &Book{}, Problems{unreadable("", fmt.Sprintf("no book folder at %q", dir), "name the folder that holds "+houseFile)}
	}
	return Load(os.DirFS(dir))
}

// Load reads house.yaml, vessels.yaml, ingredients.yaml and drinks/*.yaml and
// resolves every drink into its servings. The book is never nil, but not to be
// used when the problems hold an error. It finds what is wrong with the text
// of a book; [CheckBook] finds what is wrong with the book.
func Load(fsys fs.FS) (*Book, Problems) {
	files, problems := ReadFiles(fsys)
	if problems.HasErrors() {
		return &Book{}, problems
	}
	return LoadFiles(files)
}

// LoadAndCheck loads a book and, when that finds no error, checks it; problems
// then carry the lines they come from.
func LoadAndCheck(fsys fs.FS) (*Book, Problems) {
	files, problems := ReadFiles(fsys)
	if problems.HasErrors() {
		return &Book{}, problems
	}
	return LoadAndCheckFiles(files)
}

// CheckDir is LoadAndCheck on a directory.
func CheckDir(dir string) (*Book, Problems) {
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return LoadDir(dir)
	}
	return LoadAndCheck(os.DirFS(dir))
}

// LoadAndCheckFiles is LoadAndCheck for sources that are already in memory.
func LoadAndCheckFiles(files map[string][]byte) (*Book, Problems) {
	b, r := load(files)
	if r.problems.HasErrors() {
		return b, r.problems
	}
	found := CheckBook(b)
	for i := range found {
		found[i].Line = r.lineOf(found[i].File, found[i].Field)
	}
	return b, append(r.problems, found...)
}

// lineOf finds the line of a field or, failing that, of what it belongs to.
func (r *reader) lineOf(file, field string) int {
	for field != "" {
		if line, ok := r.lines[file+"|"+field]; ok {
			return line
		}
		field = field[:max(strings.LastIndexAny(field, ".["), 0)]
	}
	return 0
}

func unreadable(file, fault, mend string) Problem {
	return Problem{Level: Error, File: file, Fault: fault, Mend: mend, Unreadable: true}
}

// ReadFiles collects a book's sources by their path inside the book, as
// [LoadFiles] takes them.
func ReadFiles(fsys fs.FS) (map[string][]byte, Problems) {
	files := map[string][]byte{}
	var problems Problems
	for _, dir := range []string{".", drinksDir} {
		entries, err := fs.ReadDir(fsys, dir)
		if errors.Is(err, fs.ErrNotExist) && dir == drinksDir {
			continue // LoadFiles says what is missing
		}
		if err != nil {
			return nil, append(problems, unreadable(dir, "cannot be listed: "+err.Error(), "check that the folder may be read"))
		}
		for _, e := range entries {
			name := path.Join(dir, e.Name())
			if ext := path.Ext(name); e.IsDir() || ext != ".yaml" && ext != ".yml" {
				continue
			}
			if len(files) >= MaxFiles {
				return nil, append(problems, unreadable(dir, fmt.Sprintf("holds more than %d files", MaxFiles), "split the book"))
			}
			data, err := readLimited(fsys, name)
			if err != nil {
				problems = append(problems, unreadable(name, "cannot be read: "+err.Error(), "check that the file may be read"))
				continue
			}
			files[name] = data
		}
	}
	return files, problems
}

// readLimited reads one byte beyond the limit, so that the parser refuses the
// file by its size without holding all of it.
func readLimited(fsys fs.FS, name string) ([]byte, error) {
	f, err := fsys.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil {
		return nil, err
	} else if !info.Mode().IsRegular() {
		return nil, errors.New("is not a regular file")
	}
	return io.ReadAll(io.LimitReader(f, MaxFileBytes+1))
}

// LoadFiles reads a book from its sources by path, such as "house.yaml" and
// "drinks/latte.yaml".
func LoadFiles(files map[string][]byte) (*Book, Problems) {
	b, r := load(files)
	return b, r.problems
}

func load(files map[string][]byte) (*Book, *reader) {
	r := &reader{lines: map[string]int{}}
	b := &Book{}
	if len(files) > MaxFiles {
		r.report(unreadable("", fmt.Sprintf("%d files", len(files)), fmt.Sprintf("a book may have %d", MaxFiles)))
		return b, r
	}
	if c, ok := r.open(files, houseFile); ok {
		r.house(c, b)
	}
	if c, ok := r.open(files, vesselsFile); ok {
		r.vessels(c, b)
	}
	if c, ok := r.open(files, ingredientsFile); ok {
		r.ingredients(c, b)
	}
	drinks := 0
	for _, name := range slices.Sorted(maps.Keys(files)) {
		switch dir, base := path.Split(name); {
		case name == houseFile, name == vesselsFile, name == ingredientsFile:
		case name == SamplingFile:
			r.sampling(files[name], b)
		case dir == drinksDir+"/" && path.Ext(base) == ".yaml":
			drinks++
			if c, ok := r.open(files, name); ok {
				r.drink(c, b)
			}
		default:
			r.report(Problem{Level: Error, File: clip(name), Fault: "is not a file of a book",
				Allowed: houseFile + ", " + vesselsFile + ", " + ingredientsFile + ", " + SamplingFile + ", " + drinksDir + "/*.yaml", Mend: "rename or remove it"})
		}
	}
	if drinks == 0 {
		r.report(unreadable(drinksDir, "no drinks", "add a file such as "+drinkFile("latte")))
	}
	return b, r
}

// MaxSamplingBytes bounds a book's sampling plan.
const MaxSamplingBytes = 128 << 10

// sampling keeps the plan as it stands, once it is known to be YAML of a size
// that may be read again.
func (r *reader) sampling(data []byte, b *Book) {
	if len(data) > MaxSamplingBytes {
		r.report(unreadable(SamplingFile, fmt.Sprintf("has %d bytes, at most %d are read", len(data), MaxSamplingBytes), "shorten it"))
		return
	}
	if _, ok := r.open(map[string][]byte{SamplingFile: data}, SamplingFile); ok {
		b.Sampling = data
	}
}

func (r *reader) open(files map[string][]byte, name string) (cursor, bool) {
	data, ok := files[name]
	if !ok {
		r.report(unreadable(name, "is missing", "add the file"))
		return cursor{}, false
	}
	n, err := parseYAML(data)
	if err != nil {
		p := unreadable(name, err.Error(), "mend this line and check again")
		if ye, ok := errors.AsType[*yamlError](err); ok {
			p.Line = ye.line
		}
		r.report(p)
		return cursor{}, false
	}
	return cursor{r: r, file: name, n: n}, true
}

func (r *reader) house(c cursor, b *Book) {
	b.House = House{MilkHotFactor: 1110, FrothGasShare: 550}
	h := &b.House
	f := c.fields("chain", "milk_max", "headspace_min", "strength_band", "milk_hot_factor", "froth_gas_share", "currency", "pull", "cautions")
	if at, ok := c.need(f, "chain", `the chain's name`); ok {
		b.Chain = at.text()
	}
	if at, ok := c.need(f, "milk_max", `the hard maximum of steamed milk, like "65 °C"`); ok {
		h.MilkMax, _ = at.quantity(Celsius)
	}
	if at, ok := f["headspace_min"]; ok {
		h.HeadspaceMin, _ = at.quantity(Millilitre)
	}
	if at, ok := f["strength_band"]; ok {
		h.StrengthBand, _ = at.quantity(Percent)
	}
	if at, ok := f["milk_hot_factor"]; ok {
		h.MilkHotFactor, _ = at.ratio()
	}
	if at, ok := f["froth_gas_share"]; ok {
		h.FrothGasShare, _ = at.ratio()
	}
	if at, ok := f["currency"]; ok {
		h.Currency = at.currency()
	}
	if at, ok := f["cautions"]; ok {
		h.Cautions = at.texts()
	}
	if at, ok := c.need(f, "pull", "the house espresso"); ok {
		r.pull(at, &h.Pull, h.Currency)
	}
	for key, at := range f {
		r.mark(c.file, key, at.n.line)
	}
}

func (r *reader) pull(c cursor, p *Pull, currency string) {
	f := c.fields("basket", "start_event", "singles", "price", "checks")
	if at, ok := c.need(f, "basket", `the basket's size, like "20 g"`); ok {
		p.Basket, _ = at.quantity(Gram)
	}
	p.StartEvent = "pump_on"
	if at, ok := f["start_event"]; ok {
		p.StartEvent = at.word([]string{"pump_on", "first_drop"})
	}
	p.SinglesPerPull = 2
	if at, ok := f["singles"]; ok {
		p.SinglesPerPull = at.integer(1, 4)
	}
	if at, ok := f["price"]; ok {
		if p.Price = at.price(currency); p.Price.Per == Millilitre {
			at.fail("prices dry coffee by volume", "a price a kilogram", `write it like "18 GBP/kg"`)
		}
	}
	if at, ok := f["checks"]; ok {
		for _, raw := range r.checks(at) {
			if raw.removed {
				raw.at.fail("is empty", "", "write a target and a tolerance")
				continue
			}
			raw.check.Occurrences = max(raw.check.Occurrences, 1)
			p.Checks = append(p.Checks, raw.check)
			r.mark(c.file, "pull.checks."+raw.check.ID, raw.at.n.line)
		}
	}
}

func (r *reader) vessels(c cursor, b *Book) {
	f := c.fields("vessels")
	at, ok := c.need(f, "vessels", "a list of vessels")
	if !ok {
		return
	}
	for _, item := range at.list(maxList) {
		v := Vessel{}
		g := item.fields("id", "name", "material", "base", "top", "height", "diameter", "sections", "fills", "brim", "mass", "takeaway")
		if at, ok := item.need(g, "id", `an id, like "c240"`); ok {
			v.ID = at.slug()
		}
		if at, ok := item.need(g, "name", "a name"); ok {
			v.Name = at.text()
		}
		if at, ok := g["material"]; ok {
			v.Material = at.text()
		}
		item.shape(g, &v)
		if at, ok := g["mass"]; ok {
			v.Mass, _ = at.quantity(Gram)
		}
		if at, ok := g["takeaway"]; ok {
			v.TakeAway = at.boolean()
		}
		r.mark(c.file, "vessels["+v.ID+"]", item.n.line)
		b.Vessels = append(b.Vessels, v)
	}
}

func (r *reader) ingredients(c cursor, b *Book) {
	f := c.fields("ingredients")
	at, ok := c.need(f, "ingredients", "a list of ingredients")
	if !ok {
		return
	}
	for _, item := range at.list(maxList) {
		b.Ingredients = append(b.Ingredients, r.ingredient(item, b.House.Currency))
	}
}

func (r *reader) ingredient(c cursor, currency string) Ingredient {
	v := Ingredient{}
	f := c.fields("id", "name", "kind", "contains", "may_contain", "density", "pump", "hot_factor", "energy", "price", "caffeine")
	if at, ok := c.need(f, "id", `an id, like "whole-milk"`); ok {
		v.ID = at.slug()
	}
	if at, ok := c.need(f, "name", "a name"); ok {
		v.Name = at.text()
	}
	if at, ok := c.need(f, "kind", "one of "+strings.Join(IngredientKinds, ", ")); ok {
		v.Kind = at.word(IngredientKinds)
	}
	// Only a written list declares; leaving it out leaves the allergens unknown.
	if at, ok := f["contains"]; ok && at.n.kind != nullNode {
		v.AllergensKnown = true
		v.Contains = r.allergens(at)
	}
	if at, ok := f["may_contain"]; ok {
		v.MayContain = r.allergens(at)
	}
	if at, ok := f["density"]; ok {
		v.Density, _ = at.measured(func(s string) (Milli, error) { return parseRatio(strings.TrimSuffix(s, " g/ml")) })
	}
	if at, ok := f["pump"]; ok {
		v.PumpVolume, _ = at.quantity(Millilitre)
	}
	if at, ok := f["hot_factor"]; ok {
		v.HotFactor, _ = at.ratio()
	}
	if at, ok := f["energy"]; ok {
		v.Energy = at.energy()
	}
	if at, ok := f["price"]; ok {
		v.Price = at.price(currency)
	}
	if at, ok := f["caffeine"]; ok {
		v.Caffeine.Amount, v.Caffeine.Per = at.content("mg", "71 mg/100ml")
	}
	r.mark(c.file, "ingredients["+v.ID+"]", c.n.line)
	return v
}

func (r *reader) allergens(c cursor) []string {
	var out []string
	for _, at := range c.list(len(Allergens)) {
		if a := at.word(Allergens); a != "" {
			out = append(out, a)
		}
	}
	return out
}
