package postgresdb

import (
	"database/sql/driver"
	"strings"
	"testing"
)

func TestTranslate(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{`SELECT 1`, `SELECT 1`},
		{`SELECT ? FROM t WHERE a = ? AND b IN (?,?)`, `SELECT $1 FROM t WHERE a = $2 AND b IN ($3,$4)`},
		{`DELETE FROM t WHERE a = ?1 AND b IN (SELECT b FROM u WHERE a = ?1 LIMIT ?2)`, `DELETE FROM t WHERE a = $1 AND b IN (SELECT b FROM u WHERE a = $1 LIMIT $2)`},
		{`SELECT '?', "?", 'it''s ?' -- why?` + "\n, ?", `SELECT '?', "?", 'it''s ?' -- why?` + "\n, $1"},
		{`SELECT ? -- why?`, `SELECT $1 -- why?`},
		{`SELECT ?, 'open ?`, `SELECT $1, 'open ?`},
	} {
		if got := translate(c.in); got != c.want {
			t.Errorf("translate(%q)\n got %q\nwant %q", c.in, got, c.want)
		}
	}
}

func FuzzTranslate(f *testing.F) {
	f.Add(`SELECT '?' , ?`)
	f.Add(`'"?--?`)
	f.Add(`?1?9"?`)
	f.Fuzz(func(t *testing.T, query string) {
		// Nothing but marks changes.
		digits := func(s string) string {
			return strings.Map(func(r rune) rune {
				if r == '$' || r == '?' || r >= '0' && r <= '9' {
					return -1
				}
				return r
			}, s)
		}
		if got := translate(query); digits(got) != digits(query) {
			t.Errorf("translate(%q) = %q", query, got)
		}
	})
}

func TestArguments(t *testing.T) {
	type level int
	for _, c := range []struct{ in, want any }{
		{true, int64(1)}, {false, int64(0)}, {uint64(7), int64(7)}, {level(2), int64(2)}, {"a\x00b\xff", "a\uFFFDb\uFFFD"}, {nil, nil},
	} {
		v := driver.NamedValue{Ordinal: 1, Value: c.in}
		if err := (*conn)(nil).CheckNamedValue(&v); err != nil || v.Value != c.want {
			t.Errorf("%#v became %#v, %v; want %#v", c.in, v.Value, err, c.want)
		}
	}
	v := driver.NamedValue{Ordinal: 1, Value: uint64(1) << 63}
	if err := (*conn)(nil).CheckNamedValue(&v); err == nil {
		t.Error("a number that does not fit was taken")
	}
}
