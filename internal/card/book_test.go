package card

import (
	"bytes"
	"regexp"
	"strings"
	"testing"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/pdftext"
)

// released is a release as a publisher would give it.
var released = Options{Release: 7, Effective: time.Date(2026, 5, 4, 3, 0, 0, 0, time.UTC), Digest: []byte{0x9f, 0x86, 0xd0, 0x81, 0x88, 0x4c, 0x7d, 0x65, 0x9a}}

func loadBook(t *testing.T, dir string) *drink.Book {
	t.Helper()
	b, problems := drink.LoadDir(dir)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return b
}

// bothBooks calls f for every serving of the chain's books, and of the one with a
// vessel of each form.
func bothBooks(t *testing.T, f func(t *testing.T, b *drink.Book, s *drink.Serving)) {
	t.Helper()
	for _, dir := range []string{"harbour-finch", "harbour-finch-counter", "harbour-finch-shapes"} {
		b := loadBook(t, "../../testdata/"+dir)
		servings := b.Servings()
		for i := range servings {
			t.Run(dir+"/"+servings[i].ID, func(t *testing.T) { f(t, b, &servings[i]) })
		}
	}
}

var pageObject = regexp.MustCompile(`/Type /Page\b[^s]`)

func TestBookIsContentsAndAPageAServing(t *testing.T) {
	b := loadBook(t, "../../testdata/harbour-finch")
	pages, err := Book(b, released)
	if err != nil {
		t.Fatal(err)
	}
	servings := b.Servings()
	contents := (len(servings) + contentsRows - 1) / contentsRows
	if len(pages) != contents+len(servings) {
		t.Fatalf("%d pages for %d servings and %d of contents", len(pages), len(servings), contents)
	}
	if n := len(pages[0].links); n != min(contentsRows, len(servings)) {
		t.Errorf("contents page leads to %d pages", n)
	}
	var first, second bytes.Buffer
	if err := PDF(&first, BookTitle(b), released.Effective, A5, pages...); err != nil {
		t.Fatal(err)
	}
	if n := len(pageObject.FindAll(first.Bytes(), -1)); n != len(pages) {
		t.Errorf("PDF has %d pages, want %d", n, len(pages))
	}
	again, err := Book(b, released)
	if err != nil {
		t.Fatal(err)
	}
	if err := PDF(&second, BookTitle(b), released.Effective, A5, again...); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(first.Bytes(), second.Bytes()) {
		t.Error("the same release drawn twice is not the same bytes")
	}
}

func TestDraftPDFHoldsNoTimeOfDrawing(t *testing.T) {
	var out bytes.Buffer
	if err := PDF(&out, "draft", time.Time{}, A5, &Page{Title: "p"}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), "D:19700101000000") {
		t.Error("a draft's creation time is not the fixed one")
	}
	if PDF(&out, "none", time.Time{}, A5) == nil {
		t.Error("a PDF of no pages was written")
	}
}

func TestEmptyBookHasNoCards(t *testing.T) {
	if _, err := Book(&drink.Book{Chain: "Harbour & Finch"}, Options{}); err == nil || !strings.Contains(err.Error(), "no servings") {
		t.Errorf("Book of nothing: %v", err)
	}
}

func TestSelectKeepsWhatWasAskedFor(t *testing.T) {
	b := loadBook(t, "../../testdata/harbour-finch-counter")
	for _, c := range []struct {
		drink, size string
		cards       int
		fault       string
	}{
		{"", "", len(b.Servings()), ""}, {"latte", "", 2, ""}, {"latte", "glass", 1, ""}, {"", "mug", 7, ""},
		{"soup", "", 0, `drink "soup": the book has none of that id; choose one of affogato`}, {"latte", "bucket", 0, `size "bucket": nothing is served in it; choose one of glass, mug`},
	} {
		got, err := Select(b, c.drink, c.size)
		if c.fault != "" {
			if err == nil || !strings.Contains(err.Error(), c.fault) {
				t.Errorf("%q, %q: %v, want %q", c.drink, c.size, err, c.fault)
			}
			continue
		}
		if err != nil || len(got.Servings()) != c.cards {
			t.Errorf("%q, %q: %v, want %d cards", c.drink, c.size, err, c.cards)
		}
	}
	if len(b.Servings()) != 20 {
		t.Errorf("the book was changed: %d servings are left", len(b.Servings()))
	}
}

func TestTwoCardsStandOnASheetOfA4(t *testing.T) {
	b, err := Select(loadBook(t, "../../testdata/harbour-finch-counter"), "latte", "")
	if err != nil {
		t.Fatal(err)
	}
	pages, err := Book(b, released)
	if err != nil {
		t.Fatal(err)
	}
	if len(pages) != 2 {
		t.Fatalf("%d pages; two cards need no contents", len(pages))
	}
	for sheet, want := range map[Sheet]int{A5: 2, A4: 1} {
		var out bytes.Buffer
		if err := PDF(&out, "latte", released.Effective, sheet, pages...); err != nil {
			t.Fatal(err)
		}
		got, err := pdftext.Pages(out.Bytes())
		if err != nil || len(got) != want {
			t.Fatalf("sheet %d: %d pages, want %d: %v", sheet, len(got), want, err)
		}
		all := strings.Join(got, "")
		for _, words := range []string{"Latte", "glass, Whole milk", "mug, Whole milk", "release 7", "Scan at the station", "SAFETY"} {
			if !strings.Contains(all, words) {
				t.Errorf("sheet %d lacks %q", sheet, words)
			}
		}
	}
	if _, err := ParseSheet("letter"); err == nil {
		t.Error("an unknown paper is taken")
	}
}
