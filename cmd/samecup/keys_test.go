package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"samecup.example/samecup/internal/release"
)

// The ceremony of docs/keys.md from end to end, as two people would type it.
func TestKeysCeremony(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	exec := func(code int, want string, args ...string) {
		t.Helper()
		root := rootCommand()
		var out bytes.Buffer
		root.SetArgs(args)
		root.SetOut(&out)
		root.SetErr(&out)
		got := 0
		if err := root.Execute(); err != nil {
			e, ok := err.(exitError)
			if !ok {
				t.Fatalf("%v: %v", args, err)
			}
			got = e.code
			out.WriteString(e.msg)
		}
		if got != code || !strings.Contains(out.String(), want) {
			t.Fatalf("%v: code %d, want %d with %q:\n%s", args, got, code, want, out.String())
		}
	}
	for _, name := range []string{"ada.key", "ben.key", "cleo.key"} {
		exec(0, "keep it offline", "keys", "root", "create", at(name), "--label", name)
	}
	exec(2, "never overwritten", "keys", "root", "create", at("ada.key"))
	for _, name := range []string{"release", "online", "winter"} {
		s, err := release.NewKey()
		if err != nil {
			t.Fatal(err)
		}
		if err := release.WriteKey(at(name), name, s); err != nil {
			t.Fatal(err)
		}
	}
	one, two := at("keylist-1"), at("keylist-2")
	exec(2, "ends in .pub", "keys", "list", "new", "--root", at("ada.key"), "--release", at("release.pub"), "--online", at("online.pub"), "--out", one)
	exec(2, "lifetime", "keys", "list", "new", "--root", at("ada.key.pub"), "--release", at("release.pub"), "--online", at("online.pub"), "--out", one, "--expires", "soon")
	exec(0, "Nobody will take it yet: 2 more", "keys", "list", "new", "--root", at("ada.key.pub"), "--root", at("ben.key.pub"), "--threshold", "2", "--release", at("release.pub"), "--online", at("online.pub"), "--expires", "400d", "--out", one)
	exec(0, "1 more of its own", "keys", "list", "sign", one, "--with", at("ada.key"))
	exec(1, "has not signed", "keys", "list", "show", one)
	exec(0, "Its own root keys signed it", "keys", "list", "sign", one, "--with", at("ben.key"))
	exec(0, `("winter")`, "keys", "list", "next", one, "--release", at("winter.pub"), "--revoke", "release", "--add-root", at("cleo.key.pub"), "--out", two)
	exec(2, "neither an ID nor a label of list 1", "keys", "list", "next", one, "--retire", "nobody", "--out", at("no"))
	exec(0, "2 of them signed", "keys", "list", "sign", two, "--with", at("cleo.key"), "--with", at("ada.key"))
	exec(1, "1 more of the list before must sign", "keys", "list", "show", two, "--previous", one)
	exec(0, "3 of them signed", "keys", "list", "sign", two, "--with", at("ben.key"))
	exec(0, "Followers of the list before will take it.", "keys", "list", "show", two, "--previous", one)
	exec(2, "not an envelope", "keys", "list", "show", at("ada.key"))

	read := func(path string) []byte {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	trust, err := release.NewTrust(read(one))
	if err != nil {
		t.Fatal(err)
	}
	if change, err := trust.AddKeyList(read(two)); err != nil || len(change.Revoked) != 1 {
		t.Fatal(change, err)
	}
}
