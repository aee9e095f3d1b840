package main

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestAddressesBeyondThisMachineAreRefused(t *testing.T) {
	trust := filepath.Join(t.TempDir(), "trust")
	if err := os.WriteFile(trust, []byte(strings.Repeat("ab", ed25519.PublicKeySize)), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"authority", "--listen", "0.0.0.0:0", "--bus-listen", "127.0.0.1:0"},
		{"authority", "--listen", "127.0.0.1:0", "--bus-listen", "0.0.0.0:0"},
		{"authority", "--listen", "127.0.0.1:0", "--bus-listen", ":0", "--insecure-listen-anywhere"},
		{"quality", "--listen", "0.0.0.0:0", "--trust", trust},
		{"bus", "--listen", "0.0.0.0:0"},
		{"bus", "--listen", "192.0.2.1:0"},
		{"bus", "--listen", "127.0.0.1"},
		{"bus", "--listen", "127.0.0.1:65536"},
	} {
		t.Run(strings.Join(args, " "), func(t *testing.T) {
			if code := run(append(args, "--data", t.TempDir())); code != 2 {
				t.Errorf("exit code is %d, want 2", code)
			}
		})
	}
}

func TestBusAnywhereNeedsTheFlag(t *testing.T) {
	srv, err := startBus(t.TempDir(), ":0", true, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	defer srv.Shutdown()
	if !strings.HasPrefix(srv.URL(), "nats://0.0.0.0:") {
		t.Errorf("listens on %s", srv.URL())
	}
}

func TestReadKeys(t *testing.T) {
	key := bytes.Repeat([]byte{7}, ed25519.PublicKeySize)
	line := hex.EncodeToString(key)
	for _, c := range []struct {
		name, text string
		want       int // keys; 0 for an error
	}{
		{"one", line + "\n", 1},
		{"two, with a remark", "# of the authority\n" + line + "\n\n" + line, 2},
		{"none", "# nothing\n", 0},
		{"too short", line[2:], 0},
		{"not hexadecimal", strings.Repeat("z", len(line)), 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "trust")
			if err := os.WriteFile(path, []byte(c.text), 0o600); err != nil {
				t.Fatal(err)
			}
			keys, err := readKeys(path)
			if len(keys) != c.want || (err == nil) != (c.want > 0) {
				t.Errorf("%d keys, error %v; want %d", len(keys), err, c.want)
			}
		})
	}
	if _, err := readKeys(filepath.Join(t.TempDir(), "absent")); err == nil {
		t.Error("an absent file gives no error")
	}
}

func TestCallError(t *testing.T) {
	for _, c := range []struct {
		name string
		err  error
		want exitError
	}{
		{"unusable input", rpc.Invalid(rpc.Violation{Field: "scope", Description: "is wrong"}), exitError{2, "refused:\n  scope: is wrong"}},
		{"a book with errors", rpc.Blocked("BOOK_HAS_ERRORS", rpc.Violation{Field: "a.yaml:3: x", Description: "is wrong"}), exitError{1, "refused:\n  a.yaml:3: x: is wrong"}},
		{"nobody there", rpc.Fail(codes.Unavailable, "X", "gone", nil), exitError{1, "gone; is the authority running at the address that --to names?"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := callError(c.err); got != c.want {
				t.Errorf("got %+v, want %+v", got, c.want)
			}
		})
	}
}

func TestProblemLine(t *testing.T) {
	for want, p := range map[string]*pb.Problem{
		"error: house.yaml:3: pull.basket: is wrong": {Level: "error", File: "house.yaml", Line: 3, Field: "pull.basket", Text: "is wrong"},
		"note: house.yaml: is short":                 {Level: "note", File: "house.yaml", Text: "is short"},
		"caution: is hot":                            {Level: "caution", Text: "is hot"},
	} {
		if got := problemLine(p); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
