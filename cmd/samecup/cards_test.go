package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestCardsAreDrawnToFiles(t *testing.T) {
	const book = "../../testdata/harbour-finch"
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"card", book, "latte", "medium", "--svg", at("c.svg"), "--png", at("c.png"), "--pdf", at("c.pdf")}, 0, ""},
		{[]string{"cards", book, "--pdf", at("all.pdf"), "--release", "7", "--effective", "2026-05-04T03:00:00Z", "--digest", "9f86d081884c7d65"}, 0, "pages"},
		{[]string{"card", book, "soup", "medium", "--svg", at("no.svg")}, 1, `drink "soup"`},
		{[]string{"card", book, "latte", "vast", "--svg", at("no.svg")}, 1, `size "vast"`},
		{[]string{"card", book, "latte", "medium", "--svg", at("none/c.svg")}, 2, "choose a folder that exists"},
		{[]string{"card", book, "latte", "medium", "--png", at("no.png"), "--dpi", "5"}, 2, "36 to 1200"},
		{[]string{"cards", book}, 2, "--pdf is missing"},
		{[]string{"cards", book, "--pdf", at("no.pdf"), "--release", "7", "--effective", "Monday"}, 2, "--effective"},
		{[]string{"cards", book, "--pdf", at("no.pdf"), "--release", "7", "--digest", "xyz"}, 2, "hex digits"},
		{[]string{"cards", book, "--pdf", at("no.pdf"), "--digest", "9f86d081884c7d65"}, 2, "release number"},
		{[]string{"cards", book, "--pdf", at("latte.pdf"), "--drink", "latte", "--paper", "a4"}, 0, "pages"},
		{[]string{"cards", book, "--pdf", at("no.pdf"), "--drink", "soup"}, 2, `drink "soup": the book has none of that id`},
		{[]string{"cards", book, "--pdf", at("no.pdf"), "--size", "vast"}, 2, "nothing is served in it"},
		{[]string{"cards", book, "--pdf", at("no.pdf"), "--paper", "letter"}, 2, "allowed are a5"},
		{[]string{"cards", "no-such-book", "--pdf", at("no.pdf")}, 2, "no book folder"},
	} {
		out, code := runBookCommand(t, c.args...)
		if code != c.code || !strings.Contains(out, c.want) {
			t.Errorf("%v = %d:\n%s", c.args, code, out)
		}
	}
	for name, magic := range map[string]string{"c.svg": "<svg", "c.png": "\x89PNG", "c.pdf": "%PDF-", "all.pdf": "%PDF-"} {
		if got, err := os.ReadFile(at(name)); err != nil || !bytes.HasPrefix(got, []byte(magic)) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if left, _ := filepath.Glob(at("no*")); len(left) > 0 {
		t.Errorf("a failed run left %v", left)
	}
}
