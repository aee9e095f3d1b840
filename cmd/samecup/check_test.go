package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"
)

// runBookCommand executes a command line and returns what it printed and its code.
func runBookCommand(t *testing.T, args ...string) (string, int) {
	t.Helper()
	root := rootCommand()
	var out bytes.Buffer
	root.SetOut(&out)
	root.SetErr(&out)
	root.SetArgs(args)
	err := root.Execute()
	if err == nil {
		return out.String(), 0
	}
	if e, ok := errors.AsType[exitError](err); ok {
		return out.String() + e.msg, e.code
	}
	return out.String() + err.Error(), 1
}

func TestCheckExitsByWhatItFound(t *testing.T) {
	const books = "../../testdata/"
	for _, c := range []struct {
		dir  string
		code int
		want string
	}{
		{"harbour-finch", 0, "0 errors"},
		{"harbour-finch-counter", 0, "Usual cautions"},
		{"broken-books/unknown-vessel", 1, `error: drinks/latte.yaml:15: servings[latte/small].vessel: "c241" is not a vessel of this book`},
		{"broken-books/not-yaml", 2, "is not YAML"},
		{"no-such-book", 2, "no book folder"},
	} {
		out, code := runBookCommand(t, "check", books+c.dir)
		if code != c.code || !strings.Contains(out, c.want) {
			t.Errorf("check %s = %d:\n%s", c.dir, code, out)
		}
		out, code = runBookCommand(t, "check", "--json", books+c.dir)
		if code != c.code || !json.Valid([]byte(out)) {
			t.Errorf("check --json %s = %d:\n%s", c.dir, code, out)
		}
	}
}

func TestCardIsFoundByDrinkSizeAndMilk(t *testing.T) {
	const book = "../../testdata/harbour-finch"
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{book, "latte", "medium", "--milk", "soy-drink"}, 0, "latte/medium/soy-drink"},
		{[]string{book, "latte", "medium", "--milk", "goat"}, 1, "comes with whole-milk"},
		{[]string{"../../testdata/broken-books/not-yaml", "latte", "small"}, 2, "is not YAML"},
		{[]string{"../../testdata/broken-books/unknown-measure", "latte", "small"}, 1, "is not a measure"},
	} {
		out, code := runBookCommand(t, append([]string{"card"}, c.args...)...)
		if code != c.code || !strings.Contains(out, c.want) {
			t.Errorf("card %v = %d:\n%s", c.args, code, out)
		}
	}
}
