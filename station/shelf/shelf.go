// Package shelf answers one question: which release is in force at a moment?
//
// It keeps verified releases on disk as the exact bytes that were signed, and
// verifies them again whenever it reads them back, so that the directory need
// not be trusted.
package shelf

import (
	"crypto/ed25519"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/durable"
)

// KeepOlder is how many releases of a scope are kept below the one in force,
// so that a build that began under one of them is judged by it.
const KeepOlder = 9

// maxAhead bounds the releases of a scope kept above the one in force.
const maxAhead = 16

const (
	suffix   = ".release"
	setAside = ".set-aside"
)

// Held is a release on the shelf; immutable.
type Held struct {
	Number uint64
	Scope  string
	// Digest is the SHA-256 of the signed payload.
	Digest [32]byte
	// Effective is when it comes into force.
	Effective time.Time
	Servings  []*pb.Serving
	Book      *drink.Book
	Set       *verdict.Set
}

// Config sets a shelf up.
type Config struct {
	Dir  string
	Keys []ed25519.PublicKey
	// Scopes from the widest to the most specific.
	Scopes []string
	// Floors are the highest numbers ever accepted by scope; lower ones are
	// refused even if the file of the highest is lost.
	Floors map[string]uint64
	Now    func() time.Time
	Log    *zap.Logger
}

// Shelf is safe for concurrent use; reading it takes no lock.
type Shelf struct {
	cfg  Config
	mu   sync.Mutex
	view atomic.Pointer[view]
}

// view is one immutable state of the shelf.
type view struct {
	// scopes from the most specific to the widest, each from the highest
	// number to the lowest.
	scopes   [][]*Held
	byNumber map[uint64]*Held
}

// Open reads the shelf. A file that is not a release that this station may
// follow is set aside under another name and logged; the rest is used.
func Open(cfg Config) (*Shelf, error) {
	if err := os.MkdirAll(cfg.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("make the release cache: %w", err)
	}
	entries, err := os.ReadDir(cfg.Dir)
	if err != nil {
		return nil, fmt.Errorf("read the release cache: %w", err)
	}
	s := &Shelf{cfg: cfg}
	var held []*Held
	for _, e := range entries {
		path := filepath.Join(cfg.Dir, e.Name())
		if strings.HasPrefix(e.Name(), durable.TempPrefix) {
			if err := os.Remove(path); err != nil {
				return nil, fmt.Errorf("remove a half-written release: %w", err)
			}
			continue
		}
		if !strings.HasSuffix(e.Name(), suffix) {
			continue
		}
		h, err := s.load(path)
		if err == nil && e.Name() != fileName(h.Number) {
			err = fmt.Errorf("it holds release %d", h.Number)
		}
		if err != nil {
			cfg.Log.Error("a cached release cannot be used and is set aside; the centre has to send it again",
				zap.String("file", path+setAside), zap.Error(err))
			if err := os.Rename(path, path+setAside); err != nil {
				return nil, fmt.Errorf("set a damaged release aside: %w", err)
			}
			continue
		}
		held = append(held, h)
	}
	s.view.Store(s.arrange(held))
	return s, nil
}

func (s *Shelf) load(path string) (*Held, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.Size() > release.MaxEnvelopeBytes {
		return nil, fmt.Errorf("%d bytes are too many for a release", info.Size())
	}
	raw, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	v, err := release.Verify(raw, s.cfg.Keys)
	if err != nil {
		return nil, err
	}
	if err := v.Admit(s.cfg.Scopes, 0); err != nil {
		return nil, err
	}
	return compile(v)
}

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
	effective := r.GetEffectiveTime()
	if effective == nil {
		effective = r.GetCreatedTime()
	}
	h := &Held{Number: r.GetNumber(), Scope: r.GetScope(), Digest: v.Digest, Servings: r.GetBook().GetServings(), Book: book, Set: set}
	if effective != nil {
		h.Effective = effective.AsTime()
	}
	return h, nil
}

// arrange builds a view.
func (s *Shelf) arrange(held []*Held) *view {
	v := &view{scopes: make([][]*Held, len(s.cfg.Scopes)), byNumber: make(map[uint64]*Held, len(held))}
	slices.SortFunc(held, func(a, b *Held) int {
		if a.Number > b.Number {
			return -1
		}
		return 1
	})
	for _, h := range held {
		// The most specific scope comes last in the configuration.
		i := len(s.cfg.Scopes) - 1 - slices.Index(s.cfg.Scopes, h.Scope)
		v.scopes[i] = append(v.scopes[i], h)
		v.byNumber[h.Number] = h
	}
	return v
}

// Accept verifies an envelope and puts it on the shelf, synced to disk. The
// second result is false for one that is there already. The error is a
// *release.Refusal if the release must not be followed, or that of the disk.
func (s *Shelf) Accept(envelope []byte) (*Held, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	v, err := release.Verify(envelope, s.cfg.Keys)
	if err != nil {
		return nil, false, err
	}
	now := s.view.Load()
	number := v.Release.GetNumber()
	if h := now.byNumber[number]; h != nil {
		if h.Digest == v.Digest {
			return h, false, nil
		}
		return nil, false, &release.Refusal{Number: number, Reason: release.Older, Detail: fmt.Sprintf("release %d is held with other content; new content needs a new number", number)}
	}
	if err := v.Admit(s.cfg.Scopes, s.Newest(v.Release.GetScope())); err != nil {
		return nil, false, err
	}
	h, err := compile(v)
	if err != nil {
		return nil, false, err
	}
	if err := durable.WriteFile(s.path(number), envelope); err != nil {
		return nil, false, err
	}
	held := []*Held{h}
	for _, old := range now.byNumber {
		held = append(held, old)
	}
	s.view.Store(s.trim(s.arrange(held)))
	return h, true, nil
}

// trim drops what is no longer needed.
func (s *Shelf) trim(v *view) *view {
	now := s.cfg.Now()
	var keep []*Held
	for _, list := range v.scopes {
		current := slices.IndexFunc(list, func(h *Held) bool { return !h.Effective.After(now) })
		if current < 0 {
			current = len(list)
		}
		for i, h := range list {
			if i < current-maxAhead || i > current+KeepOlder {
				if err := os.Remove(s.path(h.Number)); err != nil {
					s.cfg.Log.Warn("an old release cannot be removed", zap.Uint64("release", h.Number), zap.Error(err))
				}
				continue
			}
			keep = append(keep, h)
		}
	}
	return s.arrange(keep)
}

func fileName(number uint64) string { return fmt.Sprintf("%020d%s", number, suffix) }

func (s *Shelf) path(number uint64) string { return filepath.Join(s.cfg.Dir, fileName(number)) }
