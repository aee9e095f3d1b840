package report_test

import (
	"bytes"
	"errors"
	"testing"

	"golang.org/x/text/language"

	"samecup.example/samecup/services/console/report"
)

func TestReadersGetThePaperOfTheirCountry(t *testing.T) {
	for tag, want := range map[string]report.Sheet{"en-US": report.Letter, "es-MX": report.Letter, "fr-CA": report.Letter, "en-GB": report.A4, "de-DE": report.A4, "en": report.A4, "de": report.A4} {
		if got := report.SheetOf(language.MustParse(tag)); got != want {
			t.Errorf("%s: sheet %d, want %d", tag, got, want)
		}
	}
	for s, want := range map[string]report.Sheet{"a4": report.A4, "letter": report.Letter} {
		if got, err := report.ParseSheet(s); err != nil || got != want {
			t.Errorf("%s: %d, %v", s, got, err)
		}
	}
	if _, err := report.ParseSheet("legal"); !errors.Is(err, report.ErrQuery) {
		t.Errorf("legal: %v", err)
	}
	d := crowded()
	d.Read = reader(t, "en-US", true)
	var b bytes.Buffer
	if err := must(report.Build(d))(t).PDF(&b); err != nil {
		t.Fatal(err)
	}
	// 612 by 792 points are 8.5 by 11 inches.
	if !bytes.Contains(b.Bytes(), []byte("/MediaBox [0 0 612.00 792.00]")) {
		t.Error("an American's report is not on Letter")
	}
}
