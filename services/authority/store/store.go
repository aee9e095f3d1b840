// Package store answers one question: what has the authority promised to
// remember? It holds every SQL statement of the recipe authority behind Store,
// which is narrow enough for another database to follow; storetest.RunSuite is
// the contract that each one must pass.
package store

import (
	"context"
	"errors"
	"time"
)

var (
	// ErrNotFound: there is no such row.
	ErrNotFound = errors.New("not found")
	// ErrRequestReused: the request id already stands for other content.
	ErrRequestReused = errors.New("request id already used with other content")
	// ErrSiteDiffers: a site of that id exists with other properties.
	ErrSiteDiffers = errors.New("site exists with other properties")
	// ErrCodeExpired and ErrCodeSpent: the enrolment code is no longer good.
	ErrCodeExpired = errors.New("enrolment code expired")
	ErrCodeSpent   = errors.New("enrolment code already spent")
)

// Release describes a stored release without its bytes. Times are kept to the
// microsecond.
type Release struct {
	Number       uint64
	Scope        string
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

// NewRelease is a release about to be numbered.
type NewRelease struct {
	// RequestID makes the call idempotent; RequestDigest stands for all that
	// was asked, so that a request id with other content is noticed.
	RequestID     string
	RequestDigest [32]byte
	Scope         string
	CreatedAt     time.Time
	EffectiveAt   time.Time
	Note, Author  string
	ServingCount  int
	Chain         string
	Problems      []byte
}

// Seal signs the release of the number given and returns its exact bytes and
// the digest of its payload.
type Seal func(number uint64) (envelope []byte, digest [32]byte, err error)

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

// Releases is the part of the store that holds what was published.
type Releases interface {
	// ReleaseByRequest finds the release that a request id made; ErrNotFound,
	// or ErrRequestReused when digest is not the one stored.
	ReleaseByRequest(ctx context.Context, requestID string, digest [32]byte) (Release, error)
	// CreateRelease takes the next number, seals and stores, all in one
	// transaction: a number is never seen without its bytes, and none is
	// skipped when seal fails. A request id that is already there returns the
	// release that it made and created false, or ErrRequestReused.
	CreateRelease(ctx context.Context, n NewRelease, seal Seal) (r Release, created bool, err error)
	// Release and Envelope by number; ErrNotFound.
	Release(ctx context.Context, number uint64) (Release, error)
	Envelope(ctx context.Context, number uint64) ([]byte, error)
	// ListReleases, newest first, numbers below before; 0 means from the top.
	ListReleases(ctx context.Context, before uint64, limit int) ([]Release, error)
	// ReleaseNumbers lists the newest limit numbers of a scope above after,
	// in rising order.
	ReleaseNumbers(ctx context.Context, scope string, after uint64, limit int) ([]uint64, error)
	// LatestByScope maps each scope to its highest number.
	LatestByScope(ctx context.Context) (map[string]uint64, error)
	// RaiseNumber makes every later number greater than atLeast.
	RaiseNumber(ctx context.Context, atLeast uint64) error
}

// Fleet is the part of the store that holds sites and stations.
type Fleet interface {
	// CreateSite adds a site; the same one again is no error, another under
	// the same id is ErrSiteDiffers.
	CreateSite(ctx context.Context, s Site) error
	// Site by id; ErrNotFound.
	Site(ctx context.Context, id string) (Site, error)
	// RegionExists tells whether any site lies in the region.
	RegionExists(ctx context.Context, region string) (bool, error)
	// CreateEnrolment stores a code's hash and voids the station's earlier
	// unspent ones; ErrNotFound when there is no such site. Codes long expired
	// are forgotten on the way.
	CreateEnrolment(ctx context.Context, e Enrolment, now time.Time) error
	// Enrolment finds a code that is still good: ErrNotFound, ErrCodeExpired
	// or ErrCodeSpent otherwise.
	Enrolment(ctx context.Context, codeHash [32]byte, now time.Time) (Enrolment, error)
	// SpendEnrolment does as Enrolment, marks the code spent and adds the
	// station, all in one transaction: of two callers one gets it.
	SpendEnrolment(ctx context.Context, codeHash [32]byte, now time.Time) (Enrolment, error)
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
	Fleet
	Close() error
}
