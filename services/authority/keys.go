package authority

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// keysDir is the directory of keys below the data directory.
const keysDir = "keys"

// keyring holds the key lists that were accepted and the keys that the current
// one lets this authority sign with.
type keyring struct {
	mu sync.RWMutex
	// lists are the envelopes, the first first.
	lists [][]byte
	// trust is what a follower of all lists believes of releases and lists.
	trust           *release.Trust
	release, online release.Signers
}

// openKeys reads the key lists that the record names, or sets the first one up.
func (s *Service) openKeys(ctx context.Context) error {
	var known []govern.KeyListAccepted
	s.view(func(st *govern.State) { known = st.KeyLists() })
	if len(known) == 0 {
		// An installation that signed with one key before goes on with it, so
		// that what it signed stays good.
		var old *release.Signer
		path := filepath.Join(s.dataDir, KeyFile)
		if _, err := os.Stat(path); err == nil {
			if old, err = release.LoadOrCreateSigner(path); err != nil {
				return err
			}
		} else if !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("look for the old signing key: %w", err)
		}
		_, first, err := release.BootstrapWith(filepath.Join(s.dataDir, keysDir), old)
		if err != nil {
			return err
		}
		_, err = s.acceptKeyList(ctx, govern.Call{Actor: govern.SystemActor()}, first)
		return err
	}
	return s.loadKeys(ctx)
}

// acceptKeyList takes the next key list after its signatures were checked. Its
// envelope is stored with the act, under its SHA-256.
func (s *Service) acceptKeyList(ctx context.Context, call govern.Call, envelope []byte) (*pb.KeyList, error) {
	var list *pb.KeyList
	_, err := s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		// Asked first for who may, before anything is said of the list.
		if _, err := t.AcceptKeyList(t.Call, govern.KeyListAccepted{Version: uint64(len(t.KeyLists())) + 1, Digest: govern.Digest{1}}); err != nil {
			return nil, err
		}
		// Inside, so that two lists of one version cannot both be checked
		// against the one before.
		trust, summary, err := s.follows(ctx, t.KeyLists(), envelope)
		if err != nil {
			return nil, rpc.Invalid(rpc.Violation{Field: "key_list", Description: err.Error()})
		}
		list = trust.KeyList()
		return t.AcceptKeyList(t.Call, govern.KeyListAccepted{Version: list.Version, Digest: t.blob(envelope), Summary: summary})
	})
	if err != nil {
		return nil, err
	}
	if err := s.loadKeys(ctx); err != nil {
		return nil, err
	}
	s.pub.ring()
	return list, nil
}

// follows checks a key list against those accepted before, and says what it
// does.
func (s *Service) follows(ctx context.Context, known []govern.KeyListAccepted, envelope []byte) (*release.Trust, string, error) {
	var trust *release.Trust
	var prev *pb.KeyList
	var err error
	if len(known) > 0 {
		lists, err := s.keyListBlobs(ctx, known)
		if err != nil {
			return nil, "", err
		}
		if trust, err = trustOf(lists); err != nil {
			return nil, "", err
		}
		prev = trust.KeyList()
		if _, err := trust.AddKeyList(envelope); err != nil {
			return nil, "", err
		}
	} else if trust, err = release.NewTrust(envelope); err != nil {
		return nil, "", err
	}
	words, err := release.DescribeKeyList(envelope, prev, s.now())
	if err != nil {
		return nil, "", err
	}
	return trust, strings.Join(words, " "), nil
}

func trustOf(lists [][]byte) (*release.Trust, error) {
	if len(lists) == 0 {
		return nil, errors.New("there is no key list yet")
	}
	trust, err := release.NewTrust(lists[0])
	if err != nil {
		return nil, fmt.Errorf("key list 1: %w", err)
	}
	for i, l := range lists[1:] {
		if _, err := trust.AddKeyList(l); err != nil {
			return nil, fmt.Errorf("key list %d: %w", i+2, err)
		}
	}
	return trust, nil
}

func (s *Service) keyListBlobs(ctx context.Context, known []govern.KeyListAccepted) ([][]byte, error) {
	lists := make([][]byte, len(known))
	for i, k := range known {
		var err error
		if lists[i], err = s.store.Blob(ctx, k.Digest); err != nil {
			return nil, fmt.Errorf("key list %d: %w", k.Version, err)
		}
	}
	return lists, nil
}

// loadKeys reads the accepted lists and the key store anew: a new list often
// names a key that was put there meanwhile.
func (s *Service) loadKeys(ctx context.Context) error {
	var known []govern.KeyListAccepted
	s.view(func(st *govern.State) { known = st.KeyLists() })
	lists, err := s.keyListBlobs(ctx, known)
	if err != nil {
		return err
	}
	trust, err := trustOf(lists)
	if err != nil {
		return err
	}
	store, err := release.OpenKeyStore(filepath.Join(s.dataDir, keysDir, "signing"))
	if err != nil {
		return err
	}
	forReleases, err := store.Signers(trust.KeyList(), pb.KeyRole_KEY_ROLE_RELEASE)
	if err != nil {
		return err
	}
	online, err := store.Signers(trust.KeyList(), pb.KeyRole_KEY_ROLE_ONLINE)
	if err != nil {
		return err
	}
	k := &s.keys
	k.mu.Lock()
	k.lists, k.trust, k.release, k.online = lists, trust, forReleases, online
	k.mu.Unlock()
	public := hex.EncodeToString(forReleases[0].Public()) + "\n"
	if err := os.WriteFile(filepath.Join(s.dataDir, PublicKeyFile), []byte(public), 0o644); err != nil { //nolint:gosec // a public key
		return fmt.Errorf("write the public key: %w", err)
	}
	return nil
}

func (k *keyring) signers() (forReleases, online release.Signers, version uint64) {
	k.mu.RLock()
	defer k.mu.RUnlock()
	return k.release, k.online, uint64(len(k.lists))
}

// KeyLists are the signed envelopes of every key list, the first first.
func (s *Service) KeyLists() [][]byte {
	s.keys.mu.RLock()
	defer s.keys.mu.RUnlock()
	return append([][]byte(nil), s.keys.lists...)
}

// PublicKey is a key that releases are signed with now.
func (s *Service) PublicKey() ed25519.PublicKey {
	forReleases, _, _ := s.keys.signers()
	return forReleases[0].Public()
}

// envelope returns a release's signed bytes. Where no key that signed it is
// trusted any more it is signed anew, over the same payload; as signatures are
// deterministic, the bytes come out the same each time. Only a payload that the
// record of acts vouches for is signed: whoever can write to the table of
// releases must not get a signature by breaking one.
func (s *Service) envelope(ctx context.Context, number uint64) ([]byte, error) {
	raw, err := s.store.Envelope(ctx, number)
	if err != nil {
		return nil, err
	}
	s.keys.mu.Lock() // a Trust is for one goroutine
	signers := s.keys.release
	_, refused := s.keys.trust.VerifyRelease(raw)
	s.keys.mu.Unlock()
	if refused == nil {
		return raw, nil
	}
	r, ok := errors.AsType[*release.Refusal](refused)
	if !ok || (r.Reason != release.RevokedKey && r.Reason != release.UntrustedKey) {
		return nil, fmt.Errorf("the stored release %d is not what was signed; restore the database from a backup: %w", number, refused)
	}
	env, rel := new(pb.Envelope), new(pb.Release)
	if err := proto.Unmarshal(raw, env); err != nil {
		return nil, fmt.Errorf("read the stored envelope of release %d: %w", number, err)
	}
	digest := sha256.Sum256(env.Payload)
	var made govern.Release
	var known bool
	s.view(func(st *govern.State) { made, known = st.Release(number) })
	if !known || made.Digest != digest {
		return nil, fmt.Errorf("the stored release %d holds other bytes (SHA-256 %x) than the record says (%x), so it is not signed anew; restore the database from a backup",
			number, digest, made.Digest)
	}
	if err := proto.Unmarshal(env.Payload, rel); err != nil {
		return nil, fmt.Errorf("read the stored release %d: %w", number, err)
	}
	again, signed, err := signers.Release(rel)
	if err != nil {
		return nil, err
	}
	if signed != digest {
		return nil, fmt.Errorf("release %d cannot be signed anew: this version writes it in other bytes; publish the book again", number)
	}
	return again, nil
}
