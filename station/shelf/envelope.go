package shelf

import (
	"fmt"

	"samecup.example/samecup/internal/release"
)

// Envelope reads a held release as it was signed, off the disk.
func (s *Shelf) Envelope(number uint64) ([]byte, error) {
	raw, err := readBounded(s.path(number, releaseSuffix), release.MaxEnvelopeBytes)
	if err != nil {
		return nil, fmt.Errorf("read release %d: %w", number, err)
	}
	return raw, nil
}
