// Package watch answers one question: what is going wrong at the counters, and
// why?
//
// It reads logged builds and what else happened at a bar, keeps a small state
// for each station and measure, and says what departs from its own past, from
// its target or from the rest of the chain, with the likely causes in order.
package watch
