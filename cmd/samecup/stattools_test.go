package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
)

func TestStatTools(t *testing.T) {
	const dir = "../../testdata/stat/"
	for _, c := range []struct {
		name  string
		args  []string
		stdin string
		code  bool // refused with code 2
		want  string
	}{
		{"capability", []string{"capability", dir + "capability-shot-time.csv", "--value", "shot_time_s", "--low", "25", "--high", "31", "--group", "shift", "--stable"}, "", false, "common cause: change the method or the tolerance"},
		{"capability, one row", []string{"capability", "-", "--value", "v", "--low", "0"}, "v\n1\n", true, "at least 2"},
		{"capability, constant", []string{"capability", "-", "--value", "v", "--low", "0"}, "v\n1\n1\n1\n", true, "never vary"},
		{"capability, missing value", []string{"capability", "-", "--value", "v", "--low", "0"}, "v\n1\n-\n3\n2\n", false, "line 3"},
		{"capability, wrong column", []string{"capability", "-", "--value", "w", "--low", "0"}, "v\n1\n", true, `"w" is not in the file`},
		{"compare", []string{"compare", dir + "compare-sites.csv", "--site", "site", "--bad", "bad", "--n", "checks", "--kind", "drink"}, "", false, "not enough data"},
		{"compare, swapped", []string{"compare", "-", "--site", "s", "--bad", "b", "--n", "n"}, "s,b,n\na,3,2\n", true, "swapped"},
		{"compare, one site", []string{"compare", "-", "--site", "s", "--bad", "b", "--n", "n"}, "s,b,n\na,1,2\n", true, "at least 2"},
		{"plan, power", []string{"plan", "--checks", "5", "--fault", "0.1"}, "", false, "41 %"},
		{"plan, sequential", []string{"plan", "--p0", "0.01", "--p1", "0.1"}, "", false, "cannot tell"},
		{"plan, acceptance", []string{"plan", "--aql", "0.01", "--ltpd", "0.06"}, "", false, "Check "},
		{"plan, trial", []string{"plan", "--pass", "0.85", "--margin", "0.05", "--cluster", "30", "--rho", "0.03"}, "", false, "1180"},
		{"plan, letter", []string{"plan", "--lot", "400"}, "", false, "Code letter H: check 50"},
		{"plan, half a question", []string{"plan", "--p0", "0.1"}, "", true, "give both"},
		{"plan, outcomes", []string{"plan", "--outcomes", "rrrrrrriaaaaa"}, "", false, "As was stated (improved): from discontinued to tightened"},
		{"plan, lots", []string{"plan", "--outcomes-file", dir + "plan-lots.csv", "--table-aql", "1.0"}, "", false, "As Mara Quell stated (improved"},
		{"plan, lots, one row", []string{"plan", "--outcomes-file", "-", "--table-aql", "1.0"}, "size,bad\n1000,0\n", false, "1 lot, 80 drinks checked"},
		{"plan, lots, missing value", []string{"plan", "--outcomes-file", "-", "--table-aql", "1.0"}, "size,bad\n1000,0\n1000,\n", true, "line 3"},
		{"plan, lots, wrong column", []string{"plan", "--outcomes-file", "-", "--table-aql", "1.0"}, "drinks,bad\n1000,0\n", true, `"size" is not in the file`},
		{"plan, lots, no AQL", []string{"plan", "--outcomes-file", "-"}, "size,bad\n1000,0\n", true, "--table-aql"},
		{"compare, no more than chance", []string{"compare", "-", "--site", "s", "--bad", "b", "--n", "n"}, "s,b,n\na,10,400\nb,10,400\nc,10,400\n", false, "No ranking is possible"},
		{"agree", []string{"agree", dir + "agree-milk-temperature.csv", "--auditor", "auditor_c", "--self", "self_c", "--pair", "visit", "--limit", "2"}, "", false, "agrees within the limit"},
		{"agree, one row", []string{"agree", "-", "--auditor", "a", "--self", "b", "--limit", "2"}, "a,b\n1,2\n", true, "at least 3"},
	} {
		t.Run(c.name, func(t *testing.T) {
			exec := func(args ...string) (string, error) {
				root := rootCommand()
				var out bytes.Buffer
				root.SetArgs(args)
				root.SetIn(strings.NewReader(c.stdin))
				root.SetOut(&out)
				root.SetErr(&out)
				err := root.Execute()
				return out.String(), err
			}
			out, err := exec(c.args...)
			if c.code {
				e, ok := err.(exitError)
				if !ok || e.code != 2 || !strings.Contains(e.msg, c.want) {
					t.Fatalf("err = %v, want code 2 with %q", err, c.want)
				}
				return
			}
			if err != nil || !strings.Contains(out, c.want) {
				t.Fatalf("err = %v, output lacks %q:\n%s", err, c.want, out)
			}
			out, err = exec(append(c.args, "--json")...)
			if err != nil || !json.Valid([]byte(out)) {
				t.Fatalf("--json: %v\n%s", err, out)
			}
		})
	}
}

// A flag left out is no finding: code 1 would say that there is one.
func TestStatToolsRefuseACommandLineWithCode2(t *testing.T) {
	for _, c := range []struct{ line, want string }{
		{"chart", `chart: given [], wanted: samecup chart KIND FILE`},
		{"chart i file.csv", "chart: no --value"},
		{"variance file.csv --value v", "variance: no --factor"},
		{"screen file.csv", "screen: no --value, --by"},
		{"gauge file.csv --value v", "gauge: no --part, --operator"},
		{"compare file.csv --site s", "compare: no --bad, --n"},
		{"agree file.csv --auditor a --self b", "agree: no --limit"},
		{"capability file.csv", "capability: no --value"},
		{"plan extra", "plan: given"},
		{"plan", "plan: nothing asked"},
		{"screen file.csv --value", "screen: flag needs an argument"},
		{"plan --checks many", "plan: invalid argument"},
		{"chart i nowhere.csv --value v", "chart: opening the data"},
	} {
		_, err := runStat(strings.Fields(c.line), "")
		e, ok := err.(exitError)
		if !ok || e.code != 2 || !strings.HasPrefix(e.msg, c.want) {
			t.Errorf("%s: %#v, want code 2 and %q", c.line, err, c.want)
		}
	}
}
