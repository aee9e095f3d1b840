package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestDiffExitsByWhatItFound(t *testing.T) {
	const book = "../../testdata/harbour-finch"
	edited := t.TempDir()
	if err := os.CopyFS(edited, os.DirFS(book)); err != nil {
		t.Fatal(err)
	}
	latte := filepath.Join(edited, "drinks", "latte.yaml")
	text, err := os.ReadFile(latte)
	if err != nil {
		t.Fatal(err)
	}
	now := strings.Replace(string(text), "froth_depth: {target: 10 mm, within: 2 mm}", "froth_depth: {target: 12 mm, within: 2 mm}", 1)
	if err := os.WriteFile(latte, []byte(now), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		a, b string
		code int
		want string
	}{
		{book, book, 0, "no difference"},
		{book, edited, 1, "latte/medium/whole-milk: froth depth 10 mm -> 12 mm (8 mm to 12 mm -> 10 mm to 14 mm)"},
		{book, "../../testdata/harbour-finch-counter", 1, "which sites have it is not known here"},
		{book, "no-such-book", 2, "no book folder"},
	} {
		out, code := runBookCommand(t, "diff", c.a, c.b)
		if code != c.code || !strings.Contains(out, c.want) {
			t.Errorf("diff %s %s = %d:\n%s", c.a, c.b, code, out)
		}
		out, code = runBookCommand(t, "diff", "--json", c.a, c.b)
		if code != c.code || code < 2 && !json.Valid([]byte(out)) {
			t.Errorf("diff --json %s %s = %d:\n%s", c.a, c.b, code, out)
		}
	}
}

func TestFitProposesAServing(t *testing.T) {
	const book = "../../testdata/harbour-finch"
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{book, "latte", "medium", "--vessel", "p350"}, 0, "    vessel: p350\n"},
		{[]string{book, "latte", "medium", "--vessel", "p350", "--milk", "oat-drink", "--json"}, 0, `"serving": "latte/medium/oat-drink"`},
		{[]string{book, "latte", "medium", "--vessel", "p999"}, 1, `vessel "p999" is not in this book`},
		{[]string{"no-such-book", "latte", "medium", "--vessel", "p350"}, 2, "no book folder"},
	} {
		out, code := runBookCommand(t, append([]string{"fit"}, c.args...)...)
		if code != c.code || !strings.Contains(out, c.want) {
			t.Errorf("fit %v = %d:\n%s", c.args, code, out)
		}
	}
}
