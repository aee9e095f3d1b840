// Package bus answers where messages go: the subjects, the streams and what
// their acknowledgements promise, the durable consumers, the connection, and
// the server that runs in-process on a small installation.
//
// Promises. The server syncs each write before it acknowledges, so an
// acknowledged message survives the loss of power of a single server, and in a
// cluster the loss of a minority. The bus is transport all the same: the
// centre's databases are the record, and everything on the bus can be sent
// again from the station's log or the authority's database.
package bus

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
)

// The streams.
const (
	// StreamBook carries what the authority signs to stations: releases, key
	// lists, placements, assignments and stop lists. It keeps the last message of each
	// subject, and anybody may read a subject directly; a push is only a bell.
	StreamBook = "BOOK"
	// StreamActs carries what people at a station did to the authority.
	StreamActs = "ACTS"
	// StreamBuilds carries batches of logged builds to the centre.
	StreamBuilds = "BUILDS"
	// StreamDeviations carries off-spec builds ahead of their batch.
	StreamDeviations = "DEVIATIONS"
)

const (
	prefixBook      = "samecup.book."
	prefixBuild     = "samecup.build."
	prefixDeviation = "samecup.deviation."
	prefixPresence  = "samecup.presence."
	prefixKeys      = "samecup.keys."
	prefixAssign    = "samecup.assignment."
	prefixPlace     = "samecup.placement."
	prefixStops     = "samecup.stops."
	prefixAct       = "samecup.act."

	// DedupeWindow is how long the bus itself remembers message ids. It only
	// saves work: the unique build id at the centre is the guarantee.
	DedupeWindow = time.Hour
	// MaxPayloadBytes bounds one message.
	MaxPayloadBytes = 8 << 20

	maxStreamBytes = 8 << 30
	maxBookBytes   = 2 << 30
	maxActBytes    = 256 << 20
	// Long enough to commit a large batch, short enough that what was in flight
	// when a bus went away comes again soon; counting it twice costs nothing.
	ackWait        = 5 * time.Second
	maxAckPending  = 1000
	connectTimeout = 5 * time.Second
	// Short, so that a stop reaches the counters within a second of the bus's
	// return; the jitter keeps a chain from knocking all at once.
	reconnectWait   = 250 * time.Millisecond
	reconnectJitter = 250 * time.Millisecond
	// A connection that died without a word is given up after pingsOut pings.
	// The library's two minutes would keep a stop from a counter for six.
	pingEvery = 10 * time.Second
	pingsOut  = 2
)

// ReleaseSubject is where one release of a scope is published, and stays.
func ReleaseSubject(scope string, number uint64) string {
	return prefixBook + scope + "." + strconv.FormatUint(number, 10)
}

// ReleaseSubjects matches every release of a scope.
func ReleaseSubjects(scope string) string { return prefixBook + scope + ".*" }

// KeyListSubject is where a version of the key list is published, and stays.
func KeyListSubject(version uint64) string { return prefixKeys + strconv.FormatUint(version, 10) }

// KeyListSubjects matches every version.
const KeyListSubjects = prefixKeys + "*"

// AssignmentSubject is where a site's newest assignment stands.
func AssignmentSubject(site string) string { return prefixAssign + site }

// AssignmentSubjects matches those of all sites.
const AssignmentSubjects = prefixAssign + "*"

// PlacementSubject is where a station's newest placement stands. It is the
// station's own, so that what a station may read need not change when its site
// moves.
func PlacementSubject(site, station string) string { return prefixPlace + site + "." + station }

// PlacementSubjects matches those of all stations.
const PlacementSubjects = prefixPlace + "*.*"

// StopListSubject is where a version of the stop list is published, and stays.
func StopListSubject(version uint64) string { return prefixStops + strconv.FormatUint(version, 10) }

// StopListSubjects matches every version.
const StopListSubjects = prefixStops + "*"

// ActSubject is where a station tells what its people did.
func ActSubject(site, station string) string { return prefixAct + site + "." + station }

// BookSubjects matches the releases of every scope.
const BookSubjects = prefixBook + ">"

// BuildSubject is where a station's batches go.
func BuildSubject(site, station string) string { return prefixBuild + site + "." + station }

// DeviationSubject is where a station's deviations go.
func DeviationSubject(site, station string) string { return prefixDeviation + site + "." + station }

// PresenceSubject is where a station tells what it holds; the authority
// answers there.
func PresenceSubject(site, station string) string { return prefixPresence + site + "." + station }

// PresenceSubjects matches every station's presence.
const PresenceSubjects = prefixPresence + "*.*"

// SplitStationSubject takes the site and station off a build, deviation,
// presence, act or placement subject.
func SplitStationSubject(subject string) (site, station string, ok bool) {
	for _, p := range [...]string{prefixBuild, prefixDeviation, prefixPresence, prefixAct, prefixPlace} {
		if rest, found := strings.CutPrefix(subject, p); found {
			site, station, ok = strings.Cut(rest, ".")
			return site, station, ok && site != "" && station != "" && !strings.Contains(station, ".")
		}
	}
	return "", "", false
}

// EnsureStreams makes the streams or brings their settings up to date.
// BUILDS, DEVIATIONS and ACTS are work queues that refuse new messages when
// full, so that a station's outbox waits and nothing old is dropped. BOOK is
// what a station needs; the authority's database keeps all.
func EnsureStreams(ctx context.Context, js jetstream.JetStream) error {
	return EnsureReplicated(ctx, js, 1)
}

// EnsureReplicated is EnsureStreams on a cluster, where so many servers keep
// each stream: 1, 3 or 5. An acknowledgement then means that most of them have
// synced the message.
func EnsureReplicated(ctx context.Context, js jetstream.JetStream, replicas int) error {
	queue := func(name, subjects string, most int64) jetstream.StreamConfig {
		return jetstream.StreamConfig{
			Name:       name,
			Subjects:   []string{subjects},
			Retention:  jetstream.WorkQueuePolicy,
			Discard:    jetstream.DiscardNew,
			MaxBytes:   most,
			Storage:    jetstream.FileStorage,
			Duplicates: DedupeWindow,
			DenyDelete: true,
		}
	}
	for _, cfg := range []jetstream.StreamConfig{
		{
			Name:              StreamBook,
			Subjects:          []string{BookSubjects, KeyListSubjects, PlacementSubjects, AssignmentSubjects, StopListSubjects},
			AllowDirect:       true,
			Retention:         jetstream.LimitsPolicy,
			Discard:           jetstream.DiscardOld,
			MaxMsgsPerSubject: 1,
			MaxBytes:          maxBookBytes,
			Storage:           jetstream.FileStorage,
			Duplicates:        DedupeWindow,
		},
		queue(StreamBuilds, prefixBuild+"*.*", maxStreamBytes),
		queue(StreamDeviations, prefixDeviation+"*.*", maxStreamBytes),
		queue(StreamActs, prefixAct+"*.*", maxActBytes),
	} {
		cfg.Replicas = replicas
		if _, err := js.CreateOrUpdateStream(ctx, cfg); err != nil {
			return fmt.Errorf("stream %s: %w", cfg.Name, err)
		}
	}
	return nil
}

// EnsureIntakeConsumer makes the centre's durable consumer on a stream, from
// its first message; on the subjects given, or on all.
func EnsureIntakeConsumer(ctx context.Context, js jetstream.JetStream, stream, durable string, subjects ...string) (jetstream.Consumer, error) {
	c, err := js.CreateOrUpdateConsumer(ctx, stream, jetstream.ConsumerConfig{
		Durable:        durable,
		FilterSubjects: subjects,
		DeliverPolicy:  jetstream.DeliverAllPolicy,
		AckPolicy:      jetstream.AckExplicitPolicy,
		AckWait:        ackWait,
		MaxAckPending:  maxAckPending,
	})
	if err != nil {
		return nil, fmt.Errorf("consumer %s on %s: %w", durable, stream, err)
	}
	return c, nil
}

// Event makes a message with CloudEvents 1.0 headers in the NATS protocol
// binding's binary mode. The id also deduplicates.
func Event(subject, id, typ, source string, at time.Time, data []byte) *nats.Msg {
	m := nats.NewMsg(subject)
	m.Header.Set(nats.MsgIdHdr, id)
	m.Header.Set("ce-specversion", "1.0")
	m.Header.Set("ce-id", id)
	m.Header.Set("ce-type", typ)
	m.Header.Set("ce-source", source)
	m.Header.Set("ce-time", at.UTC().Format(time.RFC3339Nano))
	m.Header.Set("ce-datacontenttype", "application/protobuf")
	m.Data = data
	return m
}

// Connect dials the bus and keeps the connection for ever: it reconnects
// without end, does not fail when the bus is away at the start, and buffers
// nothing on the client, so that a publish while disconnected fails at once
// instead of looking done.
func Connect(ctx context.Context, url, name string, log *zap.Logger, opts ...nats.Option) (*nats.Conn, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	all := append([]nats.Option{
		nats.Name(name),
		nats.Timeout(connectTimeout),
		nats.MaxReconnects(-1),
		nats.ReconnectWait(reconnectWait),
		nats.ReconnectJitter(reconnectJitter, reconnectJitter),
		nats.PingInterval(pingEvery),
		nats.MaxPingsOutstanding(pingsOut),
		nats.RetryOnFailedConnect(true),
		nats.ReconnectBufSize(-1),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			log.Info("bus connection lost", zap.Error(err))
		}),
		nats.ReconnectHandler(func(c *nats.Conn) {
			log.Info("bus connection back", zap.String("url", c.ConnectedUrlRedacted()))
		}),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			if !errors.Is(err, nats.ErrConnectionClosed) {
				log.Warn("bus error", zap.Error(err))
			}
		}),
	}, opts...)
	nc, err := nats.Connect(url, all...)
	if err != nil {
		return nil, fmt.Errorf("connect to the bus at %s: %w", url, err)
	}
	return nc, nil
}
