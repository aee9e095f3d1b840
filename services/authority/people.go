package authority

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"strings"
	"sync"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/govern"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

// office is what the services of head office keep beside the ledger: caches
// and the last word of the sequential test. Nothing in it has to be kept.
type office struct {
	reviews  memo[reviewKey, *reviewed]
	books    memo[govern.Digest, map[string][]byte]
	adoption adoptionCache
	waves    waveWatch
	// guesses at enrolment codes.
	guesses guesses
}

// registerOffice puts the services of head office on a server.
func (s *Service) registerOffice(r grpc.ServiceRegistrar) {
	pb.RegisterDraftServiceServer(r, draftService{Service: s})
	pb.RegisterOverlayServiceServer(r, overlayService{Service: s})
	pb.RegisterRolloutServiceServer(r, rolloutService{Service: s})
	pb.RegisterStopServiceServer(r, stopService{Service: s})
	pb.RegisterGovernanceServiceServer(r, governanceService{Service: s})
}

type (
	draftService struct {
		pb.UnimplementedDraftServiceServer
		*Service
	}
	overlayService struct {
		pb.UnimplementedOverlayServiceServer
		*Service
	}
	rolloutService struct {
		pb.UnimplementedRolloutServiceServer
		*Service
	}
	stopService struct {
		pb.UnimplementedStopServiceServer
		*Service
	}
	governanceService struct {
		pb.UnimplementedGovernanceServiceServer
		*Service
	}
)

// tokenPrefix lets people and scanners of source code tell a token by its look.
const tokenPrefix = "sct_"

// newToken makes a token of 256 random bits; only its hash is kept.
func newToken() (token string, hash govern.Digest) {
	var raw [32]byte
	_, _ = rand.Read(raw[:]) // never fails: it ends the program instead
	token = tokenPrefix + base64.RawURLEncoding.EncodeToString(raw[:])
	return token, tokenHash(token)
}

// write begins a call that changes something: who calls, and the request id
// with the digest of all that the request asks.
func (s *Service) write(ctx context.Context, c *check, req interface {
	proto.Message
	GetRequestId() string
}) (govern.Call, error) {
	if id := req.GetRequestId(); len(id) != 36 || uuid.Validate(id) != nil {
		c.fail("request_id", "is %q; send a fresh UUID, and the same one again only to retry", clip(id, 80))
	}
	if err := c.err(); err != nil {
		return govern.Call{}, err
	}
	sum, err := requestSum(req)
	if err != nil {
		return govern.Call{}, err
	}
	return s.call(ctx, req.GetRequestId(), sum)
}

// writeOnce is write for the older calls, whose request id may be empty: such a
// call makes no promise about a second try.
func (s *Service) writeOnce(ctx context.Context, c *check, req interface {
	proto.Message
	GetRequestId() string
}) (govern.Call, error) {
	if req.GetRequestId() != "" {
		return s.write(ctx, c, req)
	}
	if err := c.err(); err != nil {
		return govern.Call{}, err
	}
	return s.call(ctx, "", [32]byte{})
}

// requestSum stands for all that a request asks but its id.
func requestSum(req proto.Message) ([32]byte, error) {
	req = proto.Clone(req)
	m := req.ProtoReflect()
	if f := m.Descriptor().Fields().ByName("request_id"); f != nil {
		m.Clear(f)
	}
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(req)
	if err != nil {
		return [32]byte{}, err
	}
	return sha256.Sum256(append([]byte(m.Descriptor().FullName()+"\x00"), b...)), nil
}

// named reads a resource name such as "drafts/autumn-menu".
func (c *check) named(field, value, collection string) string {
	id, ok := strings.CutPrefix(value, collection+"/")
	if !ok || id == "" || len(id) > 128 || strings.ContainsRune(id, '/') {
		c.fail(field, "is %q; write %s/<id>", clip(value, 80), collection)
		return ""
	}
	return id
}

// number reads a resource name that ends in a number, such as "rollouts/12".
func (c *check) number(field, value, collection string) uint64 {
	id, ok := strings.CutPrefix(value, collection+"/")
	var n uint64
	for _, r := range id {
		if r < '0' || r > '9' || n > 1<<53 {
			ok = false
			break
		}
		n = n*10 + uint64(r-'0') //nolint:gosec // a digit
	}
	if !ok || n == 0 {
		c.fail(field, "is %q; write %s/<number>", clip(value, 80), collection)
		return 0
	}
	return n
}

// prose is text of several lines.
func (c *check) prose(field, value string, most int) {
	c.text(field, strings.NewReplacer("\n", " ", "\t", " ", "\r", " ").Replace(value), most)
}

// hasReason tells whether a decision was refused for a reason.
func hasReason(err error, reason string) bool {
	r, ok := errors.AsType[*govern.Refused](err)
	return ok && r.Reason == reason
}

// firstAct returns the first act of a type that answered a request, now or
// when it came first.
func firstAct[T govern.Body](ctx context.Context, s *Service, out outcome) (body T, ok bool, err error) {
	acts := out.Acts
	if out.Before {
		if acts, err = s.answer(ctx, out.First); err != nil {
			return body, false, err
		}
	}
	for _, a := range acts {
		if body, ok = a.Body.(T); ok {
			return body, true, nil
		}
	}
	return body, false, nil
}

// gone turns the store's ErrNotFound for something that the ledger names into
// an internal error, since it must be there.
func gone(err error) error {
	if errors.Is(err, store.ErrNotFound) {
		return errors.New("the record names bytes that the database does not hold; restore it from a copy: " + err.Error())
	}
	return err
}

// memo keeps the last few values of a pure function.
type memo[K comparable, V any] struct {
	mu    sync.Mutex
	vals  map[K]V
	order []K
}

const memoKept = 32

func (m *memo[K, V]) get(k K, work func() (V, error)) (V, error) {
	m.mu.Lock()
	v, ok := m.vals[k]
	m.mu.Unlock()
	if ok {
		return v, nil
	}
	// Two that ask at once both work; the answer is the same.
	v, err := work()
	if err != nil {
		return v, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.vals == nil {
		m.vals = map[K]V{}
	}
	if _, has := m.vals[k]; !has {
		m.order = append(m.order, k)
		if len(m.order) > memoKept {
			delete(m.vals, m.order[0])
			m.order = m.order[1:]
		}
	}
	m.vals[k] = v
	return v, nil
}

// page cuts a list that is sorted by key to what follows after, which is the
// key that a token holds.
func page[T any](all []T, kind, token string, size int, key func(T) string) (part []T, next string, err error) {
	start := 0
	if token != "" {
		after, ok := decodeToken(kind, token)
		if !ok {
			return nil, "", badToken()
		}
		// Where the one named has gone meanwhile, the next greater key follows.
		start = len(all)
		for i, v := range all {
			if key(v) > after {
				start = i
				break
			}
		}
	}
	part = all[start:]
	if len(part) > size {
		part = part[:size]
		next = encodeToken(kind, key(part[size-1]))
	}
	return part, next, nil
}
