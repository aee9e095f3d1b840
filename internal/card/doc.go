// Package card draws a serving's build card: a cross-section of the vessel to
// scale with what goes into it in layers, the steps with their tolerances, what
// it contains, and the cautions. One drawing goes to SVG, PNG and PDF.
//
// All lengths on a page are millimetres from its top left corner; lengths of a
// vessel are inner millimetres. The same book, serving and options give the same
// bytes: nothing on a card comes from the clock of the machine that drew it.
package card
