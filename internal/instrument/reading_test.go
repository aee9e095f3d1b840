package instrument

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/protojson"
	"pgregory.net/rapid"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

var noon = time.Date(2026, 11, 2, 12, 0, 0, 0, time.UTC)

// The ounce is 28.349523125 g exactly (NIST Handbook 44, appendix C; from
// memory); °C = (°F - 32) 5/9.
func TestUnitsConvertExactly(t *testing.T) {
	for _, tc := range []struct {
		name              string
		kind              Kind
		unit              string
		value, resolution drink.Milli
		want, wantRes     drink.Milli
		fault             string
	}{
		{"grams", Scale, "g", 18_100, 100, 18_100, 100, ""},
		{"kilograms", Scale, "kg", 18, 1, 18_000, 1000, ""},
		{"milligrams", Scale, "mg", 18_100_000, 100_000, 18_100, 100, ""},
		{"less than a milligram", Scale, "mg", 18_100_500, 0, 0, 0, "finer than a thousandth"},
		{"ounces", Scale, "[oz_av]", 1_270, 10, 36_004, 283, ""},
		{"minutes", Timer, "min", 500, 1, 30_000, 60, ""},
		{"140 °F is 60 °C", Thermometer, "[degF]", 140_000, 100, 60_000, 56, ""},
		{"the hard maximum in °F", Thermometer, "[degF]", 149_000, 1_000, 65_000, 556, ""},
		{"below nought", Thermometer, "[degF]", 14_000, 0, -10_000, 0, ""},
		{"pounds", Scale, "[lb_av]", 1_000, 0, 0, 0, "[g kg mg [oz_av]]"},
		{"a timer in grams", Timer, "g", 1_000, 0, 0, 0, "for a timer: [s min]"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := Reading{Instrument: "i-1", Kind: tc.kind, Unit: tc.unit, Value: tc.value, Resolution: tc.resolution}
			v, res, _, err := r.Base()
			if tc.fault != "" {
				if err == nil || !strings.Contains(err.Error(), tc.fault) {
					t.Fatalf("want %q, got %v", tc.fault, err)
				}
				return
			}
			if err != nil || v != tc.want || res != tc.wantRes {
				t.Errorf("%v and %v, %v; want %v and %v", v, res, err, tc.want, tc.wantRes)
			}
		})
	}
}

func TestReadingsThatCannotBeUsedAreRefused(t *testing.T) {
	good := Reading{Instrument: "scale-1", Kind: Scale, Unit: "g", Value: 18_000, Resolution: 100}
	if err := good.Check(); err != nil {
		t.Fatal(err)
	}
	for want, change := range map[string]func(*Reading){
		`instrument is "Scale 1"`:           func(r *Reading) { r.Instrument = "Scale 1" },
		"kind is unknown":                   func(r *Reading) { r.Kind = 9 },
		"value_milli is 30000 g":            func(r *Reading) { r.Value = 30_000_000 },
		"value_milli is 99":                 func(r *Reading) { r.Value = 9_999_999_999_999 },
		"resolution_milli is -1":            func(r *Reading) { r.Resolution = -1 },
		"start or stop, allowed":            func(r *Reading) { r.Event = Start },
		"start_event is pump_on":            func(r *Reading) { r.StartEvent = "pump_on" },
		"calibration_due_date is 2026-11-0": func(r *Reading) { r.CalibratedOn, r.CalibrationDue = noon, noon.AddDate(0, 0, -1) },
	} {
		r := good
		change(&r)
		if err := r.Check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
}

func readings() *rapid.Generator[Reading] {
	return rapid.Custom(func(t *rapid.T) Reading {
		kind := rapid.SampledFrom([]Kind{Scale, Timer, Thermometer}).Draw(t, "kind")
		r := Reading{
			Instrument: rapid.StringMatching(`[a-z0-9-]{1,64}`).Draw(t, "id"), Kind: kind, Unit: Units(kind)[0],
			Value: drink.Milli(rapid.Int64Range(0, 300_000).Draw(t, "v")), Resolution: drink.Milli(rapid.Int64Range(0, 1_000_000).Draw(t, "res")),
			Sequence: rapid.Uint64().Draw(t, "seq"), Stable: rapid.Bool().Draw(t, "stable"),
		}
		at := func(n string) time.Time {
			if rapid.Bool().Draw(t, n+" absent") {
				return time.Time{}
			}
			return time.Unix(rapid.Int64Range(0, 4e9).Draw(t, n), rapid.Int64Range(0, 999_999_999).Draw(t, n+"ns")).UTC()
		}
		r.MeasuredAt, r.SentAt = at("measured"), at("sent")
		if d := at("due"); !d.IsZero() {
			r.CalibrationDue = d.Truncate(24 * time.Hour)
		}
		switch kind {
		case Scale:
			r.Event = rapid.SampledFrom([]Event{NoEvent, Tare}).Draw(t, "event")
		case Timer:
			r.StartEvent = rapid.SampledFrom([]string{"", "pump_on", "first_drop"}).Draw(t, "start")
			fallthrough
		default:
			r.Event = rapid.SampledFrom([]Event{NoEvent, Start, Stop}).Draw(t, "event")
		}
		return r
	})
}

func TestReadingSurvivesBothForms(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := readings().Draw(t, "r")
		for _, form := range []struct {
			encode func() ([]byte, error)
			decode func([]byte) (Reading, error)
		}{{r.Encode, Decode}, {r.EncodeJSON, DecodeJSON}, {r.Encode, DecodeAny}, {r.EncodeJSON, DecodeAny}} {
			b, err := form.encode()
			if err != nil {
				t.Fatal(err)
			}
			back, err := form.decode(b)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(r, back); diff != "" {
				t.Fatal(diff)
			}
		}
	})
}

// The example of docs/instruments.md.
func TestTheDocumentedJSONIsRead(t *testing.T) {
	const example = `{"instrument":"scale-1","kind":"INSTRUMENT_KIND_SCALE","unit":"g","value_milli":"36100","resolution_milli":"100",
		"calibrated_date":"2026-10-01","calibration_due_date":"2026-12-31","sequence":"4711",
		"measured_time":"2026-11-02T08:15:31.200Z","sent_time":"2026-11-02T08:15:31.210Z","stable":true}`
	r, err := DecodeAny([]byte(example))
	if err != nil {
		t.Fatal(err)
	}
	if r.Value != 36_100 || r.Sequence != 4711 || !r.Stable || r.Kind != Scale {
		t.Errorf("%+v", r)
	}
	if id, err := ParseTopic(Topic("scale-1")); err != nil || id != "scale-1" {
		t.Errorf("%q, %v", id, err)
	}
	for _, topic := range []string{"samecup/instrument//reading", "samecup/instrument/a/b/reading", "samecup/instrument/a", "samecup/instrument/#/reading"} {
		if _, err := ParseTopic(topic); err == nil {
			t.Errorf("topic %q was taken", topic)
		}
	}
}

func TestNumbersOfAnEnumDoNotWrap(t *testing.T) {
	m := &pb.InstrumentReading{Instrument: "a", Unit: "g", Kind: 257}
	if r, err := FromProto(m); err == nil {
		t.Errorf("kind 257 became %v", r.Kind)
	}
	m = &pb.InstrumentReading{Instrument: "a", Unit: "g", Kind: 1, Event: 257}
	if r, err := FromProto(m); err == nil {
		t.Errorf("event 257 became %v", r.Event)
	}
	if _, err := FromProto(nil); err == nil {
		t.Error("nothing was taken for a reading")
	}
}

func FuzzDecode(f *testing.F) {
	r := Reading{Instrument: "scale-1", Kind: Scale, Unit: "[oz_av]", Value: 1_270, Resolution: 10, Sequence: 7, MeasuredAt: noon, SentAt: noon, Stable: true}
	for _, encode := range []func() ([]byte, error){r.Encode, r.EncodeJSON} {
		b, err := encode()
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add([]byte(`{"instrument":"a","kind":3,"unit":"Cel","valueMilli":"65000"}`))
	f.Add([]byte("  {"))
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, decode := range []func([]byte) (Reading, error){Decode, DecodeJSON, DecodeAny} {
			r, err := decode(b)
			if err != nil {
				if len(err.Error()) > 2000+len(b)*4 {
					t.Errorf("an error of %d bytes for %d", len(err.Error()), len(b))
				}
				continue
			}
			// What was taken can be used, and comes back the same.
			if _, _, _, err := r.Base(); err != nil {
				t.Errorf("taken and not usable: %v", err)
			}
			again, err := r.EncodeJSON()
			if err != nil {
				t.Fatal(err)
			}
			back, err := DecodeJSON(again)
			if err != nil {
				t.Fatalf("%v of %s", err, again)
			}
			if diff := cmp.Diff(r, back); diff != "" {
				t.Error(diff)
			}
			f, err := NewFeed(Wiring{r.Instrument: nil}, nil)
			if err != nil {
				t.Fatal(err)
			}
			if _, _, err := f.Take(r, noon); err != nil {
				t.Errorf("a checked reading was not taken: %v", err)
			}
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	r := Reading{Instrument: "scale-1", Kind: Scale, Unit: "g", Value: 36_100, Resolution: 100, Sequence: 4711, MeasuredAt: noon, SentAt: noon, Stable: true}
	proto, err := r.Encode()
	if err != nil {
		b.Fatal(err)
	}
	text, err := protojson.Marshal(r.Proto())
	if err != nil {
		b.Fatal(err)
	}
	for _, form := range []struct {
		name string
		b    []byte
	}{{"protobuf", proto}, {"json", text}} {
		b.Run(form.name, func(b *testing.B) {
			for b.Loop() {
				if _, err := DecodeAny(form.b); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
