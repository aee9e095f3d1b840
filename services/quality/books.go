package quality

import (
	"container/list"
	"context"
	"errors"
	"fmt"
	"sync"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

// maxSets bounds the compiled books in memory. Builds of a day name few
// releases; older ones are compiled again when asked for.
const maxSets = 16

// books finds the compiled checkers of a release by its number.
type books struct {
	store store.Store
	log   *zap.Logger

	mu sync.Mutex
	// held are the numbers in the store; it spares a query for each build
	// that names a release that is not here.
	held map[uint64]bool
	// broken releases were verified but do not compile.
	broken map[uint64]bool
	sets   map[uint64]*list.Element
	recent *list.List
}

type compiled struct {
	number uint64
	book   *rulebook
}

// rulebook is a release, ready to judge by; it does not change.
type rulebook struct {
	set      *verdict.Set
	servings map[string]*drink.Serving
}

func newBooks(db store.Store, log *zap.Logger) *books {
	return &books{store: db, log: log, held: map[uint64]bool{}, broken: map[uint64]bool{},
		sets: map[uint64]*list.Element{}, recent: list.New()}
}

// load learns which releases the store holds.
func (b *books) load(ctx context.Context) error {
	numbers, err := b.store.ReleaseNumbers(ctx)
	if err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, n := range numbers {
		b.held[n] = true
	}
	return nil
}

// add tells that a release is in the store now.
func (b *books) add(number uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.held[number] = true
}

func (b *books) holds(number uint64) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.held[number]
}

func (b *books) count() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.held)
}

// book returns a release to judge by; nil without an error where the release is
// not here or cannot be compiled.
func (b *books) book(ctx context.Context, number uint64) (*rulebook, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if e := b.sets[number]; e != nil {
		b.recent.MoveToFront(e)
		return e.Value.(*compiled).book, nil
	}
	if !b.held[number] || b.broken[number] {
		return nil, nil
	}
	envelope, err := b.store.Release(ctx, number)
	if errors.Is(err, store.ErrNotFound) {
		delete(b.held, number)
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	book, err := compile(envelope)
	if err != nil {
		b.broken[number] = true
		b.log.Error("a release cannot be compiled; its builds wait", zap.Uint64("release", number), zap.Error(err))
		return nil, nil
	}
	b.sets[number] = b.recent.PushFront(&compiled{number, book})
	if b.recent.Len() > maxSets {
		last := b.recent.Remove(b.recent.Back()).(*compiled)
		delete(b.sets, last.number)
	}
	return book, nil
}

// compile reads an envelope that was verified before it was stored.
func compile(envelope []byte) (*rulebook, error) {
	var env pb.Envelope
	if err := proto.Unmarshal(envelope, &env); err != nil {
		return nil, fmt.Errorf("read the envelope: %w", err)
	}
	var rel pb.Release
	if err := proto.Unmarshal(env.Payload, &rel); err != nil {
		return nil, fmt.Errorf("read the release: %w", err)
	}
	book, err := wire.BookFromProto(rel.Book)
	if err != nil {
		return nil, fmt.Errorf("read the book: %w", err)
	}
	servings := book.Servings()
	set, err := verdict.CompileBook(servings)
	if err != nil {
		return nil, err
	}
	out := &rulebook{set: set, servings: make(map[string]*drink.Serving, len(servings))}
	for i := range servings {
		out.servings[servings[i].ID] = &servings[i]
	}
	return out, nil
}
