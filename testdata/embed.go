// Package testdata embeds the books of the invented chain Harbour & Finch, for
// the demo and for tests of other packages.
package testdata

import "embed"

// FS holds a folder a book: harbour-finch and the small harbour-finch-counter.
//
//go:embed harbour-finch harbour-finch-counter
var FS embed.FS
