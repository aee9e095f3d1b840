package reportscreen

import (
	"encoding/json"
	"strings"
	"testing"

	"samecup.example/samecup/cmd/samecup/internal/table"
)

var example = Options{
	Value: "seconds", By: "station", Resolution: 0.1, Measured: "measured_at", Entered: "entered_at",
	HasLow: true, Low: 25, HasHigh: true, High: 31, AuditedSD: 1.5, AuditedDF: 60, FalseShare: 0.05,
}

func TestTheExampleFileAsksOneStation(t *testing.T) {
	tab, err := table.Open("../../../../testdata/stat/screen-shots.csv", nil, example.Columns()...)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Make(tab, example)
	if err != nil {
		t.Fatal(err)
	}
	var asked []string
	for _, q := range r.Questions {
		if q.Put {
			asked = append(asked, q.Station)
		}
	}
	if len(asked) != 1 || asked[0] != "quillmaker-street/1" {
		t.Errorf("asked %v, want quillmaker-street/1 alone:\n%s", asked, r)
	}
	if !strings.Contains(r.String(), "a question, not a verdict") {
		t.Errorf("words: %s", r)
	}
	if _, err := json.Marshal(r); err != nil {
		t.Error(err)
	}
}

func TestBadFilesAreAnsweredInWords(t *testing.T) {
	head := "station,measured_at,entered_at,seconds\n"
	row := "a,2026-03-02T07:00:00Z,2026-03-02T07:00:10Z,28\n"
	for name, tc := range map[string]struct{ file, want string }{
		"wrong column": {"station,seconds\na,28\n", "measured_at"},
		"a bad time":   {head + "a,07:00,2026-03-02T07:00:10Z,28\n", `line 2, column "measured_at"`},
		"no number":    {head + "a,2026-03-02T07:00:00Z,2026-03-02T07:00:10Z,x\n", "no number"},
		"one row":      {head + row, "Nothing could be screened"},
		"constant":     {head + strings.Repeat(row, 60), "Nothing to ask"},
	} {
		var got string
		tab, err := table.Read(strings.NewReader(tc.file), example.Columns()...)
		if err == nil {
			o := example
			if name == "one row" {
				o.Entered = ""
			}
			if name == "constant" {
				o.AuditedSD = 0
			}
			var r Report
			if r, err = Make(tab, o); err == nil {
				got = r.String()
			}
		}
		if err != nil {
			got = err.Error()
		}
		if !strings.Contains(got, tc.want) {
			t.Errorf("%s: got %q, want words with %q", name, got, tc.want)
		}
	}
}
