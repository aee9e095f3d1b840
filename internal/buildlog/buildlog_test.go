package buildlog_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"samecup.example/samecup/internal/buildlog"
	"samecup.example/samecup/internal/drink"
)

// whole is a line with every field.
const whole = `{"build":"019ab2c4-7d1e-7c3a-9f00-5a1b2c3d4e5f","serving":"latte/m/whole","release":12,"site":"tannery-row","station":"bar-1",` +
	`"started":"2026-11-02T08:15:00Z","finished":"2026-11-02T08:16:05.25Z","vessel":"c350","milk":"whole","shots":3,"garnish":["cocoa"],"sampled":true,` +
	`"steps":[{"step":"pull","at":1.2},{"step":"pour","at":60}],` +
	`"readings":[{"check":"dose","n":1,"value":18.1,"unit":"g","resolution":0.1,"instrument":"scale-1","measured":"2026-11-02T08:15:01Z","entered":"2026-11-02T08:15:09Z"}],` +
	`"substitutions":[{"from":"whole","to":"oat"}],"by":"b-17","how":"keypad"}`

func wholeBuild() drink.Build {
	start := time.Date(2026, 11, 2, 8, 15, 0, 0, time.UTC)
	return drink.Build{
		ID: "019ab2c4-7d1e-7c3a-9f00-5a1b2c3d4e5f", Serving: "latte/m/whole", Release: 12, Site: "tannery-row", Station: "bar-1",
		StartedAt: start, FinishedAt: start.Add(65250 * time.Millisecond), Vessel: "c350", Milk: "whole", Shots: 3,
		Garnish: []string{"cocoa"}, Sampled: true,
		Steps: []drink.StepLog{{Step: "pull", At: 1200 * time.Millisecond}, {Step: "pour", At: time.Minute}},
		Readings: []drink.Reading{{Check: "dose", Occurrence: 1, Value: 18_100, Unit: "g", Resolution: 100, Instrument: "scale-1",
			MeasuredAt: start.Add(time.Second), EnteredAt: start.Add(9 * time.Second)}},
		Substitutions: []drink.Substitution{{From: "whole", To: "oat"}}, By: "b-17", How: "keypad",
	}
}

func TestReadAndWrite(t *testing.T) {
	var b drink.Build
	if err := buildlog.Parse([]byte(whole), &b); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(wholeBuild(), b); d != "" {
		t.Error(d)
	}
	if got := string(buildlog.AppendJSON(nil, &b)); got != whole {
		t.Errorf("got  %s\nwant %s", got, whole)
	}
	var out bytes.Buffer
	if err := buildlog.NewWriter(&out).Write(&b); err != nil || out.String() != whole+"\n" {
		t.Errorf("writer: %v, %s", err, out.String())
	}
}

func TestRefused(t *testing.T) {
	many := func(entry string, n int) string {
		return "[" + strings.TrimSuffix(strings.Repeat(entry+",", n), ",") + "]"
	}
	for _, test := range []struct {
		name, old, new string
		field, value   string
	}{
		{"a number that is none", `"value":18.1`, `"value":NaN`, "readings[0].value", "NaN"},
		{"a huge number", `"value":18.1`, `"value":1e300`, "readings[0].value", "1e300"},
		{"an exponent", `"value":18.1`, `"value":1e1`, "readings[0].value", "1e1"},
		{"more than the bound", `"value":18.1`, `"value":1000000000.001`, "readings[0].value", "1000000000.001"},
		{"more digits than fit", `"value":18.1`, `"value":99999999999999999999999`, "readings[0].value", "99999999999999999999999"},
		{"four decimals", `"value":18.1`, `"value":18.1001`, "readings[0].value", "18.1001"},
		{"a number in quotes", `"value":18.1`, `"value":"18.1"`, "readings[0].value", `"18.1"`},
		{"a number of another notation", `"value":18.1`, `"value":018.1`, "readings[0].value", "018.1"},
		{"null", `"value":18.1`, `"value":null`, "readings[0].value", "null"},
		{"a negative resolution", `"resolution":0.1`, `"resolution":-0.1`, "readings[0].resolution", "-0.1"},
		{"a negative count", `"shots":3`, `"shots":-3`, "shots", "-3"},
		{"a broken count", `"shots":3`, `"shots":1.5`, "shots", "1.5"},
		{"a count too large", `"shots":3`, `"shots":257`, "shots", "257"},
		{"occurrence nought", `"n":1`, `"n":0`, "readings[0].n", "0"},
		{"a negative release", `"release":12`, `"release":-1`, "release", "-1"},
		{"a step before the start", `"at":1.2`, `"at":-1.2`, "steps[0].at", "-1.2"},
		{"an unknown field", `"shots":3`, `"shot":3`, "shot", "an unknown field"},
		{"a field in another case", `"shots":3`, `"Shots":3`, "Shots", "an unknown field"},
		{"an unknown field further in", `"n":1`, `"nr":1`, "readings[0].nr", "an unknown field"},
		{"a field twice", `"shots":3`, `"shots":3,"shots":2`, "shots", "a second time"},
		{"a missing field", `"vessel":"c350",`, ``, "vessel", "a missing field"},
		{"a missing field further in", `"unit":"g",`, ``, "readings[0].unit", "a missing field"},
		{"broken UTF-8", `"by":"b-17"`, "\"by\":\"b\xff17\"", "line", "broken UTF-8"},
		{"half a surrogate pair", `"by":"b-17"`, `"by":"\ud800"`, "by", `"\ud800"`},
		{"a control character", `"by":"b-17"`, `"by":"\u0000"`, "by", `"\u0000"`},
		{"an empty id", `"vessel":"c350"`, `"vessel":""`, "vessel", `""`},
		{"a text too long", `"by":"b-17"`, `"by":"` + strings.Repeat("b", 129) + `"`, "by", `"` + strings.Repeat("b", 47) + "…"},
		{"a build id that is none", `"build":"019ab2c4-`, `"build":"019ab2c4+`, "build", `"019ab2c4+7d1e-7c3a-9f00-5a1b2c3d4e5f"`},
		{"a site that fits no subject", `"site":"tannery-row"`, `"site":"tannery.row"`, "site", `"tannery.row"`},
		{"a time that is none", `"started":"2026-11-02T08:15:00Z"`, `"started":"2026-11-02 08:15"`, "started", `"2026-11-02 08:15"`},
		{"a time without a zone", `08:15:00Z"`, `08:15:00"`, "started", `"2026-11-02T08:15:00"`},
		{"a year beyond four digits", `2026-11-02T08:15:00Z","fin`, `9999-12-31T23:59:59-01:00","fin`, "started", `"9999-12-31T23:59:59-01:00"`},
		{"too many garnishes", `["cocoa"]`, many(`"cocoa"`, 33), "garnish", "a longer list"},
		{"too many steps", `[{"step":"pull","at":1.2},{"step":"pour","at":60}]`, many(`{"step":"pull","at":1}`, 257), "steps", "a longer list"},
		{"a truncated line", `,"by":"b-17","how":"keypad"}`, `,"by":"b-`, "by", `"b-`},
		{"a comma too many", `["cocoa"]`, `["cocoa",]`, "garnish[1]", "]"},
		{"a list that is none", `["cocoa"]`, `"cocoa"`, "garnish", `"cocoa"`},
		{"a flag that is none", `"sampled":true`, `"sampled":1`, "sampled", "1"},
		{"two builds in a line", `"how":"keypad"}`, `"how":"keypad"} {}`, "line", "{} behind the build"},
	} {
		t.Run(test.name, func(t *testing.T) {
			line := strings.Replace(whole, test.old, test.new, 1)
			if line == whole {
				t.Fatal("nothing changed")
			}
			var b drink.Build
			err := buildlog.Parse([]byte(line), &b)
			e, ok := errors.AsType[*buildlog.LineError](err)
			if !ok {
				t.Fatalf("got %v", err)
			}
			if e.Field != test.field || e.Value != test.value || e.Allowed == "" {
				t.Errorf("got field %s, value %s, allowed %s", e.Field, e.Value, e.Allowed)
			}
		})
	}
}

func TestReaderGoesOnBehindBadLines(t *testing.T) {
	long := strings.Repeat("x", buildlog.MaxLine+1)
	in := "\n" + whole + "\r\n" + `{"build":1}` + "\n" + long + "\n" + whole + "\n" + long + long + "\n \n" + whole
	r := buildlog.NewReader(strings.NewReader(in))
	var got []string
	for {
		var b drink.Build
		err := r.Next(&b)
		if err == io.EOF {
			break
		}
		if e, ok := errors.AsType[*buildlog.LineError](err); ok {
			got = append(got, fmt.Sprint(e.Line, " ", e.Field))
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(wholeBuild(), b); d != "" {
			t.Error(d)
		}
		got = append(got, fmt.Sprint(r.Line(), " ok"))
	}
	want := []string{"2 ok", "3 build", "4 line", "5 ok", "6 line", "8 ok"}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestReaderDoesNotHoldALongLine(t *testing.T) {
	var b drink.Build
	n := testing.AllocsPerRun(1, func() {
		r := buildlog.NewReader(io.LimitReader(zeros{}, 100<<20))
		if _, ok := errors.AsType[*buildlog.LineError](r.Next(&b)); !ok {
			t.Error("100 MiB of garbage passed")
		}
		if err := r.Next(&b); err != io.EOF {
			t.Error(err)
		}
	})
	if n > 200 {
		t.Errorf("%v allocations", n)
	}
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

func TestReaderReportsABrokenFile(t *testing.T) {
	r := buildlog.NewReader(io.MultiReader(strings.NewReader(whole), broken{}))
	var b drink.Build
	for range 2 {
		if err := r.Next(&b); !errors.Is(err, errBroken) {
			t.Errorf("got %v", err)
		}
	}
}

var errBroken = errors.New("broken")

type broken struct{}

func (broken) Read([]byte) (int, error) { return 0, errBroken }

func TestLongestLinePasses(t *testing.T) {
	line := whole + strings.Repeat(" ", buildlog.MaxLine-len(whole))
	var b drink.Build
	if err := buildlog.NewReader(strings.NewReader(line + "\n")).Next(&b); err != nil {
		t.Error(err)
	}
	if err := buildlog.NewReader(strings.NewReader(line + " \n")).Next(&b); err == nil {
		t.Error("a longer one passed")
	}
}

func TestDecimalsAreExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := drink.Milli(rapid.Int64Range(-int64(drink.MaxMilli), int64(drink.MaxMilli)).Draw(t, "milli"))
		var b drink.Build
		line := strings.Replace(whole, `"value":18.1`, `"value":`+want.String(), 1)
		if err := buildlog.Parse([]byte(line), &b); err != nil || b.Readings[0].Value != want {
			t.Fatalf("%s read as %s: %v", want, b.Readings[0].Value, err)
		}
	})
}

func FuzzReader(f *testing.F) {
	f.Add([]byte(whole))
	f.Add([]byte(`{""0`)) // an unknown field without a name
	f.Add([]byte(whole + "\n" + whole[:200] + "\n{\"build\":\"\\ud83d\\ude00\\n\"}\n"))
	f.Add([]byte("{\"readings\":[{\"value\":1e300}]}\n\xff\xfe\n[1,2"))
	f.Fuzz(func(t *testing.T, data []byte) {
		r := buildlog.NewReader(bytes.NewReader(data))
		lines := bytes.Split(data, []byte("\n"))
		for {
			var b, again drink.Build
			err := r.Next(&b)
			if err == io.EOF {
				return
			}
			if e, ok := errors.AsType[*buildlog.LineError](err); ok {
				if e.Line < 1 || e.Line > len(lines) || e.Field == "" || e.Allowed == "" {
					t.Fatalf("%+v", e)
				}
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			if !json.Valid(lines[r.Line()-1]) {
				t.Fatalf("line %d is no JSON and passed", r.Line())
			}
			line := buildlog.AppendJSON(nil, &b)
			if err := buildlog.Parse(line, &again); err != nil {
				t.Fatalf("%s written again: %v", line, err)
			}
			if d := cmp.Diff(b, again, cmpopts.EquateEmpty()); d != "" {
				t.Fatal(d)
			}
		}
	})
}

func BenchmarkReader(b *testing.B) {
	line := []byte(whole + "\n")
	b.SetBytes(int64(len(line)))
	b.ReportAllocs()
	r := buildlog.NewReader(io.LimitReader(&repeat{line: line}, int64(len(line)*b.N)))
	var build drink.Build
	for i := 0; i < b.N; i++ {
		if err := r.Next(&build); err != nil {
			b.Fatal(err)
		}
	}
}

type repeat struct {
	line []byte
	pos  int
}

func (r *repeat) Read(p []byte) (int, error) {
	n := copy(p, r.line[r.pos:])
	r.pos = (r.pos + n) % len(r.line)
	return n, nil
}
