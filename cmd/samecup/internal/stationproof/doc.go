// Package stationproof answers one question: is a build that a station
// acknowledged ever lost on its way to the centre's count, or counted twice?
//
// Its test plays random schedules: real station agents, each a process of its
// own, are killed with SIGKILL, their network is cut in mid-message, the bus
// and the quality service stop and start, while baristas log builds and send
// each again until it is answered. At the end the centre must have each build
// once, under numbers without a gap, in a hash chain that holds.
//
// A few schedules run with all tests. For many:
//
//	go test ./cmd/samecup/internal/stationproof -run Schedules -schedules 1000 -seed 1 -timeout 2h
//
// What happens when is drawn from the seed; how far a process has got by then
// is the scheduler's.
package stationproof
