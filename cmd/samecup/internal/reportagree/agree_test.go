package reportagree

import (
	"regexp"
	"strings"
	"testing"
)

func TestFiguresCarryTheDigitsOfTheirSpread(t *testing.T) {
	r, err := Build("../../../../testdata/stat/agree-milk-temperature.csv", nil, Question{Auditor: "auditor_c", Self: "self_c", Pair: "visit", Limit: 2})
	if err != nil {
		t.Fatal(err)
	}
	text := r.String()
	// A spread of some tenths of a degree: three decimals, four of a standard error.
	if long := regexp.MustCompile(`\d\.\d{5,}`).FindString(text); long != "" {
		t.Errorf("%s has more digits than it carries:\n%s", long, text)
	}
	if r.Result.Bias == 0 || !strings.Contains(text, "agrees within the limit") {
		t.Errorf("%+v\n%s", r.Result, text)
	}
	same, err := Build("-", strings.NewReader("a,b\n1,1\n2,2\n3,3\n"), Question{Auditor: "a", Self: "b", Limit: 1})
	if err != nil || !strings.Contains(same.String(), "whether one value was copied") {
		t.Errorf("%v\n%s", err, same)
	}
}
