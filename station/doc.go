// Package station answers one question: is this drink, just made at this
// machine, to the spec in force?
//
// An [Agent] keeps verified releases on disk, judges each build by the one in
// force when it began, and answers only once build and verdict are on disk.
// Whatever was logged goes to the centre over the bus when there is one: all
// builds in order in batches, deviations at once beside them. Nothing here
// needs the bus: an agent opens, judges and logs with none for days.
//
// # What is promised
//
//   - LogBuild's answer: the build survives a crash of the process or the
//     machine (SQLite, WAL, synchronous FULL).
//   - A record leaves the outbox only after the bus acknowledged it. It is sent
//     at least once. A retry within one run of the agent sends the same batch
//     under the same message id; after a restart batches may be cut at other
//     places, so that only the unique build id at the centre makes it count
//     once. The bus's own deduplication is a saving, no more.
//   - The same build id again gets its first answer while the record is on
//     disk: until it was acknowledged and a thousand later ones were too. After
//     that the station takes it for a new build, and the centre counts it once.
//   - Builds are numbered without gaps and chained by SHA-256 over the exact
//     bytes of each record. Where a damaged disk makes a gap, it is told, the
//     damaged log is kept aside, and no number is used twice (docs/durability.md).
//   - A deviation of now goes out ahead of those of an outage.
//   - A release is followed only if a release key of the key list signed it and
//     the site's assignment, signed by an online key, orders these very bytes.
//     Which scope wins is decided at the centre; the station only follows
//     orders. It never goes back below what was in force here, restarts
//     included: what it trusts is on disk before it acts on it, and damaged
//     trust is no fresh start.
//   - A stop counts from the moment its list is held, whatever the book says,
//     and goes on counting offline.
//   - What people acknowledge here is on disk before they are told so, and is
//     kept until the stream of acts has it.
//   - Old news does not stop work: the station says that it may be stale.
//
// A push from the centre is only a bell. Whatever was missed is read where it
// stands: at every connect, and whenever the centre names, or an order needs,
// what is not held.
package station
