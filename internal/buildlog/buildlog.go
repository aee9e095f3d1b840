// Package buildlog answers one question: which builds does this log hold?
//
// A build log is JSON Lines in UTF-8, one [drink.Build] a line; docs/build-log.md
// describes the form. The reader is strict, since what it lets pass is taken
// for measured fact: unknown and repeated fields, values beyond their bounds
// and numbers that do not fit thousandths are errors that name the field, the
// value and what is allowed.
package buildlog

import (
	"bufio"
	"errors"
	"fmt"
	"io"

	"samecup.example/samecup/internal/drink"
)

// Bounds of one line. Choices of ours, far above what a counter logs.
const (
	// MaxLine is the longest line in bytes.
	MaxLine = 1 << 20
	// MaxReadings and MaxSteps bound those lists, MaxList the others.
	MaxReadings = 256
	MaxSteps    = 256
	MaxList     = 32
	// MaxText is the longest text field in bytes, MaxSlug the longest site or
	// station.
	MaxText = 128
	MaxSlug = 64
	// MaxCount bounds shots and occurrences.
	MaxCount = 256
	// MaxAt bounds a step's time since the build began, s.
	MaxAt = 86_400
)

// LineError says what is wrong with one line. Reading can go on behind it.
type LineError struct {
	// Line counts from 1; 0 for a build parsed on its own.
	Line int
	// Field is the path of the field, such as readings[2].value; "line" where
	// no field is concerned.
	Field string
	// Value is what stands there, shortened; Allowed what may.
	Value, Allowed string
}

func (e *LineError) Error() string {
	at := e.Field
	switch {
	case e.Line > 0 && e.Field == "line":
		at = fmt.Sprintf("line %d", e.Line)
	case e.Line > 0:
		at = fmt.Sprintf("line %d: %s", e.Line, e.Field)
	}
	return fmt.Sprintf("%s: %s is not allowed; give %s", at, e.Value, e.Allowed)
}

// Reader reads builds line by line. It is not safe for concurrent use.
type Reader struct {
	in   *bufio.Reader
	line int
	long []byte
	dec  decoder
	err  error
}

// NewReader reads builds from r.
func NewReader(r io.Reader) *Reader {
	return &Reader{in: bufio.NewReaderSize(r, 64<<10), dec: decoder{known: make(map[string]string)}}
}

// Line is the number of the line last read, from 1.
func (r *Reader) Line() int { return r.line }

// Next reads the next build into b, whose slices are reused: clone what must
// outlive the next call. Blank lines are skipped. The error is io.EOF at the
// end; a *LineError for a line that is no build, after which Next goes on with
// the next line and b is not to be used; anything else ends the reading.
func (r *Reader) Next(b *drink.Build) error {
	for {
		line, err := r.readLine()
		if err != nil {
			return err
		}
		if blank(line) {
			continue
		}
		if err := r.dec.decode(line, b); err != nil {
			err.Line = r.line
			return err
		}
		return nil
	}
}

// readLine returns the next line without its end. What goes beyond MaxLine is
// passed over unread, so that garbage cannot fill the memory.
func (r *Reader) readLine() ([]byte, error) {
	if r.err != nil {
		return nil, r.err
	}
	r.line++
	part, err := r.in.ReadSlice('\n')
	if err == nil {
		return part[:len(part)-1], nil
	}
	r.long = r.long[:0]
	tooLong := false
	for {
		if tooLong = tooLong || len(r.long)+len(part) > MaxLine+1; !tooLong {
			r.long = append(r.long, part...)
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			break
		}
		part, err = r.in.ReadSlice('\n')
	}
	if err != nil {
		r.err = err
		if err != io.EOF {
			r.err = fmt.Errorf("reading line %d of the build log: %w", r.line, err)
			return nil, r.err
		}
		if len(r.long) == 0 && !tooLong {
			r.line--
			return nil, io.EOF
		}
	}
	line := r.long
	if n := len(line); n > 0 && line[n-1] == '\n' {
		line = line[:n-1]
	}
	if tooLong || len(line) > MaxLine {
		return nil, &LineError{Line: r.line, Field: "line", Value: "more than 1 MiB",
			Allowed: fmt.Sprintf("one build in at most %d bytes", MaxLine)}
	}
	return line, nil
}

func blank(line []byte) bool {
	for _, c := range line {
		if c != ' ' && c != '\t' && c != '\r' {
			return false
		}
	}
	return true
}

// Parse reads one build from one line into b, whose slices are reused. The
// error is a *LineError.
func Parse(line []byte, b *drink.Build) error {
	if len(line) > MaxLine {
		return &LineError{Field: "line", Value: "more than 1 MiB", Allowed: fmt.Sprintf("one build in at most %d bytes", MaxLine)}
	}
	d := decoder{}
	if err := d.decode(line, b); err != nil {
		return err
	}
	return nil
}

// Writer writes builds line by line. It is not safe for concurrent use.
type Writer struct {
	out io.Writer
	buf []byte
}

// NewWriter writes builds to w, one Write a build.
func NewWriter(w io.Writer) *Writer { return &Writer{out: w} }

// Write appends one build to the log.
func (w *Writer) Write(b *drink.Build) error {
	w.buf = append(AppendJSON(w.buf[:0], b), '\n')
	if _, err := w.out.Write(w.buf); err != nil {
		return fmt.Errorf("writing build %s to the log: %w", b.ID, err)
	}
	return nil
}
