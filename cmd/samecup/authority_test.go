package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"

	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestAddressesBeyondThisMachineAreRefused(t *testing.T) {
	keys := t.TempDir()
	if _, _, err := release.Bootstrap(keys); err != nil {
		t.Fatal(err)
	}
	trust := filepath.Join(keys, "keylist-1")
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
	srv, err := startBus(t.TempDir(), ":0", true, nil, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	defer srv.Shutdown()
	if !strings.HasPrefix(srv.URL(), "nats://0.0.0.0:") {
		t.Errorf("listens on %s", srv.URL())
	}
}

func TestReadKeyLists(t *testing.T) {
	dir := t.TempDir()
	_, want, err := release.Bootstrap(dir)
	if err != nil {
		t.Fatal(err)
	}
	lists, err := readKeyLists(filepath.Join(dir, "keylist-1"))
	if err != nil || len(lists) != 1 || !bytes.Equal(lists[0], want) {
		t.Errorf("%d lists, error %v", len(lists), err)
	}
	altered := filepath.Join(dir, "altered")
	want[len(want)/2] ^= 1
	if err := os.WriteFile(altered, want, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{altered, filepath.Join(dir, "absent")} {
		if _, err := readKeyLists(path); err == nil || !strings.Contains(err.Error(), "keylist-1") {
			t.Errorf("%s: error %v", path, err)
		}
	}
}

func TestCallError(t *testing.T) {
	for _, c := range []struct {
		name string
		err  error
		want exitError
	}{
		{"unusable input", rpc.Invalid(rpc.Violation{Field: "scope", Description: "is wrong"}), exitError{2, "refused:\n  scope is wrong"}},
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

func TestOneQualityIsAsked(t *testing.T) {
	args := []string{"authority", "--listen", "127.0.0.1:0", "--bus-listen", "127.0.0.1:0", "--quality-at", "127.0.0.1:7101", "--data", t.TempDir()}
	if code := run(args); code != 2 {
		t.Errorf("exit code is %d, want 2", code)
	}
}
