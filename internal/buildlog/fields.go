package buildlog

import (
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"

	"samecup.example/samecup/internal/drink"
)

// text reads a string of least to MaxText bytes without control characters.
func (d *decoder) text(into *string, least int) *LineError {
	allowed := "text of at most 128 bytes without control characters"
	if least > 0 {
		allowed = "text of 1 to 128 bytes without control characters"
	}
	at := d.s.pos
	b, ok := d.s.str()
	if !ok {
		return d.refuse(allowed)
	}
	if len(b) < least || len(b) > MaxText || strings.ContainsFunc(string(b), unicode.IsControl) {
		d.s.pos = at
		return d.refuse(allowed)
	}
	*into = d.intern(b)
	return nil
}

// intern makes a string of b, the same one for the same bytes.
func (d *decoder) intern(b []byte) string {
	if s, ok := d.known[string(b)]; ok {
		return s
	}
	s := string(b)
	if d.known != nil && len(d.known) < maxKnown {
		d.known[s] = s
	}
	return s
}

// slug reads a site's or station's name, which must fit a bus subject.
func (d *decoder) slug(into *string) *LineError {
	const allowed = "1 to 64 of a to z, 0 to 9 and -"
	at := d.s.pos
	b, ok := d.s.str()
	bad := !ok || len(b) == 0 || len(b) > MaxSlug
	for _, c := range b {
		bad = bad || !(c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-')
	}
	if bad {
		d.s.pos = at
		return d.refuse(allowed)
	}
	*into = d.intern(b)
	return nil
}

// uuid reads a UUID in its usual form and keeps it in lower case, since ids
// are compared as text.
func (d *decoder) uuid(into *string) *LineError {
	at := d.s.pos
	b, ok := d.s.str()
	bad := !ok || len(b) != 36
	for i, c := range b {
		if i == 8 || i == 13 || i == 18 || i == 23 {
			bad = bad || c != '-'
			continue
		}
		bad = bad || !(c >= '0' && c <= '9' || c >= 'a' && c <= 'f' || c >= 'A' && c <= 'F')
	}
	if bad {
		d.s.pos = at
		return d.refuse("a UUID, 8-4-4-4-12 hexadecimal digits")
	}
	*into = strings.ToLower(string(b))
	return nil
}

func (d *decoder) boolean(into *bool) *LineError {
	d.s.space()
	switch rest := d.s.data[d.s.pos:]; {
	case strings.HasPrefix(string(rest[:min(4, len(rest))]), "true"):
		*into = true
		d.s.pos += 4
	case strings.HasPrefix(string(rest[:min(5, len(rest))]), "false"):
		*into = false
		d.s.pos += 5
	default:
		return d.refuse("true or false")
	}
	return nil
}

// time reads an RFC 3339 time and keeps it in UTC.
func (d *decoder) time(into *time.Time) *LineError {
	const allowed = "a time as RFC 3339 has it, 2026-11-02T08:15:00Z, in the years 1 to 9999"
	at := d.s.pos
	b, ok := d.s.str()
	if !ok || len(b) > 40 {
		d.s.pos = at
		return d.refuse(allowed)
	}
	t, err := time.Parse(time.RFC3339Nano, string(b))
	if t = t.UTC(); err != nil || t.Year() < 1 || t.Year() > 9999 {
		d.s.pos = at
		return d.refuse(allowed)
	}
	*into = t
	return nil
}

func (d *decoder) release(into *uint64) *LineError {
	at := d.s.pos
	text, ok := d.s.number()
	if ok {
		var err error
		if *into, err = strconv.ParseUint(string(text), 10, 64); err == nil {
			return nil
		}
	}
	d.s.pos = at
	return d.refuse("a whole number, 0 or more")
}

func (d *decoder) count(into *int, least int) *LineError {
	at := d.s.pos
	text, ok := d.s.number()
	if ok {
		n, err := strconv.Atoi(string(text))
		if err == nil && n >= least && n <= MaxCount && text[0] != '-' {
			*into = n
			return nil
		}
	}
	d.s.pos = at
	return d.refuse(fmt.Sprintf("a whole number from %d to %d", least, MaxCount))
}

// decimal reads a number with at most three decimals, digit by digit: no
// float comes between the log and the tolerance.
func (d *decoder) decimal(into *drink.Milli, least, most drink.Milli) *LineError {
	at := d.s.pos
	text, ok := d.s.number()
	if ok {
		if m, exact := milli(text); exact && m >= least && m <= most {
			*into = m
			return nil
		}
	}
	d.s.pos = at
	return d.refuse(fmt.Sprintf("a plain decimal number from %s to %s with at most 3 decimals", least, most))
}

// milli turns the text of a JSON number into thousandths; false where it has
// an exponent, too many decimals or digits.
func milli(text []byte) (drink.Milli, bool) {
	digits := text
	if digits[0] == '-' {
		digits = digits[1:]
	}
	var m drink.Milli
	decimals := -1
	for _, c := range digits {
		switch {
		case c == '.':
			decimals = 0
			continue
		case c < '0' || c > '9' || decimals == 3 || m > drink.MaxMilli:
			return 0, false
		}
		m = m*10 + drink.Milli(c-'0')
		if decimals >= 0 {
			decimals++
		}
	}
	for ; decimals < 3; decimals++ {
		if decimals < 0 {
			decimals = 0
		}
		m *= 10
	}
	if text[0] == '-' {
		m = -m
	}
	return m, true
}

// list joins names for a message.
func list(names []string) string { return strings.Join(names, ", ") }
