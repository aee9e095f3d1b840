package main

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// keyKeeper stands in for the authority's keys.
type keyKeeper struct {
	pb.UnimplementedGovernanceServiceServer
	lists [][]byte
	added []byte
	made  *release.Signer
}

func (k *keyKeeper) ListKeyLists(context.Context, *pb.ListKeyListsRequest) (*pb.ListKeyListsResponse, error) {
	return &pb.ListKeyListsResponse{KeyLists: k.lists}, nil
}

func (k *keyKeeper) CreateSigningKey(context.Context, *pb.CreateSigningKeyRequest) (*pb.CreateSigningKeyResponse, error) {
	return &pb.CreateSigningKeyResponse{PublicKey: k.made.Public(), KeyId: release.KeyID(k.made.Public())}, nil
}

func (k *keyKeeper) AddKeyList(_ context.Context, req *pb.AddKeyListRequest) (*pb.AddKeyListResponse, error) {
	k.added = req.KeyList
	return &pb.AddKeyListResponse{Version: 2}, nil
}

// The printed ceremony names what the next list needs, and the list is handed
// over as it was signed.
func TestKeysRotateAndAdd(t *testing.T) {
	newKey := func() *release.Signer {
		s, err := release.NewKey()
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	root, old := newKey(), newKey()
	keys, err := release.NamedKeys(nil, []string{fmt.Sprintf("%x", old.Public())}, []string{fmt.Sprintf("%x", old.Public())})
	if err != nil {
		t.Fatal(err)
	}
	first, err := release.FirstKeyList(release.KeyListPlan{Roots: []ed25519.PublicKey{root.Public()}, Threshold: 1, Keys: keys,
		Issued: time.Now().Truncate(time.Second), Lifetime: release.KeyListLifetime})
	if err != nil {
		t.Fatal(err)
	}
	signed, err := release.SignKeyList(first, root)
	if err != nil {
		t.Fatal(err)
	}
	k := &keyKeeper{lists: [][]byte{signed}, made: newKey()}
	lis, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{})
	pb.RegisterGovernanceServiceServer(srv, k)
	go func() { _ = srv.Serve(lis) }()
	t.Cleanup(srv.Stop)
	call := func(cmd *cobra.Command, args ...string) string {
		var out bytes.Buffer
		cmd.SetOut(&out)
		cmd.SetErr(&out)
		cmd.SetArgs(append(args, "--to", lis.Addr().String()))
		if err := cmd.ExecuteContext(t.Context()); err != nil {
			t.Fatalf("%s %v: %v", cmd.Name(), args, err)
		}
		return out.String()
	}
	dir := t.TempDir()
	for range 2 { // the same list may be there already
		out := call(keysRotateCommand(), "--label", "winter", "--role", "release", "--save", dir)
		public := fmt.Sprintf("%x", k.made.Public())
		for _, want := range []string{
			"list next " + filepath.Join(dir, "keylist-1") + " --release " + public + " --out keylist-2",
			"keys add keylist-2", "at least 1 holder", "--retire " + release.KeyID(old.Public()),
		} {
			if !strings.Contains(out, want) {
				t.Errorf("%q is missing:\n%s", want, out)
			}
		}
		if strings.Contains(out, "--online") {
			t.Errorf("a role that was not asked for:\n%s", out)
		}
	}
	if got, err := os.ReadFile(filepath.Join(dir, "keylist-1")); err != nil || !bytes.Equal(got, signed) {
		t.Errorf("the saved list differs: %v", err)
	}
	out := call(keysAddCommand(), filepath.Join(dir, "keylist-1"))
	if !bytes.Equal(k.added, signed) || !strings.Contains(out, "follows key list 2") {
		t.Errorf("handed over other bytes, or said nothing:\n%s", out)
	}
}
