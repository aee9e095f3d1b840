// Package store answers one question: what has the authority promised to
// remember? It holds every SQL statement of the recipe authority behind Store,
// which is narrow enough for another database to follow; storetest.RunSuite is
// the contract that each one must pass.
package store

import (
	"context"
	"errors"
	"iter"
	"time"

	"samecup.example/samecup/internal/record"
)

var (
	// ErrNotFound: there is no such row.
	ErrNotFound = errors.New("not found")
	// ErrRecordMoved: somebody else added to the record.
	ErrRecordMoved = errors.New("the record has moved on")
	// ErrCodeExpired and ErrCodeSpent: the enrolment code is no longer good.
	ErrCodeExpired = errors.New("enrolment code expired")
	ErrCodeSpent   = errors.New("enrolment code already spent")
)

// Release describes a stored release without its bytes. Times are kept to the
// microsecond.
type Release struct {
	Number       uint64
	Scope        string
	Edition      uint64
	RollsBackTo  uint64
	Safety       bool
	NeedsRebase  []string
	CreatedAt    time.Time
	EffectiveAt  time.Time
	Note, Author string
	// Digest is the SHA-256 of the signed payload.
	Digest       [32]byte
	ServingCount int
	Chain        string
	// Problems is what the check found short of an error, opaque to the store.
	Problems []byte
}

// SealedRelease is a release with its signed bytes.
type SealedRelease struct {
	Release
	Envelope []byte
}

// Commit is what one decision adds, all or nothing.
type Commit struct {
	// After is the number of the last entry that the decision was based on.
	After   uint64
	Entries []record.Entry
	// Blobs are sources that the entries name by their SHA-256.
	Blobs    [][]byte
	Releases []SealedRelease
	// Sites are added or replaced.
	Sites []Site
	// Enrolment stores a code's hash and voids the station's earlier unspent
	// ones; ErrNotFound when there is no such site. Codes long expired are
	// forgotten on the way.
	Enrolment *Enrolment
	// Spent is the hash of a code that is marked spent, and that adds its
	// station: ErrNotFound, ErrCodeExpired or ErrCodeSpent when it is not good.
	Spent *[32]byte
	// Now is the time for these two.
	Now time.Time
}

// Snapshot is the state after an entry; its body is opaque to the store.
type Snapshot struct {
	Number uint64
	// Head is the hash of that entry.
	Head [32]byte
	Body []byte
}

// Document is a signed key list, assignment or stop list as it stands on the
// bus.
type Document struct {
	Subject  string
	Version  uint64
	Envelope []byte
}

// Site is a shop.
type Site struct {
	ID, Name, Region, TimeZone string
}

// StationKey names a station.
type StationKey struct{ Site, Station string }

// Member is an enrolled station with its site's region.
type Member struct {
	StationKey
	Region string
}

// Station is an enrolled station with what it last said.
type Station struct {
	Member
	EnrolledAt time.Time
	// SeenAt is zero and Presence empty until the first presence.
	SeenAt   time.Time
	Presence []byte
}

// Enrolment is a code as stored: only its hash.
type Enrolment struct {
	StationKey
	CodeHash  [32]byte
	ExpiresAt time.Time
}

// Presence is what a station last said of itself.
type Presence struct {
	StationKey
	SeenAt time.Time
	// Body is opaque to the store.
	Body     []byte
	Refusals []Refusal
}

// Refusal is one release that a station would not take.
type Refusal struct {
	Release        uint64
	Reason, Detail string
	RefusedAt      time.Time
}

// RefusalsKept is how many refusals are kept for each station, newest first.
const RefusalsKept = 64

// WavePoint is one look of a rollout's sequential test.
type WavePoint struct {
	// At is kept to the microsecond; no two of a rollout are the same.
	At        time.Time
	OpenWaves int
	// Advice and those of the comparisons are opaque to the store.
	Advice string
	// Builds and Deviations of the open waves by then.
	Builds, Deviations uint64
	// LowerBound and UpperBound are log likelihood ratios, as are those of the
	// comparisons.
	LowerBound, UpperBound float64
	OwnPast, OtherSites    WaveComparison
}

// WaveComparison is what the open waves were compared with, and what came of it.
type WaveComparison struct {
	Builds, Deviations uint64
	LogLikelihoodRatio float64
	Advice             string
}

// Courses is the part of the store that holds what the waves' tests saw.
type Courses interface {
	// Course of a rollout's test, the oldest look first; empty for none.
	Course(ctx context.Context, edition uint64) ([]WavePoint, error)
	// SaveWavePoint adds a look, or replaces one of the same moment, and takes
	// out those of the moments dropped: both or neither.
	SaveWavePoint(ctx context.Context, edition uint64, p WavePoint, dropped []time.Time) error
}

// Releases is the part of the store that holds what was published.
type Releases interface {
	// Release and Envelope by number; ErrNotFound.
	Release(ctx context.Context, number uint64) (Release, error)
	Envelope(ctx context.Context, number uint64) ([]byte, error)
	// ListReleases, newest first, numbers below before; 0 means from the top.
	ListReleases(ctx context.Context, before uint64, limit int) ([]Release, error)
}

// Acts is the part of the store that holds the record and what follows from it.
type Acts interface {
	// Commit adds everything or nothing; ErrRecordMoved when the record has
	// another end than the decision was based on.
	Commit(ctx context.Context, c Commit) error
	// Entries after a number, in order, read a page at a time.
	Entries(ctx context.Context, after uint64) iter.Seq2[record.Entry, error]
	// Blob by its SHA-256; ErrNotFound.
	Blob(ctx context.Context, digest [32]byte) ([]byte, error)
	// SaveSnapshot replaces the snapshot; Snapshot is ErrNotFound without one.
	SaveSnapshot(ctx context.Context, s Snapshot) error
	Snapshot(ctx context.Context) (Snapshot, error)
	// SaveDocuments replaces those of the same subject, all or none.
	SaveDocuments(ctx context.Context, docs []Document) error
	// Documents whose subject begins with prefix, by version.
	Documents(ctx context.Context, prefix string) ([]Document, error)
}

// Fleet is the part of the store that holds sites and stations.
type Fleet interface {
	// Site by id; ErrNotFound.
	Site(ctx context.Context, id string) (Site, error)
	// Sites lists them by id.
	Sites(ctx context.Context) ([]Site, error)
	// RegionExists tells whether any site lies in the region.
	RegionExists(ctx context.Context, region string) (bool, error)
	// Enrolment finds a code that is still good: ErrNotFound, ErrCodeExpired
	// or ErrCodeSpent otherwise.
	Enrolment(ctx context.Context, codeHash [32]byte, now time.Time) (Enrolment, error)
	// ListStations by site and station, those after the key given.
	ListStations(ctx context.Context, after StationKey, limit int) ([]Station, error)
	// Members lists every enrolled station.
	Members(ctx context.Context) ([]Member, error)
	// SavePresence replaces the last presence of each station and adds its
	// refusals, once each; stations that are not enrolled are passed over.
	SavePresence(ctx context.Context, rows []Presence) error
	// Refusals of a station, newest first, at most RefusalsKept.
	Refusals(ctx context.Context, key StationKey) ([]Refusal, error)
}

// Store is all that the authority keeps.
type Store interface {
	Releases
	Acts
	Courses
	Fleet
	Close() error
}
