package release_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestBootstrapOnceAndForGood(t *testing.T) {
	dir := t.TempDir()
	store, first, err := release.Bootstrap(dir)
	if err != nil {
		t.Fatal(err)
	}
	tr := must[*release.Trust](t)(release.NewTrust(first))
	rel, err := store.Signers(tr.KeyList(), roleRel)
	if err != nil {
		t.Fatal(err)
	}
	b, _, err := rel.Release(book(1, ""))
	if err != nil {
		t.Fatal(err)
	}
	must[*release.Verified](t)(tr.VerifyRelease(b))
	if _, err := store.Signers(tr.KeyList(), roleOn); err != nil {
		t.Fatal(err)
	}
	if tr.Freshness("", time.Now(), 0).Sentences[0] == "" || tr.KeyList().ExpireTime.AsTime().Before(time.Now().Add(399*24*time.Hour)) {
		t.Fatal(tr.KeyList())
	}
	// The root key goes offline; nothing else changes.
	if err := os.Rename(filepath.Join(dir, release.RootDir), filepath.Join(dir, "taken-away")); err != nil {
		t.Fatal(err)
	}
	again, list, err := release.Bootstrap(dir)
	if err != nil || string(list) != string(first) || len(again.Keys()) != 1 {
		t.Fatal(err, len(again.Keys()))
	}
	if _, err := os.Stat(filepath.Join(dir, release.RootDir)); err == nil {
		t.Fatal("a second root key was made")
	}
	// The next list, from the root key that was taken away.
	roots := must[*release.KeyStore](t)(release.OpenKeyStore(filepath.Join(dir, "taken-away")))
	root, _, err := release.ReadKey(filepath.Join(dir, "taken-away", roots.Keys()[0].ID+".key"))
	if err != nil {
		t.Fatal(err)
	}
	fresh, err := again.Create("winter")
	if err != nil {
		t.Fatal(err)
	}
	next := must[*pb.KeyList](t)(release.NextKeyList(tr.KeyList(), release.KeyListEdit{Add: []*pb.SigningKey{{PublicKey: fresh.Public, Roles: []pb.KeyRole{roleRel}}}, Issued: time.Now(), Lifetime: release.KeyListLifetime}))
	if _, err := tr.AddKeyList(must[[]byte](t)(release.SignKeyList(next, root))); err != nil {
		t.Fatal(err)
	}
	if rel, err := again.Signers(tr.KeyList(), roleRel); err != nil || len(rel) != 2 {
		t.Fatal(len(rel), err)
	}
	// A damaged list is not replaced.
	if err := os.WriteFile(filepath.Join(dir, "keylist-1"), first[:len(first)-1], 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := release.Bootstrap(dir); err == nil || !strings.Contains(err.Error(), "backup") {
		t.Fatal(err)
	}
}

func TestBootstrapTakesTheKeyThatIsThere(t *testing.T) {
	old := signer(9)
	store, first, err := release.BootstrapWith(t.TempDir(), old)
	if err != nil {
		t.Fatal(err)
	}
	if len(store.Keys()) != 1 || !store.Keys()[0].Public.Equal(old.Public()) {
		t.Fatal(store.Keys())
	}
	must[*release.Verified](t)(must[*release.Trust](t)(release.NewTrust(first)).VerifyRelease(sealed(t, old, book(3, ""))))
}

func TestKeyFiles(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.key")
	s := must[*release.Signer](t)(release.NewKey())
	if err := release.WriteKey(path, "root of Ada", s); err != nil {
		t.Fatal(err)
	}
	if st, err := os.Stat(path); err != nil || st.Mode().Perm() != 0o600 {
		t.Fatal(st.Mode(), err)
	}
	back, label, err := release.ReadKey(path)
	if err != nil || label != "root of Ada" || !back.Public().Equal(s.Public()) {
		t.Fatal(label, err)
	}
	pub, label, err := release.ReadPublicKey(path + ".pub")
	if err != nil || label != "root of Ada" || !pub.Equal(s.Public()) {
		t.Fatal(label, err)
	}
	if err := release.WriteKey(path, "", s); err == nil {
		t.Fatal("a key was overwritten")
	}
	if err := release.WriteKey(filepath.Join(dir, "b.key"), "two\nlines", s); err == nil {
		t.Fatal("a label of two lines")
	}
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, _, err := release.ReadKey(path); err == nil || !strings.Contains(err.Error(), "chmod 600") {
		t.Fatal(err)
	}
	if _, err := release.OpenKeyStore(dir); err == nil {
		t.Fatal("a store with an open key was opened")
	}
	// LoadOrCreateSigner's files are key files too.
	old := filepath.Join(dir, "old")
	was, err := release.LoadOrCreateSigner(old)
	if err != nil {
		t.Fatal(err)
	}
	if now, _, err := release.ReadKey(old); err != nil || !now.Public().Equal(was.Public()) {
		t.Fatal(err)
	}
}
