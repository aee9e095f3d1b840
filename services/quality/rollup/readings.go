package rollup

import (
	"errors"

	"google.golang.org/protobuf/encoding/protowire"
)

// reading is what a roll-up needs of a pb.Reading.
type reading struct {
	check             string
	occurrence        int32
	value, resolution int64
}

var errRecord = errors.New("the record is not a build record")

// Numbers of fields in build.proto; a test holds them against the descriptors.
const (
	fieldBuild      = 1
	fieldReadings   = 13
	fieldCheck      = 1
	fieldOccurrence = 2
	fieldValue      = 3
	fieldResolution = 5
)

// readings reads the readings of a marshalled pb.BuildRecord and passes over
// all else, which costs a fifth of reading the whole message.
func readings(record []byte) ([]reading, error) {
	var out []reading
	err := fields(record, func(f field, build []byte, _ uint64) error {
		if f != (field{fieldBuild, protowire.BytesType}) {
			return nil
		}
		return fields(build, func(f field, text []byte, _ uint64) error {
			if f != (field{fieldReadings, protowire.BytesType}) {
				return nil
			}
			var r reading
			err := fields(text, func(f field, text []byte, v uint64) error {
				switch f {
				case field{fieldCheck, protowire.BytesType}:
					r.check = string(text)
				case field{fieldOccurrence, protowire.VarintType}:
					r.occurrence = int32(v)
				case field{fieldValue, protowire.VarintType}:
					r.value = int64(v)
				case field{fieldResolution, protowire.VarintType}:
					r.resolution = int64(v)
				}
				return nil
			})
			out = append(out, r)
			return err
		})
	})
	return out, err
}

// field is a field's number and how it was written: by protobuf's rules, one of
// another wire type than its own is an unknown field.
type field struct {
	n   protowire.Number
	typ protowire.Type
}

// fields calls fn with each field of a message: its bytes or its varint.
func fields(b []byte, fn func(f field, text []byte, v uint64) error) error {
	for len(b) > 0 {
		num, typ, n := protowire.ConsumeTag(b)
		if n < 0 {
			return errRecord
		}
		b = b[n:]
		var text []byte
		var v uint64
		switch typ {
		case protowire.BytesType:
			text, n = protowire.ConsumeBytes(b)
		case protowire.VarintType:
			v, n = protowire.ConsumeVarint(b)
		default:
			n = protowire.ConsumeFieldValue(num, typ, b)
		}
		if n < 0 {
			return errRecord
		}
		b = b[n:]
		if err := fn(field{num, typ}, text, v); err != nil {
			return err
		}
	}
	return nil
}
