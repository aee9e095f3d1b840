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
	err := fields(record, func(n protowire.Number, build []byte, _ uint64) error {
		if n != fieldBuild {
			return nil
		}
		return fields(build, func(n protowire.Number, text []byte, _ uint64) error {
			if n != fieldReadings {
				return nil
			}
			var r reading
			err := fields(text, func(n protowire.Number, text []byte, v uint64) error {
				switch n {
				case fieldCheck:
					r.check = string(text)
				case fieldOccurrence:
					r.occurrence = int32(v)
				case fieldValue:
					r.value = int64(v)
				case fieldResolution:
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

// fields calls fn with each field of a message: its bytes or its varint.
func fields(b []byte, fn func(n protowire.Number, text []byte, v uint64) error) error {
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
		if err := fn(num, text, v); err != nil {
			return err
		}
	}
	return nil
}
