package rollup

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestFieldNumbersAreThoseOfTheMessages(t *testing.T) {
	for _, tc := range []struct {
		message proto.Message
		field   protoreflect.Name
		want    protoreflect.FieldNumber
	}{
		{&pb.BuildRecord{}, "build", fieldBuild}, {&pb.Build{}, "readings", fieldReadings},
		{&pb.Reading{}, "check", fieldCheck}, {&pb.Reading{}, "occurrence", fieldOccurrence},
		{&pb.Reading{}, "value_milli", fieldValue}, {&pb.Reading{}, "resolution_milli", fieldResolution},
	} {
		d := tc.message.ProtoReflect().Descriptor().Fields().ByName(tc.field)
		if d == nil || d.Number() != tc.want {
			t.Errorf("%s: got %v, want number %d", tc.field, d, tc.want)
		}
	}
}

func TestReadingsAreThoseOfTheWholeMessage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rec := &pb.BuildRecord{Sequence: 7, PreviousHash: []byte{1, 2}, Build: &pb.Build{Id: "x", StartedTime: timestamppb.Now(),
			Steps: []*pb.StepLog{{Step: "pull"}}}}
		for range rapid.IntRange(0, 5).Draw(t, "readings") {
			rec.Build.Readings = append(rec.Build.Readings, &pb.Reading{Check: rapid.SampledFrom([]string{"", "dose", "é"}).Draw(t, "check"),
				Occurrence: rapid.Int32().Draw(t, "occurrence"), ValueMilli: rapid.Int64().Draw(t, "value"),
				ResolutionMilli: rapid.Int64().Draw(t, "resolution"), MeasuredTime: timestamppb.Now(), Unit: "g"})
		}
		b, err := proto.Marshal(rec)
		if err != nil {
			t.Fatal(err)
		}
		got, err := readings(b)
		if err != nil || len(got) != len(rec.Build.Readings) {
			t.Fatalf("%d readings, %v", len(got), err)
		}
		for i, r := range rec.Build.Readings {
			if want := (reading{r.Check, r.Occurrence, r.ValueMilli, r.ResolutionMilli}); got[i] != want {
				t.Fatalf("got %+v, want %+v", got[i], want)
			}
		}
	})
}

func FuzzReadings(f *testing.F) {
	b, err := proto.Marshal(&pb.BuildRecord{Build: &pb.Build{Readings: []*pb.Reading{{Check: "dose", ValueMilli: -1}}}})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := readings(data)
		var rec pb.BuildRecord
		// Repeated fields of one message merge in both; where the whole
		// message can be read, both see as many readings.
		if proto.Unmarshal(data, &rec) == nil && (err != nil || len(got) != len(rec.Build.GetReadings())) {
			t.Fatalf("%d readings and %v, the whole message has %d", len(got), err, len(rec.Build.GetReadings()))
		}
	})
}

func FuzzMergeDetail(f *testing.F) {
	var g Group
	g.Found("above_tolerance", 3)
	for i := range int64(9) {
		if err := g.Check("dose").Add(20_000+i*100, 100); err != nil {
			f.Fatal(err)
		}
	}
	b, err := g.AppendDetail(nil)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Fuzz(func(t *testing.T, data []byte) {
		var g Group
		if g.MergeDetail(data, nil) == nil {
			if _, err := g.AppendDetail(nil); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// halfHours are zones whose days begin within an hour of UTC, for at least a part
// of the year. Lord Howe's clocks change by half an hour (IANA time zone data base).
var halfHours = []string{"Australia/Adelaide", "Australia/Lord_Howe", "Asia/Kolkata", "Asia/Kathmandu", "Pacific/Chatham", "America/St_Johns"}

// The days follow on one another without a gap, each begins when the clock at the
// site says so, and the hours of a day are those that begin in it, through changes
// of the clocks.
func TestDaysBeginByTheClockOfTheSite(t *testing.T) {
	for _, zone := range append([]string{"", "Europe/London", "America/Chicago", "Pacific/Auckland", "Pacific/Kiritimati"}, halfHours...) {
		for _, start := range []int{0, 2, 4, MaxDayStart} {
			cal, err := NewCalendar(zone, start)
			if err != nil {
				t.Fatal(err)
			}
			first := DayNumber(time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC))
			next, _ := cal.Hours(first)
			for day := first; day < first+280; day++ {
				begin, end := cal.Begin(day), cal.Begin(day+1)
				if cal.DayAt(begin) != day || cal.DayAt(begin.Add(-time.Millisecond)) != day-1 || cal.DayAt(end.Add(-time.Millisecond)) != day {
					t.Fatalf("%q from %d: day %d begins at %s and ends at %s, and neighbours do not agree", zone, start, day, begin, end)
				}
				if d := end.Sub(begin); d < 23*time.Hour || d > 25*time.Hour {
					t.Fatalf("%q from %d: day %d lasts %s", zone, start, day, d)
				}
				// The clock says the hour at which days begin, but where it was put
				// forward past it or back behind it just then.
				wall := begin.In(cal.Zone)
				_, offset := wall.Zone()
				_, before := begin.Add(-time.Minute).In(cal.Zone).Zone()
				if (wall.Hour() != start || wall.Minute() != 0) && offset == before {
					t.Fatalf("%q from %d: day %d begins at %s", zone, start, day, wall)
				}
				from, to := cal.Hours(day)
				if from != next || to-from < 23 || to-from > 25 {
					t.Fatalf("%q from %d: day %d has hours %d to %d, the day before ended at %d", zone, start, day, from, to, next)
				}
				for h := from; h < to; h++ {
					if cal.DayOf(h) != day {
						t.Fatalf("%q from %d: hour %d is of day %d, not %d", zone, start, h, cal.DayOf(h), day)
					}
				}
				if hour, cut := cal.Cut(day); cut != (begin.Minute() != 0) || cut && (hour != from-1 || cal.DayOf(hour) != day-1) || !cut && hour != from {
					t.Fatalf("%q from %d: day %d begins at %s, within hour %d: %v", zone, start, day, begin, hour, cut)
				}
				next = to
			}
		}
	}
}

func TestDates(t *testing.T) {
	for _, tc := range []struct{ date, week, month string }{
		{"2026-11-02", "2026-11-02", "2026-11-01"}, // a Monday
		{"2026-11-01", "2026-10-26", "2026-11-01"},
		{"1969-12-31", "1969-12-29", "1969-12-01"},
		{"2028-02-29", "2028-02-28", "2028-02-01"},
	} {
		at, err := time.Parse(time.DateOnly, tc.date)
		if err != nil {
			t.Fatal(err)
		}
		day := DayNumber(at)
		first, next := Days(MonthOf(day))
		if got := DayTime(WeekOf(day)).Format(time.DateOnly); got != tc.week {
			t.Errorf("week of %s: %s", tc.date, got)
		}
		if got := DayTime(first).Format(time.DateOnly); got != tc.month || day < first || day >= next {
			t.Errorf("month of %s: %s", tc.date, got)
		}
	}
}

func TestCalendarRefuses(t *testing.T) {
	for _, tc := range []struct {
		zone  string
		start int
	}{{"Local", 0}, {"Mars/Base", 0}, {"UTC", -1}, {"UTC", 13}} {
		if _, err := NewCalendar(tc.zone, tc.start); err == nil {
			t.Errorf("%q from %d was taken", tc.zone, tc.start)
		}
	}
}
