// Package release answers whether these bytes may be followed: scopes, keys,
// signing, verifying, and from which instant.
//
// # Bytes
//
// Each document is marshalled once. The signature covers the payload type and
// the exact payload bytes in the pre-authentication encoding of DSSE 1.0 (Dead
// Simple Signing Envelope, https://github.com/secure-systems-lab/dsse), so
// that bytes signed for one purpose cannot pass for another. A reader bounds
// first, verifies second, parses third, and never marshals again.
//
// # Decision: The Update Framework's roles in our own envelope
//
// The Update Framework (https://theupdateframework.github.io/specification/)
// names the attacks that a follower of signed documents has to stand, and the
// roles that stand them. We take the roles and the attacks, and keep our
// envelope:
//
//	root                 KeyList: signed offline by a threshold of root keys;
//	                     says which keys sign what, and which never again
//	targets              Release: a numbered book, signed by a release key
//	snapshot             Assignment: for one site, the numbers and digests that
//	                     belong together; signed by an online key, expires
//	timestamp            Standing: the centre's fresh word to one station, with
//	                     the station's own nonce; signed by an online key
//	(none)               Placement: in which region one station's site lies; signed
//	                     by a release key, rare
//	(none)               StopList: what must not be made, whatever the book says
//
// Why not the framework's Go library: it moves JSON files from a repository of
// mirrors, and its client fetches. Here a site needs two messages of a few
// hundred bytes, pushed over a bus that stores them anyway; a second codec and
// a canonical JSON would stand beside the one envelope that is there. What is
// given up: its interoperable format, delegations, and other people's eyes on
// the code. What is kept: its attacks, one test each, in attacks_test.go.
//
// Three rules differ from the framework on purpose. An expired document does
// not stop work, since a counter without a book is worse than one with
// yesterday's: Trust.Freshness says in sentences what is old. A revoked key
// takes with it only the numbers that it raised itself, so that a roll-back to
// what an honest key had passed stays refused. And a standing is bound to a
// nonce, so that freshness does not hang on the station's clock.
package release
