// Package dialin answers one question: how should this grinder be set, and how
// surely do we know?
//
// A [Record] keeps what one grinder has shown: time against setting, refitted
// with each shot, with the uncertainty that is left. A [Routine] leads through
// an opening or an after-lunch dial-in, whose shots are never production. Both
// are plain state, kept as JSON, with no clock of their own.
//
// Advice is given with numbers only where the grinder's own shots carry them;
// otherwise it says which shot to pull next so as to find out.
package dialin
