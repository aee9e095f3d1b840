package drink_test

import (
	"testing"

	"samecup.example/samecup/internal/drink"
)

const booksDir = "../../testdata/"

func loadBook(t testing.TB, name string) *drink.Book {
	t.Helper()
	b, problems := drink.CheckDir(booksDir + name)
	for _, p := range problems.At(drink.Error) {
		t.Errorf("%s", p)
	}
	if t.Failed() {
		t.FailNow()
	}
	return b
}

func TestBooksCheckClean(t *testing.T) {
	for _, name := range []string{"harbour-finch", "harbour-finch-counter", "harbour-finch-shapes"} {
		t.Run(name, func(t *testing.T) {
			_, problems := drink.CheckDir(booksDir + name)
			for _, p := range problems {
				if p.Level == drink.Error {
					t.Errorf("%s", p)
					continue
				}
				t.Logf("%s: %s", p.Level, p)
			}
		})
	}
}
