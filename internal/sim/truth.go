package sim

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
)

// Truth is what really happened in one build. Only a final score may read it.
type Truth struct {
	BuildID string
	Site    string
	Station string
	Serving string
	// Fault is the word of a [Fault]; empty for a sound build.
	Fault string
	// Deviates follows from what was injected, never from a verdict.
	Deviates bool
}

// TruthFile takes truths down as JSON Lines. It is safe for concurrent use.
type TruthFile struct {
	mu  sync.Mutex
	f   *os.File
	buf *bufio.Writer
	enc *json.Encoder
}

// OpenTruth opens a truth file to add to, creating it if need be. What the
// caller must know to be on disk before going on, it flushes.
func OpenTruth(path string) (*TruthFile, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the truth file: %w", err)
	}
	buf := bufio.NewWriter(f)
	return &TruthFile{f: f, buf: buf, enc: json.NewEncoder(buf)}, nil
}

// Write adds one truth.
func (t *TruthFile) Write(truth Truth) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := t.enc.Encode(truth); err != nil {
		return fmt.Errorf("write the truth about build %s: %w", truth.BuildID, err)
	}
	return nil
}

// Flush hands what was written to the operating system.
func (t *TruthFile) Flush() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := t.buf.Flush(); err != nil {
		return fmt.Errorf("flush the truth file: %w", err)
	}
	return nil
}

// Close flushes and closes the file.
func (t *TruthFile) Close() error {
	return errors.Join(t.Flush(), t.f.Close())
}

// ReadTruth reads truths as JSON Lines to their end.
func ReadTruth(r io.Reader) ([]Truth, error) {
	dec := json.NewDecoder(r)
	dec.DisallowUnknownFields()
	var out []Truth
	for {
		var t Truth
		switch err := dec.Decode(&t); {
		case errors.Is(err, io.EOF):
			return out, nil
		case err != nil:
			return out, fmt.Errorf("read truth %d: %w", len(out)+1, err)
		}
		out = append(out, t)
	}
}
