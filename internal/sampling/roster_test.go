package sampling

import (
	"strings"
	"testing"

	"samecup.example/samecup/internal/drink"
)

func TestARosterIsChecked(t *testing.T) {
	for text, want := range map[string]string{
		`{"shifts":[{"start":"6","end":"14:00"}]}`:                     "start",
		`{"shifts":[{"start":"06:00","end":"14:00","lunch":"15:00"}]}`: "lunch",
		`{"plan":{}}`:  "id",
		`{"plans":{}}`: "plans",
		`{} {}`:        "after it",
		`{"plan":` + strings.Replace(tastePlan, `"taste"`, `"taste","dose"`, 1) + `}`: "taste alone",
		`{"shifts":[{},{},{},{},{},{},{}]}`:                                           "7 shifts",
	} {
		if _, err := ParseRoster([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want it to name %s", text, err, want)
		}
	}
	if _, err := ParseRoster([]byte(`{"shifts":[{"start":"22:00","end":"06:00","lunch":"02:00"}]}`)); err != nil {
		t.Error(err)
	}
	if _, err := ParseRoster([]byte(`{"plan":` + tastePlan + `}`)); err != nil {
		t.Error(err)
	}
	if err := DefaultRoster().Check(); err != nil {
		t.Error(err)
	}
}

const tastePlan = `{"id":"t","expire_min":10,"grace_min":5,"dial_in_min":8,"most_min":30,"adapt":{"quiet_to_normal":3,"quiet_to_relax":10,"missed_most":0.2},
 "windows":[{"id":"w","anchor":"start","from_min":0,"to_min":480,"parts":1,"prompts":1,"builds":1,"want":"any","checks":["taste"],"seconds_each":13}]}`

func FuzzParseRoster(f *testing.F) {
	f.Add([]byte(`{"plan":` + tastePlan + `}`))
	f.Add([]byte(`{"shifts":[{"start":"22:00","end":"06:00"}]}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		if r, err := ParseRoster(raw); err == nil {
			if err := r.Check(); err != nil {
				t.Error(err)
			}
		}
	})
}

func TestTheRosterOfABook(t *testing.T) {
	const text = "# two shifts\nshifts:\n  - start: \"06:30\"\n    end: \"14:30\"\n    lunch: \"12:00\"\n"
	r, there, err := OfBook(&drink.Book{Sampling: []byte(text)})
	if err != nil || !there || r.Shifts[0].Lunch != "12:00" || r.Plan.ID != DefaultRoster().Plan.ID {
		t.Errorf("%+v, %v, %v", r, there, err)
	}
	if _, there, err := OfBook(&drink.Book{}); there || err != nil {
		t.Errorf("a book without a plan: %v, %v", there, err)
	}
	for _, bad := range []string{"shifts: [", "shift: 3", "shifts: [{start: noon, end: \"14:00\"}]"} {
		problems := CheckBook(&drink.Book{Sampling: []byte(bad)})
		if !problems.HasErrors() || problems[0].File != drink.SamplingFile {
			t.Errorf("%q: %v", bad, problems)
		}
	}
}
