// Package store answers one question: what did the centre count?
//
// It is the only place in services/quality that speaks SQL. [Store] is narrow
// on purpose: a second database follows by meeting it and passing RunSuite.
package store

import (
	"context"
	"errors"
	"time"
)

// ErrNotFound is returned for what is not stored.
var ErrNotFound = errors.New("not found")

// Limits on what is kept of a message that was set aside.
const (
	// MaxQuarantineBytes is kept of one message, 64 KiB.
	MaxQuarantineBytes = 64 << 10
	// MaxQuarantineTotal is kept of all of them together, 256 MiB; after that
	// only the fact, the reason and the size are stored.
	MaxQuarantineTotal = 256 << 20
)

// MaxNumber is the highest sequence or release number that can be stored.
const MaxNumber = 1<<63 - 1

// Store keeps builds, deviations, releases and what was set aside. Reads may
// run at any time and see committed data only.
type Store interface {
	Rollups

	// Write runs fn in a transaction and commits it if fn returns nil. Writes
	// run one after another: cursors rise in the order of commits.
	Write(ctx context.Context, fn func(Tx) error) error

	// Deviations lists counted deviations by rising cursor.
	Deviations(ctx context.Context, q DeviationQuery) ([]Deviation, error)
	// NewestDeviation returns the highest cursor given, 0 for none.
	NewestDeviation(ctx context.Context) (uint64, error)
	// Build returns one build, or ErrNotFound.
	Build(ctx context.Context, id string) (*Build, error)
	// Intake returns every station's counts by site and station.
	Intake(ctx context.Context) ([]Station, error)
	// Quarantined counts what was set aside.
	Quarantined(ctx context.Context) (uint64, error)
	// Release returns the signed bytes of a release, or ErrNotFound.
	Release(ctx context.Context, number uint64) ([]byte, error)
	// ReleaseNumbers lists the releases held, rising.
	ReleaseNumbers(ctx context.Context) ([]uint64, error)
	// AwaitedReleases lists the numbers for which unjudged builds wait, rising.
	AwaitedReleases(ctx context.Context) ([]uint64, error)
	// Awaiting lists unjudged builds of a release in the order of Ref, after
	// the Ref given, at most limit.
	Awaiting(ctx context.Context, release uint64, afterRef int64, limit int) ([]Build, error)
	// Trust returns the trusted state, or ErrNotFound.
	Trust(ctx context.Context) ([]byte, error)
	// StopList returns the signed bytes of a version, or ErrNotFound.
	StopList(ctx context.Context, version uint64) ([]byte, error)
	// StopLists lists the versions held, rising.
	StopLists(ctx context.Context) ([]uint64, error)
	// AwaitedStopLists lists the versions for which unjudged builds wait, rising.
	AwaitedStopLists(ctx context.Context) ([]uint64, error)
	// AwaitingStopList is Awaiting for a version of the stop list.
	AwaitingStopList(ctx context.Context, version uint64, afterRef int64, limit int) ([]Build, error)
	// Regions returns the region of each site that was told, "" for none.
	Regions(ctx context.Context) (map[string]string, error)

	Close() error
}

// Tx is one transaction. Its methods must not be called after fn returned.
type Tx interface {
	// Station reads a station's counts, making the row on first sight.
	Station(site, station string) (*Station, error)
	// SaveStation writes the counts back.
	SaveStation(*Station) error
	// InsertBuilds stores builds whose id is new and sets Ref on each. A build
	// whose id is stored already gets Duplicate, and Conflict where the stored
	// bytes differ. The ids in one call must differ from one another.
	InsertBuilds([]*Build) error
	// Settle writes Grade, Disputed and Verdict of a build that was awaiting.
	// False where it was not awaiting any more. StopList must be set.
	Settle(*Build) (bool, error)
	// AwaitStopList notes that a stored build waits for its StopList until it is
	// settled.
	AwaitStopList(*Build) error
	// AddDeviations gives each build a cursor, in order.
	AddDeviations([]*Build) error
	// Links returns stored records of a station after a sequence, rising, at
	// most limit.
	Links(stationRef int64, after uint64, limit int) ([]Link, error)
	// Forked returns the lowest sequence in [from, to] under which a station
	// has more than one record; 0 for none.
	Forked(stationRef int64, from, to uint64) (uint64, error)
	// InsertRelease stores a release. It returns the digest stored under that
	// number, which differs from the one given where another came first.
	InsertRelease(Release) (digest []byte, err error)
	// InsertStopList is InsertRelease for a version of the stop list.
	InsertStopList(StopList) (digest []byte, err error)
	// SaveTrust replaces the trusted state.
	SaveTrust(state []byte) error
	// SaveRegion tells where a site lies, "" for no region.
	SaveRegion(site, region string) error
	// Correct makes a stored build count in the place of the one with the id
	// given, in the roll-ups and in what lies beneath them. The original may not
	// be here yet; one of another station is left alone. Both records stay, for
	// the log is append-only. Of two corrections of one build the one with the
	// higher sequence counts.
	Correct(correction *Build, originalID string) error
	// SetAside stores what could not be taken in; the same again counts once.
	SetAside([]Quarantine) error
}

// Station is the count of one station's log.
type Station struct {
	Ref           int64
	Site, Station string
	Builds        uint64
	Deviations    uint64
	Disputed      uint64
	Awaiting      uint64
	// WholeTo is the sequence up to which the log is whole and its hash chain
	// holds; WholeHash is the SHA-256 of the record there, empty at 0.
	WholeTo   uint64
	WholeHash []byte
	// Highest sequence seen.
	Highest uint64
	// BrokenAt is the first sequence at which the chain was found broken; 0
	// for never.
	BrokenAt uint64
}

// Build is one stored build with the columns that queries need.
type Build struct {
	Ref               int64
	ID                string
	StationRef        int64
	Site, Station     string
	Sequence, Release uint64
	Serving, Drink    string
	Started, Received time.Time
	// Corrects is the id of the build that this one stands for; empty for none.
	// It is not read back: it lies in Record and in what Correct noted.
	Corrects string
	// StopList is the version by which it is judged, 0 for none. Like Corrects
	// it is not read back.
	StopList uint64
	// Grade is a pb.Grade; 0 while the release or the stop list is not here.
	Grade    int32
	Disputed bool
	// Hash is the SHA-256 of Record, PreviousHash what the record states.
	Hash, PreviousHash []byte
	// Verdict is the centre's, marshalled; nil where there is nothing to say
	// beyond the grade.
	Verdict []byte
	// Record is the station's marshalled pb.BuildRecord.
	Record []byte

	// Set by Tx.InsertBuilds.
	Duplicate, Conflict bool
}

// Link is what the hash chain needs of a record.
type Link struct {
	Sequence           uint64
	Hash, PreviousHash []byte
}

// DeviationQuery selects deviations.
type DeviationQuery struct {
	// After is the cursor of the last one seen.
	After uint64
	// Limit is the most to return, at least 1.
	Limit int
	// Site and Drink restrict the list where set.
	Site, Drink string
}

// Deviation is a build that is not in spec.
type Deviation struct {
	Cursor   uint64
	Received time.Time
	Disputed bool
	// Verdict and Record as in Build.
	Verdict, Record []byte
	// CorrectedBy is the id of the build that its station logged in its place
	// last, empty for none: then it no longer counts.
	CorrectedBy string
}

// Release is a verified release.
type Release struct {
	Number   uint64
	Scope    string
	Digest   []byte
	Envelope []byte
	Received time.Time
}

// StopList is a verified version of the stop list.
type StopList struct {
	Version  uint64
	Digest   []byte
	Envelope []byte
	Received time.Time
}

// Quarantine is a message or record that was set aside.
type Quarantine struct {
	Subject string
	// Reason is UPPER_SNAKE, Detail a sentence.
	Reason, Detail string
	Received       time.Time
	// Bytes are the original ones; the store cuts them.
	Bytes []byte
}
