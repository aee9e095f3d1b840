// Package wire turns the domain's values into protobuf messages and back, in
// this one place.
//
// Reading from the wire checks what the domain takes for granted (valid text,
// bounded sizes, known codes), so that what comes out can be used as it is.
package wire

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// FieldError tells which field of a message cannot be used and why.
type FieldError struct {
	// Field is the path in the message, such as "readings[2].value_milli".
	Field string
	// Value as received, shortened.
	Value string
	// Allowed says what would have been right.
	Allowed string
}

func (e *FieldError) Error() string {
	return fmt.Sprintf("%s: %s is not allowed; %s", e.Field, e.Value, e.Allowed)
}

const maxShown = 40

func bad(field string, value any, allowed string) *FieldError {
	v := fmt.Sprintf("%v", value)
	if s, ok := value.(string); ok {
		v = fmt.Sprintf("%q", s)
	}
	if len(v) > maxShown {
		v = strings.ToValidUTF8(v[:maxShown], "") + "…"
	}
	return &FieldError{Field: field, Value: v, Allowed: allowed}
}

// text checks a string's length in bytes and its encoding.
func text(field, s string, most int) error {
	if len(s) > most {
		return bad(field, s, fmt.Sprintf("write at most %d bytes", most))
	}
	if !utf8.ValidString(s) {
		return bad(field, s, "write UTF-8")
	}
	return nil
}

// stamp writes a time; the zero time is absent.
func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// moment reads a time; absent is the zero time.
func moment(field string, ts *timestamppb.Timestamp) (time.Time, error) {
	if ts == nil {
		return time.Time{}, nil
	}
	if err := ts.CheckValid(); err != nil {
		return time.Time{}, bad(field, ts.String(), "write a time between the years 1 and 9999")
	}
	return ts.AsTime(), nil
}

// limit writes a tolerance's limit; none is absent.
func limit(m, none drink.Milli) *int64 {
	if m == none {
		return nil
	}
	v := int64(m)
	return &v
}

func limitFrom(p *int64, none drink.Milli) drink.Milli {
	if p == nil {
		return none
	}
	return drink.Milli(*p)
}

func bounded(field string, v int64) (drink.Milli, error) {
	if m := drink.Milli(v); m >= -drink.MaxMilli && m <= drink.MaxMilli {
		return m, nil
	}
	return 0, bad(field, v, fmt.Sprintf("write thousandths of the unit between -%d and %d", drink.MaxMilli, drink.MaxMilli))
}

func mapSlice[A, B any](in []A, f func(*A) B) []B {
	if len(in) == 0 {
		return nil
	}
	out := make([]B, len(in))
	for i := range in {
		out[i] = f(&in[i])
	}
	return out
}

func substitutionToProto(s *drink.Substitution) *pb.Substitution {
	return &pb.Substitution{From: s.From, To: s.To}
}
