// Package milk answers one question: what do steam, air, ice and water do to
// the mass, the volume, the warmth and the froth of a drink?
//
// Masses are in g, volumes in mL, temperatures in °C, specific heats in
// kJ/(kg K), ages in s. Every function refuses what no jug can have with an
// error that wraps ErrInput, and none returns a NaN or an infinity.
package milk
