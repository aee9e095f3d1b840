// Package sampling answers one question: which builds are to be measured?
//
// A [Plan] says what a station checks in a shift and comes from the centre. A
// [Scheduler] draws the times, hidden inside their windows, from a keyed hash of
// station, day and a secret: nobody at the bar can know them beforehand, and
// whoever holds the secret can draw them again for an audit. It says of each
// build that begins whether to measure it, and keeps what was not done as
// missed: a prompt is never dropped.
//
// It has no clock and no randomness of its own. The same calls give the same
// answers, across restarts too.
package sampling
