package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestReportRefusesInWords(t *testing.T) {
	out := filepath.Join(t.TempDir(), "x.pdf")
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{nil, 2, "--out is missing"},
		{[]string{"--out", out, "--scope", "shop/x"}, 2, `--scope: scope "shop/x" cannot be used: allowed are chain, region/NAME and site/NAME`},
		{[]string{"--out", out, "--week", "47"}, 2, "write year and week as in 2026-W47"},
		{[]string{"--out", out, "--week", "2027-W53"}, 2, "no such week"},
		{[]string{"--out", out, "--made", "today"}, 2, "write a time as 2026-11-23T06:00:00Z"},
		{[]string{"--out", out, "--locale", "!"}, 2, "write a language tag"},
		{[]string{"--out", out, "--paper", "legal"}, 2, "allowed are a4 and letter"},
		{[]string{"--out", out, "--units", "imperial"}, 2, "allowed are metric and us"},
	} {
		got, code := runBookCommand(t, append([]string{"report"}, c.args...)...)
		if code != c.code || !strings.Contains(got, c.want) {
			t.Errorf("report %q = %d:\n%s", c.args, code, got)
		}
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("a refused report left a file")
	}
}

func TestChartDrawsItsPicture(t *testing.T) {
	svg := filepath.Join(t.TempDir(), "x.svg")
	out, code := runBookCommand(t, "chart", "i", "../../testdata/stat/chart-yield.csv", "--value", "yield_g", "--unit", "g", "--tolerance-low", "34", "--tolerance-high", "38", "--svg", svg)
	if code != 0 {
		t.Fatalf("%d:\n%s", code, out)
	}
	got, err := os.ReadFile(svg)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"<title", "tolerance of the book", "limits from its own past", "upper limit"} {
		if !strings.Contains(string(got), want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
}
