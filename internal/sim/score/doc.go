// Package score answers one question: how well does the watch find what is
// wrong, where we know what is wrong?
//
// It runs simulated seasons with known faults past the watch and past two plain
// charts whose limits are set, on other seeds with no fault, so that they ring
// in as many episodes as the watch does; and counts what was told where, how
// soon and with which cause. An episode is a signal with its repeats. Only this
// package sees both the truth and the signals.
package score
