package card

import (
	"fmt"
	"slices"
	"strings"

	"samecup.example/samecup/internal/drink"
)

// leastContents is how many servings are worth a contents page.
const leastContents = 4

// contentsRows is how many servings a contents page lists.
const contentsRows = 27

// Select keeps of a book what is asked for: a drink by its id, a size, or both;
// empty asks for all. The error names what there is.
func Select(b *drink.Book, drinkID, size string) (*drink.Book, error) {
	out := *b
	out.Drinks = nil
	var drinks, sizes []string
	for _, d := range b.Drinks {
		drinks = append(drinks, d.ID)
		if drinkID != "" && d.ID != drinkID {
			continue
		}
		var kept []drink.Serving
		for _, s := range d.Servings {
			if !slices.Contains(sizes, s.Size) {
				sizes = append(sizes, s.Size)
			}
			if size == "" || s.Size == size {
				kept = append(kept, s)
			}
		}
		if d.Servings = kept; len(kept) > 0 {
			out.Drinks = append(out.Drinks, d)
		}
	}
	switch {
	case drinkID != "" && !slices.Contains(drinks, drinkID):
		return nil, fmt.Errorf("drink %q: the book has none of that id; choose one of %s", drinkID, strings.Join(drinks, ", "))
	case len(out.Drinks) == 0 && size != "":
		return nil, fmt.Errorf("size %q: nothing is served in it; choose one of %s", size, strings.Join(sizes, ", "))
	}
	return &out, nil
}

// Book draws every serving of a book, a page each, with a contents page or
// pages before them where there are more than a few.
func Book(b *drink.Book, o Options) ([]*Page, error) {
	servings := b.Servings()
	if len(servings) == 0 {
		return nil, fmt.Errorf("%w: the book has no servings; add a drink", ErrCannotDraw)
	}
	const top, pitch, size = 36.0, 6.0, 3.8
	contents := 0
	if len(servings) >= leastContents {
		contents = (len(servings) + contentsRows - 1) / contentsRows
	}
	pages := make([]*Page, contents, contents+len(servings))
	for i := range pages {
		pages[i] = contentsPage(b, o, i, contents)
	}
	for i := range servings {
		p, err := Draw(b, &servings[i], o)
		if err != nil {
			return nil, err
		}
		number := contents + i + 1
		p.textRight(right, 5.5, 2.8, false, grey, fmt.Sprint(number))
		pages = append(pages, p)
		if contents == 0 {
			continue
		}
		page := pages[i/contentsRows]
		y := top + pitch*float64(i%contentsRows)
		name, rest := title(b, &servings[i])
		line := name + ", " + rest
		fit := fitSize(line, size, textWide-12, false)
		w := page.text(margin, y, fit, false, black, line)
		page.textRight(right, y, size, true, black, fmt.Sprint(number))
		if end := right - 9; margin+w+2 < end {
			for x := end; x > margin+w+2; x -= 2 {
				page.ops = append(page.ops, disc{at: point{x, y - 0.4}, r: 0.16, tone: grey})
			}
		}
		page.links = append(page.links, pageLink{margin, y - size, textWide, pitch, number - 1})
	}
	return pages, nil
}

// contentsPage is a contents page with its heading and no lines yet.
func contentsPage(b *drink.Book, o Options, i, of int) *Page {
	p := &Page{Title: "Contents", Description: "The servings of the book and their pages."}
	if of > 1 {
		p.Title = fmt.Sprintf("Contents, page %d of %d", i+1, of)
	}
	p.text(margin, 17, fitSize(b.Chain, 7.5, textWide, true), true, black, b.Chain)
	state := "Build cards, draft: not released"
	if o.Release > 0 {
		state = fmt.Sprintf("Build cards of release %d", o.Release)
		if !o.Effective.IsZero() {
			state += ", in force from " + stamp(o.Effective)
		}
	}
	p.text(margin, 24, fitSize(state, 3.8, textWide, false), false, black, state)
	p.line(0.5, black, point{margin, 27}, point{right, 27})
	return p
}

// BookTitle is the title of the document that holds a book's cards.
func BookTitle(b *drink.Book) string { return b.Chain + " build cards" }
