package drink

import (
	"fmt"
	"slices"
	"strings"
)

// Level says what a problem means for a release.
type Level uint8

// Errors block a release, cautions must be acknowledged, notes inform.
const (
	Note Level = iota + 1
	Caution
	Error
)

// String is "error", "caution" or "note".
func (l Level) String() string {
	switch l {
	case Error:
		return "error"
	case Caution:
		return "caution"
	case Note:
		return "note"
	}
	return "unset"
}

// MarshalText writes the level as its word.
func (l Level) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// Problem is one thing to know about a book.
type Problem struct {
	Level Level `json:"level"`
	// File is the path inside the book, Line counts from 1; zero if not known.
	File string `json:"file,omitempty"`
	Line int    `json:"line,omitempty"`
	// Field is the path of the field, such as "servings[0].vessel".
	Field string `json:"field,omitempty"`
	// Value is what stands there, Fault what is wrong with it.
	Value string `json:"value,omitempty"`
	Fault string `json:"fault"`
	// Allowed says what may stand there, Mend what to do.
	Allowed string `json:"allowed,omitempty"`
	Mend    string `json:"mend,omitempty"`
	// Unreadable is true when the file could not be read as a book at all.
	Unreadable bool `json:"unreadable,omitempty"`
}

// String is one line: place, field, value, fault, what is allowed, the mend.
func (p Problem) String() string {
	var b strings.Builder
	if p.File != "" {
		b.WriteString(p.File)
		if p.Line > 0 {
			fmt.Fprintf(&b, ":%d", p.Line)
		}
		b.WriteString(": ")
	}
	if p.Field != "" {
		b.WriteString(p.Field + ": ")
	}
	if p.Value != "" {
		fmt.Fprintf(&b, "%q ", p.Value)
	}
	b.WriteString(p.Fault)
	if p.Allowed != "" && !strings.Contains(p.Mend, p.Allowed) {
		b.WriteString("; allowed: " + p.Allowed)
	}
	if p.Mend != "" {
		b.WriteString("; " + p.Mend)
	}
	return b.String()
}

// Problems is a list of problems in the order found.
type Problems []Problem

// At returns those of one level.
func (ps Problems) At(level Level) Problems {
	var out Problems
	for _, p := range ps {
		if p.Level == level {
			out = append(out, p)
		}
	}
	return out
}

// HasErrors is true when something blocks a release.
func (ps Problems) HasErrors() bool {
	return slices.ContainsFunc(ps, func(p Problem) bool { return p.Level == Error })
}

// Unreadable is true when a file could not be read as a book at all.
func (ps Problems) Unreadable() bool {
	return slices.ContainsFunc(ps, func(p Problem) bool { return p.Unreadable })
}

// Err is nil without errors, else one error that quotes the first and counts
// the rest.
func (ps Problems) Err() error {
	errs := ps.At(Error)
	switch len(errs) {
	case 0:
		return nil
	case 1:
		return fmt.Errorf("book: %s", errs[0])
	}
	return fmt.Errorf("book: %s (and %d more)", errs[0], len(errs)-1)
}
