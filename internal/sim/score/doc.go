// Package score answers one question: how well does the watch find what is
// wrong, where we know what is wrong?
//
// It runs simulated seasons with known faults past the watch and past two plain
// charts whose limits are set, on other seeds with no fault, so that they ring
// as often as the watch does; and counts what was told where, how soon and with
// which cause. Only this package sees both the truth and the signals.
package score
