package authority

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"samecup.example/samecup/internal/govern"
)

// manifest names the files of a book by their SHA-256. Its own digest is that
// of the content: a draft's etag, an edition's Content.
type manifest struct {
	Files []manifestFile `json:"files"`
}

type manifestFile struct {
	Path   string        `json:"path"`
	Digest govern.Digest `json:"sha256"`
}

// sources keeps a book's files, each once whoever else has it, and returns the
// digest of the whole.
func (t *turn) sources(files map[string][]byte) (govern.Digest, error) {
	var m manifest
	for _, path := range slices.Sorted(maps.Keys(files)) {
		m.Files = append(m.Files, manifestFile{Path: path, Digest: t.blob(files[path])})
	}
	body, err := json.Marshal(m)
	if err != nil {
		return govern.Digest{}, fmt.Errorf("list the sources: %w", err)
	}
	return t.blob(body), nil
}

// loadSources reads the files that sources kept.
func (s *Service) loadSources(ctx context.Context, content govern.Digest) (map[string][]byte, error) {
	body, err := s.store.Blob(ctx, content)
	if err != nil {
		return nil, err
	}
	var m manifest
	if err := json.Unmarshal(body, &m); err != nil {
		return nil, fmt.Errorf("read the list of sources %s: %w", content, err)
	}
	files := make(map[string][]byte, len(m.Files))
	for _, f := range m.Files {
		if files[f.Path], err = s.store.Blob(ctx, f.Digest); err != nil {
			return nil, fmt.Errorf("%s: %w", f.Path, err)
		}
	}
	return files, nil
}
