package report

import (
	"fmt"
	"slices"

	"golang.org/x/text/language"
)

// Sheet is the paper that a document is printed on.
type Sheet uint8

// The sheets of offices: A4 (ISO 216) and Letter, 8.5 by 11 inches.
const (
	A4 Sheet = iota
	Letter
)

// ParseSheet reads "a4" or "letter". Errors wrap [ErrQuery].
func ParseSheet(s string) (Sheet, error) {
	switch s {
	case "a4":
		return A4, nil
	case "letter":
		return Letter, nil
	}
	return A4, fmt.Errorf("paper %q %w: allowed are a4 and letter", s, ErrQuery)
}

// letterRegions print on Letter. Source: Unicode CLDR, supplemental measurement
// data, paperSize (from memory).
var letterRegions = []string{"BZ", "CA", "CL", "CO", "CR", "GT", "MX", "NI", "PA", "PH", "PR", "SV", "US", "VE"}

// SheetOf is the paper of a reader's country, where the language names one.
func SheetOf(tag language.Tag) Sheet {
	// English alone is no reason to take a reader for an American.
	if region, sure := tag.Region(); sure == language.Exact && slices.Contains(letterRegions, region.String()) {
		return Letter
	}
	return A4
}

// size is width and height, mm.
func (s Sheet) size() (wide, high float64) {
	if s == Letter {
		return 215.9, 279.4
	}
	return 210, 297
}
