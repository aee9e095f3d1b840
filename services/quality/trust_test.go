package quality

import (
	"crypto/ed25519"
	"path/filepath"
	"testing"

	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/services/quality/store"
)

// TestTrustGoesOnAfterTheRootKeysChanged restarts with all key lists, of which
// the first is signed by root keys that were dropped since.
func TestTrustGoesOnAfterTheRootKeysChanged(t *testing.T) {
	db, err := store.OpenSQLite(t.Context(), filepath.Join(t.TempDir(), store.File))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	other := signerOf(7)
	list, first := firstKeyList(t)
	next, err := release.NextKeyList(list, release.KeyListEdit{AddRoots: []ed25519.PublicKey{other.Public()}, DropRoots: []ed25519.PublicKey{root.Public()},
		Issued: list.IssuedTime.AsTime(), Lifetime: release.KeyListLifetime})
	if err != nil {
		t.Fatal(err)
	}
	second, err := release.SignKeyList(next, root, other)
	if err != nil {
		t.Fatal(err)
	}
	for start := range 3 {
		tr, err := openTrust(t.Context(), db, [][]byte{first, second})
		if err != nil {
			t.Fatalf("start %d: %v", start+1, err)
		}
		if tr.version() != 2 {
			t.Errorf("start %d: key list %d is trusted, want 2", start+1, tr.version())
		}
	}
}
