// Package shelf answers one question: which release is in force at a moment,
// and what must not be made?
//
// It keeps releases, the site's assignment and stop lists on disk as the exact
// bytes that were signed, and has them verified again whenever it reads them
// back, so that the directory need not be trusted. Beside them stands the
// history of the orders that were in force here, which judges builds that
// began before the last change.
//
// A document is written first, then the trusted state that accepted it (the
// commit of each Take), and only then does it count. A crash in between leaves
// either the old state or both files, of which the newer one that verifies
// wins.
package shelf

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	"samecup.example/samecup/station/durable"
)

const (
	// KeepOlder is how many orders are kept below the one in force, with their
	// releases, so that a build that began under one of them is judged by it.
	KeepOlder = 9
	// KeepStops is how many older stop lists are kept, for builds that name
	// the one that was shown when they began.
	KeepStops = 9
)

const (
	releaseSuffix    = ".release"
	assignmentSuffix = ".assignment"
	stopsSuffix      = ".stops"
	historyFile      = "orders.json"
	setAside         = ".set-aside"
)

// Held is a release on the shelf; immutable.
type Held struct {
	Number, Edition uint64
	Scope           string
	// Digest is the SHA-256 of the signed payload.
	Digest [32]byte
	Book   *drink.Book
	Set    *verdict.Set
	// Verified is the release as it was verified, but for the message of its
	// book, which takes as much memory as Book.
	Verified *release.Verified

	byID map[string]*drink.Serving
}

// Serving finds a serving of the book; nil when there is none.
func (h *Held) Serving(id string) *drink.Serving { return h.byID[id] }

// Order puts a release in force here from a moment on; immutable.
type Order struct {
	Release, Edition uint64
	Scope            string
	// Digest is the SHA-256 of the release's payload.
	Digest [32]byte
	Start  time.Time
	// Keys are the IDs of those that signed the assignment.
	Keys []string
	// Held is the release; nil while it is not on the shelf.
	Held *Held
	// Refused orders are never followed.
	Refused bool
}

func (o *Order) followable() bool { return o.Held != nil && !o.Refused }

// same orders put the same bytes in force at the same moment.
func (o *Order) same(p *Order) bool {
	return o.Release == p.Release && o.Digest == p.Digest && o.Start.Equal(p.Start)
}

// StopList is a list on the shelf; immutable.
type StopList struct {
	Version uint64
	// Stops are those that hold for this site.
	Stops *release.Stops
	Keys  []string
	// listed is the whole list, for another placement.
	listed *release.Listed
	raw    []byte
}

// Config sets a shelf up.
type Config struct {
	Dir string
	// Site is a slug; Scopes those that the station belongs to, from the widest
	// to the most specific, until Place.
	Site   string
	Scopes []string
	Now    func() time.Time
	Log    *zap.Logger
}

// Shelf is safe for concurrent use; reading it takes no lock.
type Shelf struct {
	cfg Config

	mu       sync.Mutex
	held     map[uint64]*Held
	history  []Order
	orders   []Order
	assigned *release.Assigned
	// raw is the assignment as it was signed.
	raw []byte
	// stops are the current list, then older ones.
	stops []*StopList

	view atomic.Pointer[view]
}

// view is one immutable state of the shelf.
type view struct {
	// history and orders by their start; history only of what was in force.
	history, orders []Order
	assigned        *release.Assigned
	raw             []byte
	held            map[uint64]*Held
	stops           []*StopList
}

// Open reads the shelf, verifying with trust, whose floors it may raise by a
// document that a crash kept it from committing. A file that cannot be used is
// set aside under another name and logged; the rest is used.
func Open(cfg Config, trust *release.Trust) (*Shelf, error) {
	if err := os.MkdirAll(cfg.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("make the release cache: %w", err)
	}
	s := &Shelf{cfg: cfg, held: make(map[uint64]*Held)}
	files, err := s.files()
	if err != nil {
		return nil, err
	}
	if err := s.loadHistory(trust); err != nil {
		return nil, err
	}
	if err := s.loadAssignment(files[assignmentSuffix], trust); err != nil {
		return nil, err
	}
	if err := s.loadStops(files[stopsSuffix], trust); err != nil {
		return nil, err
	}
	for _, path := range files[releaseSuffix] {
		h, err := loadRelease(path, trust)
		if err == nil && filepath.Base(path) != fileName(h.Number, releaseSuffix) {
			err = fmt.Errorf("it holds release %d", h.Number)
		}
		if err == nil {
			s.held[h.Number] = h
		} else if err := s.putAside(path, err); err != nil {
			return nil, err
		}
	}
	s.arrange()
	return s, nil
}

// files lists what is there by kind, the highest number first, and removes what
// a crash left half written.
func (s *Shelf) files() (map[string][]string, error) {
	entries, err := os.ReadDir(s.cfg.Dir)
	if err != nil {
		return nil, fmt.Errorf("read the release cache: %w", err)
	}
	out := make(map[string][]string)
	for i := len(entries) - 1; i >= 0; i-- {
		name := entries[i].Name()
		path := filepath.Join(s.cfg.Dir, name)
		if strings.HasPrefix(name, durable.TempPrefix) {
			if err := os.Remove(path); err != nil {
				return nil, fmt.Errorf("remove a half-written file: %w", err)
			}
			continue
		}
		ext := filepath.Ext(name)
		out[ext] = append(out[ext], path)
	}
	return out, nil
}

// putAside renames a file that cannot be used. What is gone is read anew from
// the bus.
func (s *Shelf) putAside(path string, why error) error {
	s.cfg.Log.Error("a cached document cannot be used and is set aside; it is fetched anew", zap.String("file", path+setAside), zap.Error(why))
	if err := os.Rename(path, path+setAside); err != nil {
		return fmt.Errorf("set a damaged file aside: %w", err)
	}
	return nil
}

func readBounded(path string, limit int64) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.Size() > limit {
		return nil, fmt.Errorf("%d bytes; at most %d are taken", info.Size(), limit)
	}
	return os.ReadFile(path)
}

func loadRelease(path string, trust *release.Trust) (*Held, error) {
	raw, err := readBounded(path, release.MaxEnvelopeBytes)
	if err != nil {
		return nil, err
	}
	v, err := trust.HeldRelease(raw)
	if err != nil {
		return nil, err
	}
	return compile(v)
}

// loadAssignment takes the highest serial that verifies.
func (s *Shelf) loadAssignment(paths []string, trust *release.Trust) error {
	for _, path := range paths {
		raw, err := readBounded(path, release.MaxAssignmentBytes)
		var a *release.Assigned
		if err == nil {
			a, err = trust.HeldAssignment(raw, s.cfg.Site)
		}
		if err != nil {
			// Below one that is read already, it was only not removed yet.
			if s.assigned != nil {
				s.remove(path)
			} else if err := s.putAside(path, err); err != nil {
				return err
			}
			continue
		}
		if s.assigned == nil {
			s.assigned, s.raw, s.orders = a, raw, ordersOf(a)
		}
	}
	return nil
}

// loadStops takes the highest version that verifies as the current list, and
// the others for builds that name them. A list whose key was revoked stays
// enforced until another one comes.
func (s *Shelf) loadStops(paths []string, trust *release.Trust) error {
	var current *StopList
	var rest []*StopList
	for _, path := range paths {
		raw, err := readBounded(path, release.MaxStopListBytes)
		if err == nil && current == nil {
			if l, err := trust.HeldStopList(raw); err == nil {
				current = s.compileStops(l, raw)
				continue
			}
		}
		var l *release.Listed
		if err == nil {
			l, err = trust.PastStopList(raw)
		}
		if err != nil {
			if err := s.putAside(path, err); err != nil {
				return err
			}
			continue
		}
		rest = append(rest, s.compileStops(l, raw))
	}
	if current != nil {
		rest = append([]*StopList{current}, rest...)
	}
	s.stops = rest
	return nil
}

func (s *Shelf) compileStops(l *release.Listed, raw []byte) *StopList {
	return &StopList{Version: l.List.Version, Stops: release.CompileStops(l.List, s.cfg.Scopes), Keys: l.Keys, listed: l, raw: raw}
}

func ordersOf(a *release.Assigned) []Order {
	out := make([]Order, len(a.Assignment.Orders))
	for i, o := range a.Assignment.Orders {
		out[i] = Order{Release: o.Release, Edition: o.Edition, Scope: o.Scope, Start: o.StartTime.AsTime(), Keys: a.Keys}
		copy(out[i].Digest[:], o.Digest)
	}
	return out
}

// compile takes v over.
func compile(v *release.Verified) (*Held, error) {
	r := v.Release
	refuse := func(err error) error {
		return &release.Refusal{Number: r.GetNumber(), Reason: release.BadBook, Detail: err.Error()}
	}
	book, err := wire.BookFromProto(r.GetBook())
	if err != nil {
		return nil, refuse(err)
	}
	set, err := verdict.CompileBook(book.Servings())
	if err != nil {
		return nil, refuse(err)
	}
	h := &Held{
		Number: r.GetNumber(), Edition: r.GetEdition(), Scope: r.GetScope(), Digest: v.Digest,
		Book: book, Set: set, Verified: v, byID: make(map[string]*drink.Serving, set.Len()),
	}
	r.Book = nil
	for i := range book.Drinks {
		for j := range book.Drinks[i].Servings {
			sv := &book.Drinks[i].Servings[j]
			h.byID[sv.ID] = sv
		}
	}
	return h, nil
}

func fileName(number uint64, suffix string) string { return fmt.Sprintf("%020d%s", number, suffix) }

func (s *Shelf) path(number uint64, suffix string) string {
	return filepath.Join(s.cfg.Dir, fileName(number, suffix))
}

// remove drops a file that is no longer needed; one that stays does no harm.
func (s *Shelf) remove(path string) {
	if err := os.Remove(path); err != nil && !os.IsNotExist(err) {
		s.cfg.Log.Warn("an old file cannot be removed", zap.String("file", path), zap.Error(err))
	}
}
