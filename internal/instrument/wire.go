package instrument

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// MaxBytes bounds one reading on the wire, in either form.
const MaxBytes = 4096

// Proto writes a reading. ReceivedAt is not on the wire.
func (r *Reading) Proto() *pb.InstrumentReading {
	return &pb.InstrumentReading{
		Instrument: r.Instrument, Kind: pb.InstrumentKind(r.Kind), Unit: r.Unit,
		ValueMilli: int64(r.Value), ResolutionMilli: int64(r.Resolution),
		CalibratedDate: date(r.CalibratedOn), CalibrationDueDate: date(r.CalibrationDue),
		Sequence: r.Sequence, MeasuredTime: stamp(r.MeasuredAt), SentTime: stamp(r.SentAt),
		Stable: r.Stable, Event: pb.InstrumentEvent(r.Event), StartEvent: r.StartEvent,
	}
}

// FromProto reads and checks a reading.
func FromProto(m *pb.InstrumentReading) (Reading, error) {
	if m == nil {
		return Reading{}, &FieldError{"reading", "absent", "one reading"}
	}
	// An enum from outside may hold any number; narrowing must not make it one
	// that is known.
	if m.Kind < 0 || int(m.Kind) >= len(kindNames) {
		return Reading{}, &FieldError{"kind", fmt.Sprint(int32(m.Kind)), "scale, timer, thermometer"}
	}
	if m.Event < 0 || m.Event > pb.InstrumentEvent(Stop) {
		return Reading{}, &FieldError{"event", fmt.Sprint(int32(m.Event)), "none, tare, start, stop"}
	}
	r := Reading{
		Instrument: m.Instrument, Kind: Kind(m.Kind), Unit: m.Unit, Value: drink.Milli(m.ValueMilli), Resolution: drink.Milli(m.ResolutionMilli),
		Sequence: m.Sequence, Stable: m.Stable, Event: Event(m.Event), StartEvent: m.StartEvent,
	}
	var err error
	if r.CalibratedOn, err = undate("calibrated_date", m.CalibratedDate); err != nil {
		return Reading{}, err
	}
	if r.CalibrationDue, err = undate("calibration_due_date", m.CalibrationDueDate); err != nil {
		return Reading{}, err
	}
	if r.MeasuredAt, err = unstamp("measured_time", m.MeasuredTime); err != nil {
		return Reading{}, err
	}
	if r.SentAt, err = unstamp("sent_time", m.SentTime); err != nil {
		return Reading{}, err
	}
	return r, r.Check()
}

// Encode writes the protobuf form.
func (r *Reading) Encode() ([]byte, error) { return proto.Marshal(r.Proto()) }

// Decode reads the protobuf form.
func Decode(b []byte) (Reading, error) {
	if len(b) > MaxBytes {
		return Reading{}, tooLong(b)
	}
	var m pb.InstrumentReading
	if err := proto.Unmarshal(b, &m); err != nil {
		return Reading{}, fmt.Errorf("instrument reading: not protobuf: %w", err)
	}
	return FromProto(&m)
}

// EncodeJSON writes the JSON form: protobuf's own, with the field names of the
// .proto file.
func (r *Reading) EncodeJSON() ([]byte, error) {
	return protojson.MarshalOptions{UseProtoNames: true}.Marshal(r.Proto())
}

// DecodeJSON reads the JSON form. A field that is not known is refused.
func DecodeJSON(b []byte) (Reading, error) {
	if len(b) > MaxBytes {
		return Reading{}, tooLong(b)
	}
	var m pb.InstrumentReading
	if err := (protojson.UnmarshalOptions{RecursionLimit: 8}).Unmarshal(b, &m); err != nil {
		return Reading{}, fmt.Errorf("instrument reading: not its JSON form: %w", err)
	}
	return FromProto(&m)
}

// DecodeAny reads either form: what begins with a brace is JSON. A protobuf
// reading cannot, since its first byte is a field's tag and 0x7b would be one of
// wire type 3, a group.
func DecodeAny(b []byte) (Reading, error) {
	for _, c := range b {
		switch c {
		case ' ', '\t', '\r', '\n':
			continue
		case '{':
			return DecodeJSON(b)
		}
		break
	}
	return Decode(b)
}

func tooLong(b []byte) error {
	return &FieldError{"reading", fmt.Sprintf("%d bytes", len(b)), fmt.Sprintf("at most %d", MaxBytes)}
}

const topicHead, topicTail = "samecup/instrument/", "/reading"

// TopicFilter subscribes to the readings of all instruments of a station over
// MQTT.
const TopicFilter = topicHead + "+" + topicTail

// Topic is the MQTT topic that an instrument publishes its readings on.
func Topic(instrument string) string { return topicHead + instrument + topicTail }

// ParseTopic returns the instrument that a topic belongs to. Take a reading only
// when it names the same.
func ParseTopic(topic string) (string, error) {
	id, head := strings.CutPrefix(topic, topicHead)
	id, tail := strings.CutSuffix(id, topicTail)
	if !head || !tail || !isSlug(id) {
		return "", &FieldError{"topic", fmt.Sprintf("%.120q", topic), Topic("<id>")}
	}
	return id, nil
}

func date(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.DateOnly)
}

func undate(field, s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.DateOnly, s)
	if err != nil || t.Year() < 1970 {
		return time.Time{}, &FieldError{field, fmt.Sprintf("%.40q", s), "a date such as 2026-11-02, or empty"}
	}
	return t, nil
}

func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

func unstamp(field string, ts *timestamppb.Timestamp) (time.Time, error) {
	if ts == nil {
		return time.Time{}, nil
	}
	if err := ts.CheckValid(); err != nil || ts.AsTime().Year() < 1970 {
		return time.Time{}, &FieldError{field, fmt.Sprintf("%d s", ts.Seconds), "a time from 1970 to 9999, or absent"}
	}
	return ts.AsTime(), nil
}
