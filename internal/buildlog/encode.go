package buildlog

import (
	"strconv"
	"time"
	"unicode/utf8"

	"samecup.example/samecup/internal/drink"
)

// AppendJSON appends the build as one line without its end. Empty optional
// fields are left out; step times are cut to milliseconds.
func AppendJSON(dst []byte, b *drink.Build) []byte {
	dst = appendText(append(dst, `{"build":`...), b.ID)
	dst = appendText(append(dst, `,"serving":`...), b.Serving)
	dst = strconv.AppendUint(append(dst, `,"release":`...), b.Release, 10)
	dst = appendText(append(dst, `,"site":`...), b.Site)
	dst = appendText(append(dst, `,"station":`...), b.Station)
	dst = appendTime(append(dst, `,"started":`...), b.StartedAt)
	dst = appendTime(append(dst, `,"finished":`...), b.FinishedAt)
	dst = appendText(append(dst, `,"vessel":`...), b.Vessel)
	dst = appendOptional(dst, `,"milk":`, b.Milk)
	dst = strconv.AppendInt(append(dst, `,"shots":`...), int64(b.Shots), 10)
	for i, g := range b.Garnish {
		dst = appendText(append(dst, opening(i, `,"garnish":[`)...), g)
	}
	dst = closing(dst, len(b.Garnish))
	if b.Sampled {
		dst = append(dst, `,"sampled":true`...)
	}
	for i := range b.Steps {
		s := &b.Steps[i]
		dst = appendText(append(append(dst, opening(i, `,"steps":[`)...), `{"step":`...), s.Step)
		dst = append(append(dst, `,"at":`...), drink.Milli(s.At.Milliseconds()).String()...)
		dst = append(dst, '}')
	}
	dst = closing(dst, len(b.Steps))
	for i := range b.Readings {
		dst = appendReading(append(dst, opening(i, `,"readings":[`)...), &b.Readings[i])
	}
	dst = closing(dst, len(b.Readings))
	for i, s := range b.Substitutions {
		dst = appendText(append(append(dst, opening(i, `,"substitutions":[`)...), `{"from":`...), s.From)
		dst = append(appendText(append(dst, `,"to":`...), s.To), '}')
	}
	dst = closing(dst, len(b.Substitutions))
	dst = appendOptional(dst, `,"by":`, b.By)
	dst = appendOptional(dst, `,"how":`, b.How)
	if b.StopList != 0 {
		dst = strconv.AppendUint(append(dst, `,"stop_list":`...), b.StopList, 10)
	}
	for i, l := range b.Lots {
		dst = appendText(append(dst, opening(i, `,"lots":[`)...), l)
	}
	dst = closing(dst, len(b.Lots))
	dst = appendOptional(dst, `,"corrects":`, b.Corrects)
	return append(dst, '}')
}

func appendReading(dst []byte, r *drink.Reading) []byte {
	dst = appendText(append(dst, `{"check":`...), r.Check)
	dst = strconv.AppendInt(append(dst, `,"n":`...), int64(r.Occurrence), 10)
	dst = append(append(dst, `,"value":`...), r.Value.String()...)
	dst = appendText(append(dst, `,"unit":`...), string(r.Unit))
	if r.Resolution != 0 {
		dst = append(append(dst, `,"resolution":`...), r.Resolution.String()...)
	}
	dst = appendOptional(dst, `,"instrument":`, r.Instrument)
	dst = appendOptionalTime(dst, `,"measured":`, r.MeasuredAt)
	dst = appendOptionalTime(dst, `,"entered":`, r.EnteredAt)
	dst = appendOptionalTime(dst, `,"received":`, r.ReceivedAt)
	return append(dst, '}')
}

// opening is what stands before a list's entry i.
func opening(i int, head string) string {
	if i == 0 {
		return head
	}
	return ","
}

func closing(dst []byte, n int) []byte {
	if n == 0 {
		return dst
	}
	return append(dst, ']')
}

func appendOptional(dst []byte, key, text string) []byte {
	if text == "" {
		return dst
	}
	return appendText(append(dst, key...), text)
}

func appendOptionalTime(dst []byte, key string, t time.Time) []byte {
	if t.IsZero() {
		return dst
	}
	return appendTime(append(dst, key...), t)
}

func appendTime(dst []byte, t time.Time) []byte {
	dst = t.UTC().AppendFormat(append(dst, '"'), time.RFC3339Nano)
	return append(dst, '"')
}

// appendText appends a JSON string; broken UTF-8 becomes U+FFFD.
func appendText(dst []byte, text string) []byte {
	const hex = "0123456789abcdef"
	dst = append(dst, '"')
	for i := 0; i < len(text); {
		c := text[i]
		switch {
		case c >= utf8.RuneSelf:
			r, n := utf8.DecodeRuneInString(text[i:])
			dst = utf8.AppendRune(dst, r)
			i += n
			continue
		case c == '"' || c == '\\':
			dst = append(dst, '\\', c)
		case c < 0x20:
			dst = append(dst, '\\', 'u', '0', '0', hex[c>>4], hex[c&15])
		default:
			dst = append(dst, c)
		}
		i++
	}
	return append(dst, '"')
}
