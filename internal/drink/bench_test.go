package drink_test

import (
	"fmt"
	"slices"
	"testing"

	"samecup.example/samecup/internal/drink"
)

// largeBook is 200 drinks in 5 sizes with 4 milks: 4,000 servings on the
// ingredients of the invented chain.
func largeBook(b *testing.B) *drink.Book {
	b.Helper()
	book := loadBook(b, "harbour-finch")
	proto, ok := book.ServingByID("latte/medium/whole-milk")
	if !ok {
		b.Fatal("no latte")
	}
	template := *proto
	template.Checks = slices.DeleteFunc(slices.Clone(template.Checks), func(k drink.Check) bool { return k.Measure == "cup_mass" })
	book.Ingredients = append(book.Ingredients, drink.Ingredient{ID: "skim-milk", Name: "Skimmed milk", Kind: "milk", Contains: []string{"milk"}, AllergensKnown: true})
	book.Drinks = nil
	for i := range 200 {
		d := drink.Drink{ID: fmt.Sprintf("drink-%d", i), Name: fmt.Sprintf("Drink %d", i)}
		for size := range 5 {
			for _, milk := range []string{"whole-milk", "oat-drink", "soy-drink", "skim-milk"} {
				s := template
				s.Drink, s.DrinkName, s.Size, s.Milk = d.ID, d.Name, fmt.Sprintf("size-%d", size), milk
				s.ID = s.Drink + "/" + s.Size + "/" + milk
				s.Checks, s.Parts, s.Steps = slices.Clone(s.Checks), slices.Clone(s.Parts), slices.Clone(s.Steps)
				for j := range s.Parts {
					s.Parts[j].Ingredient = milk
				}
				for j := range s.Steps {
					if s.Steps[j].Ingredient == "whole-milk" {
						s.Steps[j].Ingredient = milk
					}
				}
				d.Servings = append(d.Servings, s)
			}
		}
		book.Drinks = append(book.Drinks, d)
	}
	if problems := drink.CheckBook(book); problems.HasErrors() {
		b.Fatal(problems.Err())
	}
	return book
}

// A full check of 4,000 servings must stay under 100 ms.
func BenchmarkCheckBook(b *testing.B) {
	book := largeBook(b)
	b.ReportAllocs()
	for b.Loop() {
		drink.CheckBook(book)
	}
}

func BenchmarkFacts(b *testing.B) {
	book := largeBook(b)
	deriver := drink.NewDeriver(book)
	s := &book.Drinks[100].Servings[7]
	b.ReportAllocs()
	for b.Loop() {
		if _, err := deriver.Facts(s); err != nil {
			b.Fatal(err)
		}
	}
}
