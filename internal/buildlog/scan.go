package buildlog

import (
	"bytes"
	"strings"
	"unicode/utf8"
)

// scanner walks one line of JSON. It is hand-written because the standard
// decoder matches keys whatever their case, lets the last of two equal keys
// win, mends broken UTF-8 in silence and cannot name the field that was wrong.
type scanner struct {
	data []byte
	pos  int
	// scratch holds the last string that had escapes.
	scratch []byte
}

func (s *scanner) space() {
	for s.pos < len(s.data) {
		switch s.data[s.pos] {
		case ' ', '\t', '\r', '\n':
			s.pos++
		default:
			return
		}
	}
}

// take skips space and consumes c if it is next.
func (s *scanner) take(c byte) bool {
	s.space()
	if s.pos < len(s.data) && s.data[s.pos] == c {
		s.pos++
		return true
	}
	return false
}

// rest is what stands at the scanner, cut for an error message.
func (s *scanner) rest() string {
	s.space()
	r := s.data[s.pos:]
	if len(r) == 0 {
		return "end of line"
	}
	// The first byte may itself be a mark, so the value ends at a later one.
	end := bytes.IndexAny(r[1:], ",]}") + 1
	switch r[0] {
	case ',', ']', '}':
		end = 1
	case '{', '[':
		end = len(r)
	case '"':
		if end = bytes.IndexByte(r[1:], '"') + 1; end > 0 {
			end++
		}
	}
	if end <= 0 {
		end = len(r)
	}
	return clip(r[:end])
}

// clip makes outside bytes fit to stand in an error message.
func clip(b []byte) string {
	const most = 48
	tail := ""
	if len(b) > most {
		b, tail = b[:most], "…"
	}
	return strings.ToValidUTF8(string(b), "\uFFFD") + tail
}

// number consumes a JSON number and returns its text.
func (s *scanner) number() ([]byte, bool) {
	s.space()
	start := s.pos
	if s.peek() == '-' {
		s.pos++
	}
	switch c := s.peek(); {
	case c == '0':
		s.pos++
		if c := s.peek(); c >= '0' && c <= '9' {
			s.pos = start
			return nil, false
		}
	case c >= '1' && c <= '9':
		s.digits()
	default:
		s.pos = start
		return nil, false
	}
	if s.peek() == '.' {
		s.pos++
		if s.digits() == 0 {
			s.pos = start
			return nil, false
		}
	}
	if c := s.peek(); c == 'e' || c == 'E' {
		s.pos++
		if c := s.peek(); c == '+' || c == '-' {
			s.pos++
		}
		if s.digits() == 0 {
			s.pos = start
			return nil, false
		}
	}
	return s.data[start:s.pos], true
}

func (s *scanner) peek() byte {
	if s.pos < len(s.data) {
		return s.data[s.pos]
	}
	return 0
}

func (s *scanner) digits() int {
	start := s.pos
	for c := s.peek(); c >= '0' && c <= '9'; c = s.peek() {
		s.pos++
	}
	return s.pos - start
}

// str consumes a JSON string. The result is valid until the next call. On
// failure the scanner stays at the opening quote.
func (s *scanner) str() ([]byte, bool) {
	s.space()
	if s.peek() != '"' {
		return nil, false
	}
	for i := s.pos + 1; i < len(s.data); i++ {
		switch c := s.data[i]; {
		case c == '"':
			text := s.data[s.pos+1 : i]
			s.pos = i + 1
			return text, true
		case c == '\\':
			return s.escaped(i)
		case c < 0x20:
			return nil, false
		}
	}
	return nil, false
}

// escaped goes on with a string whose first escape is at i.
func (s *scanner) escaped(i int) ([]byte, bool) {
	out := append(s.scratch[:0], s.data[s.pos+1:i]...)
	for i < len(s.data) {
		c := s.data[i]
		switch {
		case c == '"':
			s.pos, s.scratch = i+1, out
			return out, true
		case c < 0x20:
			return nil, false
		case c != '\\':
			out = append(out, c)
			i++
			continue
		}
		if i+1 >= len(s.data) {
			return nil, false
		}
		if at := strings.IndexByte(`"\/bfnrt`, s.data[i+1]); at >= 0 {
			out = append(out, "\"\\/\b\f\n\r\t"[at])
			i += 2
			continue
		}
		r, n := unicodeEscape(s.data[i:])
		if n == 0 {
			return nil, false
		}
		out = utf8.AppendRune(out, r)
		i += n
	}
	return nil, false
}

// unicodeEscape reads \uXXXX or a surrogate pair and returns the rune and the
// bytes used; none for anything else, half a pair included.
func unicodeEscape(b []byte) (rune, int) {
	r, ok := hex4(b)
	if !ok {
		return 0, 0
	}
	if r < 0xD800 || r > 0xDFFF {
		return r, 6
	}
	low, ok := hex4(b[6:])
	if !ok || r > 0xDBFF || low < 0xDC00 || low > 0xDFFF {
		return 0, 0
	}
	return 0x10000 + (r-0xD800)<<10 + (low - 0xDC00), 12
}

func hex4(b []byte) (rune, bool) {
	if len(b) < 6 || b[0] != '\\' || b[1] != 'u' {
		return 0, false
	}
	var r rune
	for _, c := range b[2:6] {
		at := strings.IndexByte("0123456789abcdef", c|0x20)
		if c <= '9' {
			at = strings.IndexByte("0123456789", c)
		}
		if at < 0 {
			return 0, false
		}
		r = r<<4 | rune(at)
	}
	return r, true
}
