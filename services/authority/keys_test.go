package authority

import (
	"bytes"
	"crypto/ed25519"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestTheOldSigningKeyGoesOn(t *testing.T) {
	dir := t.TempDir()
	old, err := release.LoadOrCreateSigner(filepath.Join(dir, KeyFile))
	if err != nil {
		t.Fatal(err)
	}
	url := startBus(t, t.TempDir()).URL()
	for range 2 {
		if h := startOn(t, url, dir); !h.PublicKey().Equal(old.Public()) {
			t.Error("releases are signed with another key")
		}
	}
}

func TestARevokedKeysWorkIsSignedAnew(t *testing.T) {
	url, dir := startBus(t, t.TempDir()).URL(), t.TempDir()
	h := startOn(t, url, dir)
	h.addSite(t, "tannery-row", "north")
	h.publish(t, request(bookFiles(t)))
	h.order(t, "L-2231")
	h.settle(t.Context())
	before := h.stream(t, "chain")[0]

	signing, err := release.OpenKeyStore(filepath.Join(dir, keysDir, "signing"))
	if err != nil {
		t.Fatal(err)
	}
	fresh, err := signing.Create("authority, second")
	if err != nil {
		t.Fatal(err)
	}
	roots, err := filepath.Glob(filepath.Join(dir, keysDir, release.RootDir, "*.key"))
	if err != nil || len(roots) != 1 {
		t.Fatalf("root keys: %v, %v", roots, err)
	}
	root, _, err := release.ReadKey(roots[0])
	if err != nil {
		t.Fatal(err)
	}
	first, err := release.UnverifiedKeyList(h.KeyLists()[0])
	if err != nil {
		t.Fatal(err)
	}
	list, err := release.NextKeyList(first, release.KeyListEdit{
		Add: []*pb.SigningKey{{PublicKey: fresh.Public, Label: fresh.Label,
			Roles: []pb.KeyRole{pb.KeyRole_KEY_ROLE_RELEASE, pb.KeyRole_KEY_ROLE_ONLINE}}},
		Revoke: []ed25519.PublicKey{h.PublicKey()}, Issued: time.Now(), Lifetime: release.KeyListLifetime,
	})
	if err != nil {
		t.Fatal(err)
	}
	unsigned, err := release.UnsignedKeyList(list)
	if err != nil {
		t.Fatal(err)
	}
	_, err = h.acceptKeyList(t.Context(), local, unsigned)
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST")
	signed, err := release.SignKeyList(list, root)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := h.acceptKeyList(t.Context(), local, signed); err != nil {
		t.Fatal(err)
	}
	again := startOn(t, url, dir)
	for _, s := range []*harness{h, again} {
		if err := s.Reconcile(t.Context()); err != nil {
			t.Fatal(err)
		}
		if !s.PublicKey().Equal(fresh.Public) || len(s.KeyLists()) != 2 || len(s.on(t, bus.KeyListSubjects)) != 2 {
			t.Error("the new list is not followed")
		}
		trust := s.follower(t)
		v, err := trust.VerifyRelease(s.stream(t, "chain")[0])
		if err != nil || bytes.Equal(before, s.stream(t, "chain")[0]) {
			t.Fatalf("release: %v", err)
		}
		a := s.assignment(t, "tannery-row")
		if a == nil || a.KeyList != 2 || a.Serial != 2 || !bytes.Equal(a.Orders[0].Digest, v.Digest[:]) {
			t.Errorf("assignment is %v", a)
		}
		lists := s.on(t, bus.StopListSubjects)
		if l, err := trust.VerifyStopList(lists[len(lists)-1]); err != nil || len(l.List.Stops) != 1 {
			t.Errorf("stop list: %v", err)
		}
	}
}
