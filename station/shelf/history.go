package shelf

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"time"

	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/station/durable"
)

// maxHistory is far above what a full history takes, bytes.
const maxHistory = 64 << 10

// past is an order of the history as it stands on disk. It is not signed: it
// only says which verified release judged builds of a time gone by, or stays
// in force while nothing newer can be read.
type past struct {
	Release uint64    `json:"release"`
	Edition uint64    `json:"edition,omitempty"`
	Scope   string    `json:"scope"`
	Digest  []byte    `json:"digest"`
	Start   time.Time `json:"start"`
	Keys    []string  `json:"keys"`
}

func (s *Shelf) writeHistory() error {
	out := make([]past, len(s.history))
	for i, o := range s.history {
		out[i] = past{Release: o.Release, Edition: o.Edition, Scope: o.Scope, Digest: o.Digest[:], Start: o.Start.UTC(), Keys: o.Keys}
	}
	raw, err := json.Marshal(out)
	if err != nil {
		return fmt.Errorf("write the history of orders: %w", err)
	}
	return durable.WriteFile(filepath.Join(s.cfg.Dir, historyFile), append(raw, '\n'))
}

// loadHistory leaves out what a revoked key ordered.
func (s *Shelf) loadHistory(trust *release.Trust) error {
	path := filepath.Join(s.cfg.Dir, historyFile)
	raw, err := readBounded(path, maxHistory)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	var in []past
	if err == nil {
		err = json.Unmarshal(raw, &in)
	}
	if err == nil && len(in) > KeepOlder+1 {
		err = fmt.Errorf("%d orders; at most %d are taken", len(in), KeepOlder+1)
	}
	var history []Order
	for i, p := range in {
		o := Order{Release: p.Release, Edition: p.Edition, Scope: p.Scope, Start: p.Start, Keys: p.Keys}
		if copy(o.Digest[:], p.Digest) != len(o.Digest) || len(p.Digest) != len(o.Digest) || len(p.Keys) == 0 {
			err = fmt.Errorf("order %d: want a digest of %d bytes and the keys that signed it", i, len(o.Digest))
			break
		}
		if i > 0 && p.Start.Before(in[i-1].Start) {
			err = fmt.Errorf("order %d: before the one above it", i)
			break
		}
		if !trust.Dropped(p.Keys) {
			history = append(history, o)
		}
	}
	if err != nil {
		return s.putAside(path, err)
	}
	s.history = history
	return nil
}
