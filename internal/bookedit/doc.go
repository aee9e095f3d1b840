// Package bookedit answers: how is one field of a book changed and nothing else?
//
// A field is named by the path of its file in the book and a path inside it,
// such as "drinks/latte.yaml" and servings[size=medium].checks.milk_temp.target
// (docs/book.md, "Field paths"). An edit is one splice into the source at the
// place where the YAML parser found the field: comments, order, quoting and
// blank lines elsewhere stay byte for byte. Every edit is proved before it is
// handed out: the new source is parsed again and must hold what was asked for
// and otherwise the same values in the same order, else the edit is refused.
//
// The package reads YAML, not the trade: what a field may hold is the business
// of drink.LoadAndCheckFiles.
package bookedit
