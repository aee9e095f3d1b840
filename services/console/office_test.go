package console

import (
	"fmt"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/testdata"
)

func counterFiles(t testing.TB) map[string][]byte {
	t.Helper()
	sub, err := fs.Sub(testdata.FS, "harbour-finch-counter")
	if err != nil {
		t.Fatal(err)
	}
	files, problems := drink.ReadFiles(sub)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return files
}

// TestFindingsStandAtTheirFields breaks the latte in ways and sees where the
// check's word is put.
func TestFindingsStandAtTheirFields(t *testing.T) {
	const file = "drinks/latte.yaml"
	for _, c := range []struct{ path, value, at string }{
		{"servings[size=mug].vessel", "nope", "servings[size=mug].vessel"},
		{"checks.milk_temp.target", "75 °C", "checks.milk_temp.target"},
		{"servings[size=glass].air", "30 %", "servings[size=glass].parts[ingredient=milk].amount"},
		{"servings[size=glass].milk", "nope", "servings[size=glass].milk"},
		{"servings[size=glass].shots", "lots", "servings[size=glass].shots"},
	} {
		files, err := bookedit.Set(counterFiles(t), file, c.path, c.value)
		if err != nil {
			t.Fatal(err)
		}
		_, problems := drink.LoadAndCheckFiles(files)
		var wire []*pb.Problem
		for _, p := range problems.At(drink.Error) {
			wire = append(wire, &pb.Problem{Level: "error", File: p.File, Line: int32(p.Line), Field: p.Field, Text: p.Fault}) //nolint:gosec // a line of a small file
		}
		if len(wire) == 0 {
			t.Fatalf("%s = %s breaks nothing", c.path, c.value)
		}
		groups, loose := fieldsOfFile(nil, file, files[file], wire)
		found := map[string]bool{}
		for _, g := range groups {
			for _, f := range g.Fields {
				if f.Bad() {
					found[f.Path] = true
				}
			}
		}
		if !found[c.at] || len(loose) > 0 {
			t.Errorf("%s = %s: findings at %v and %v loose, want one at %s", c.path, c.value, found, loose, c.at)
		}
	}
}

func TestFieldsAreNamedAsPeopleSayThem(t *testing.T) {
	for path, want := range map[string][2]string{
		"name":                          {"In general", "Name"},
		"checks.milk_temp.target":       {"Checks", "Milk temperature, target"},
		"servings[size=big-mug].vessel": {"Big-mug", "Vessel"},
		"servings[size=mug].parts[ingredient=milk].amount": {"Mug", "Milk, amount"},
		"steps[act=wipe].criticality":                      {"Steps", "Wipe, criticality"},
		"pull.checks.dose.target":                          {"Pull, checks", "Dose, target"},
		"cautions[0]":                                      {"Cautions", "1"},
		"ingredients[id=whole-milk].energy.fat":            {"Whole-milk", "Energy, fat"},
	} {
		p, err := bookedit.Parse(path)
		if err != nil {
			t.Fatal(err)
		}
		title, rest := groupOf(p)
		if got := [2]string{title, labelOf(rest)}; got != want {
			t.Errorf("%s is %q, want %q", path, got, want)
		}
	}
}

// FuzzFieldsOfFile wants no source to break the page, and each field to have an
// address of its own.
func FuzzFieldsOfFile(f *testing.F) {
	for _, src := range counterFiles(f) {
		f.Add(src, "servings[latte/glass].parts", int32(15))
	}
	f.Add([]byte("id: [\n"), "]", int32(-1))
	f.Add([]byte("servings: [{size: x}, {size: x}]"), "servings[", int32(0))
	f.Fuzz(func(t *testing.T, src []byte, field string, line int32) {
		groups, loose := fieldsOfFile(nil, "a.yaml", src, []*pb.Problem{{Level: "error", File: "a.yaml", Field: field, Line: line}})
		n, ids := len(loose), map[string]bool{}
		for _, g := range groups {
			for _, d := range g.Fields {
				n += len(d.Findings)
				if ids[d.ID] {
					t.Errorf("%s stands twice", d.ID)
				}
				ids[d.ID] = true
			}
		}
		if n != 1 {
			t.Errorf("the finding is shown %d times", n)
		}
	})
}

// formVisit is a visit that sends a form.
func formVisit(t *testing.T, fields url.Values) *visit {
	t.Helper()
	r := httptest.NewRequest(http.MethodPost, "/x", strings.NewReader(fields.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if err := r.ParseForm(); err != nil {
		t.Fatal(err)
	}
	return &visit{Request: r}
}

func TestWavesOfTheForm(t *testing.T) {
	for _, c := range []struct {
		sites, shares string
		want          string
	}{
		{"", "", "all"},
		{"a, b;c\r\nd", " 20 % 50%", "a b c d|20|50|all"},
		{"", "0", "refused"}, {"", "100", "refused"}, {"", "x", "refused"}, {"", "-5", "refused"},
	} {
		waves, err := formVisit(t, url.Values{"sites": {c.sites}, "shares": {c.shares}}).formWaves()
		var got []string
		for _, w := range waves {
			switch {
			case w.All:
				got = append(got, "all")
			case w.SharePercent > 0:
				got = append(got, fmt.Sprint(w.SharePercent))
			default:
				got = append(got, strings.Join(w.Sites, " "))
			}
		}
		if err != nil {
			got = []string{"refused"}
		}
		if diff := cmp.Diff(c.want, strings.Join(got, "|")); diff != "" {
			t.Errorf("%q %q: %s", c.sites, c.shares, diff)
		}
	}
}

func TestWhenIsReadAndSaid(t *testing.T) {
	for _, c := range []struct{ day, minute, want string }{
		{"", "", "at once"},
		{"2026-11-02", "", "at each site's opening on 2 November 2026"},
		{"2026-11-02", "06:05", "at 06:05 by each site's clock on 2 November 2026"},
		{"", "06:05", "refused"}, {"soon", "", "refused"}, {"2026-11-02", "25:00", "refused"},
	} {
		w, err := formVisit(t, url.Values{"day": {c.day}, "minute": {c.minute}}).formWhen()
		got := whenWords(w)
		if err != nil {
			got = "refused"
		}
		if got != c.want {
			t.Errorf("%q %q: %s, want %s", c.day, c.minute, got, c.want)
		}
	}
}

func TestOpeningWords(t *testing.T) {
	for _, c := range []struct {
		in   []int32
		want string
	}{
		{nil, "05:00 every day"},
		{[]int32{390, 390, 390, 390, 390, 390, 390}, "06:30 every day"},
		{[]int32{390, 390, 390, 390, 390, 480, -1}, "Mon to Fri 06:30, Sat 08:00, Sun closed"},
	} {
		if got := openingWords(c.in); got != c.want {
			t.Errorf("%v: %q, want %q", c.in, got, c.want)
		}
	}
}

func TestLongTablesAreShortenedOnThePageAlone(t *testing.T) {
	long := func(query string) *Table {
		v := &visit{Request: httptest.NewRequest(http.MethodGet, "/places"+query, nil)}
		x := &Table{ID: "stations", Cols: cols("station")}
		for i := range 1000 {
			x.add(textf("bar-%d", i))
		}
		v.shorten(x)
		return x
	}
	if x := long(""); len(x.Rows) != shownRows || !strings.Contains(x.Note, "The first 150 of 1\u202f000 rows") {
		t.Errorf("%d rows: %s", len(x.Rows), x.Note)
	}
	if x := long("?format=csv"); len(x.Rows) != 1000 {
		t.Errorf("the file has %d rows", len(x.Rows))
	}
}

func TestTryingAnEdit(t *testing.T) {
	files := counterFiles(t)
	same := tryEdit(files, "drinks/latte.yaml", "checks.milk_temp.target", "60 °C")
	if !same.Same || same.Fault != "" {
		t.Errorf("the same value: %+v", same)
	}
	if x := tryEdit(files, "drinks/none.yaml", "name", "x"); x.Fault == "" {
		t.Errorf("a file that is not there: %+v", x)
	}
	broken, err := bookedit.Set(files, "drinks/latte.yaml", "servings[size=mug].vessel", "nope")
	if err != nil {
		t.Fatal(err)
	}
	if x := tryEdit(broken, "drinks/latte.yaml", "servings[size=mug].vessel", "big-mug"); x.Gone == 0 {
		t.Errorf("a mend: %+v", x)
	}
	if x := tryEdit(files, "house.yaml", "pull.checks.dose.target", "20.4 g"); len(x.Effects) != maxTried+1 || !strings.Contains(strings.Join(x.Effects, "\n"), "caffeine") {
		t.Errorf("a change that reaches far: %v", x.Effects)
	}
}
