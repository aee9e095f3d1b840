package authority

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// ListKeyLists implements pb.GovernanceServiceServer.
func (s governanceService) ListKeyLists(context.Context, *pb.ListKeyListsRequest) (*pb.ListKeyListsResponse, error) {
	return &pb.ListKeyListsResponse{KeyLists: s.KeyLists()}, nil
}

// AddKeyList implements pb.GovernanceServiceServer. Its signatures are checked
// as every station checks them, and what a revoked key signed is signed anew
// with the others and sent again.
func (s governanceService) AddKeyList(ctx context.Context, req *pb.AddKeyListRequest) (*pb.AddKeyListResponse, error) {
	var c check
	if n := len(req.KeyList); n == 0 || n > release.MaxKeyListBytes {
		c.fail("key_list", "is %d bytes; send the signed envelope, at most %d", n, release.MaxKeyListBytes)
	}
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	list, err := release.UnverifiedKeyList(req.KeyList)
	if err != nil {
		return nil, rpc.Invalid(rpc.Violation{Field: "key_list", Description: err.Error()})
	}
	if err := s.canSign(list); err != nil {
		return nil, err
	}
	accepted, err := s.acceptKeyList(ctx, call, req.KeyList)
	if err != nil {
		return nil, err
	}
	if accepted == nil { // answered before
		accepted = list
	}
	return &pb.AddKeyListResponse{Version: accepted.Version}, nil
}

func (s *Service) signingDir() string { return filepath.Join(s.dataDir, keysDir, "signing") }

// canSign refuses a list under which this authority could sign nothing any
// more: it would be in the record for good, and the authority not start again.
func (s *Service) canSign(list *pb.KeyList) error {
	keys, err := release.OpenKeyStore(s.signingDir())
	if err != nil {
		return err
	}
	for role, what := range map[pb.KeyRole]string{pb.KeyRole_KEY_ROLE_RELEASE: "releases", pb.KeyRole_KEY_ROLE_ONLINE: "assignments and stop lists"} {
		if _, err := keys.Signers(list, role); err != nil {
			return rpc.Blocked("NO_SIGNING_KEY", rpc.Violation{Field: "key_list",
				Description: "names no key of this authority for " + what + "; make one (CreateSigningKey) and have the root keys name it"})
		}
	}
	return nil
}

// CreateSigningKey implements pb.GovernanceServiceServer. A key of this label
// that no list names yet is the answer to the same call again, as when it was
// made and the answer was lost.
func (s governanceService) CreateSigningKey(ctx context.Context, req *pb.CreateSigningKeyRequest) (*pb.CreateSigningKeyResponse, error) {
	var c check
	if strings.TrimSpace(req.Label) == "" {
		c.fail("label", `is empty; name it for people, such as "authority, autumn 2026"`)
	}
	c.text("label", req.Label, maxNameRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	var id string
	out, err := s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		return t.MakeSigningKey(t.Call, req.Label, func() (string, error) {
			var err error
			id, err = s.unnamedKey(req.Label)
			return id, err
		})
	})
	if err != nil {
		return nil, err
	}
	if made, ok, err := firstAct[*govern.SigningKeyMade](ctx, s.Service, out); err != nil {
		return nil, err
	} else if ok {
		id = made.ID
	}
	keys, err := release.OpenKeyStore(s.signingDir())
	if err != nil {
		return nil, err
	}
	for _, k := range keys.Keys() {
		if k.ID == id {
			return &pb.CreateSigningKeyResponse{PublicKey: k.Public, KeyId: k.ID}, nil
		}
	}
	return nil, rpc.Fail(codes.FailedPrecondition, "NO_SIGNING_KEY", fmt.Sprintf("key %s was made and is no longer in the authority's directory; put it back there, or make another with a fresh request", id), nil)
}

// unnamedKey is the ID of the key with a label that no list names yet; it is made
// where there is none. The ledger is held, so that one is made at a time.
func (s *Service) unnamedKey(label string) (string, error) {
	keys, err := release.OpenKeyStore(s.signingDir())
	if err != nil {
		return "", err
	}
	named, err := s.namedKeys()
	if err != nil {
		return "", err
	}
	for _, k := range keys.Keys() {
		if k.Label == label && !slices.Contains(named, k.ID) {
			return k.ID, nil
		}
	}
	k, err := keys.Create(label)
	if err != nil {
		return "", err
	}
	s.log.Info("signing key made; it signs nothing before a key list names it", zap.String("key", k.ID))
	return k.ID, nil
}

// namedKeys are the IDs of all keys that a list ever named or revoked.
func (s *Service) namedKeys() (ids []string, err error) {
	for _, raw := range s.KeyLists() {
		list, err := release.UnverifiedKeyList(raw)
		if err != nil {
			return nil, err
		}
		for _, k := range list.Keys {
			ids = append(ids, release.KeyID(k.PublicKey))
		}
		for _, k := range list.RevokedKeys {
			ids = append(ids, release.KeyID(k))
		}
	}
	return ids, nil
}
