// Package drink answers one question: what is this drink, exactly?
//
// It holds the domain's nouns (book, drink, serving, check, step, build), the
// table of measures with their units, the reader that turns a folder of YAML
// files into a [Book], the rules that a book must meet before it may be
// released, and the resolution of a book into the flat [Serving] values that a
// station follows. It imports no transport and no storage.
package drink
