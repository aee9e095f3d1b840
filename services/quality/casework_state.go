package quality

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/watch"
	"samecup.example/samecup/services/quality/store"
)

// saved is what the store holds, as digests, to find what changed.
type saved struct {
	version, cursor int64
	parts, cases    map[string][sha256.Size]byte
}

const (
	watchPart  = "watch"
	recentPart = "recent"
	passedPart = "passed"
	// partSep is escaped in names, so that one splits where it was joined.
	partSep = "\x1f"
)

// splitParts cuts a snapshot of the watch into the members of its state's
// objects, so that a station whose builds did not come is not written again.
func splitParts(snapshot []byte) (map[string][]byte, error) {
	out := map[string][]byte{}
	var cut func(name string, data []byte, depth int) error
	cut = func(name string, data []byte, depth int) error {
		if depth == 0 || len(data) == 0 || data[0] != '{' {
			out[name] = data
			return nil
		}
		var members map[string]json.RawMessage
		if err := json.Unmarshal(data, &members); err != nil {
			return fmt.Errorf("read the watch's snapshot at %q: %w", name, err)
		}
		if len(members) == 0 {
			out[name] = data
		}
		for k, v := range members {
			if err := cut(name+partSep+url.PathEscape(k), v, depth-1); err != nil {
				return err
			}
		}
		return nil
	}
	// snapshot, state, table of the state: three objects deep.
	return out, cut(watchPart, snapshot, 3)
}

// joinParts is the inverse of splitParts; nil where there are none.
func joinParts(parts map[string][]byte) ([]byte, error) {
	tree := map[string]any{}
	for name, body := range parts {
		path := strings.Split(name, partSep)
		if path[0] != watchPart {
			continue
		}
		for i := range path {
			var err error
			if path[i], err = url.PathUnescape(path[i]); err != nil {
				return nil, fmt.Errorf("read the name %q of a part of the watch: %w", name, err)
			}
		}
		at := tree
		for _, k := range path[:len(path)-1] {
			next, ok := at[k].(map[string]any)
			if !ok {
				next = map[string]any{}
				at[k] = next
			}
			at = next
		}
		at[path[len(path)-1]] = json.RawMessage(body)
	}
	if tree[watchPart] == nil {
		return nil, nil
	}
	data, err := json.Marshal(tree[watchPart])
	if err != nil {
		return nil, fmt.Errorf("put the watch's snapshot together: %w", err)
	}
	return data, nil
}

// casesMember holds the single cases in a snapshot of them.
const casesMember = "cases"

// splitCases takes a snapshot of cases apart: each case by its id, and the rest.
func splitCases(snapshot []byte) (head []byte, bodies map[string][]byte, err error) {
	var members map[string]json.RawMessage
	if err := json.Unmarshal(snapshot, &members); err != nil {
		return nil, nil, fmt.Errorf("read the snapshot of cases: %w", err)
	}
	var list []json.RawMessage
	if err := json.Unmarshal(members[casesMember], &list); err != nil {
		return nil, nil, fmt.Errorf("read the snapshot's cases: %w", err)
	}
	bodies = make(map[string][]byte, len(list))
	for _, body := range list {
		var k struct {
			ID string `json:"id"`
		}
		if err := json.Unmarshal(body, &k); err != nil {
			return nil, nil, fmt.Errorf("read a case of the snapshot: %w", err)
		}
		bodies[k.ID] = body
	}
	delete(members, casesMember)
	if head, err = json.Marshal(members); err != nil {
		return nil, nil, fmt.Errorf("write what the cases share: %w", err)
	}
	return head, bodies, nil
}

// joinCases makes cases of what splitCases took apart.
func joinCases(head []byte, bodies ...[]byte) (*watch.Cases, error) {
	if len(head) == 0 {
		return watch.NewCases(), nil
	}
	var members map[string]json.RawMessage
	if err := json.Unmarshal(head, &members); err != nil {
		return nil, fmt.Errorf("read what the cases share: %w", err)
	}
	list := make([]json.RawMessage, len(bodies))
	for i, b := range bodies {
		list[i] = b
	}
	var err error
	if members[casesMember], err = json.Marshal(list); err != nil {
		return nil, fmt.Errorf("put the cases together: %w", err)
	}
	data, err := json.Marshal(members)
	if err != nil {
		return nil, fmt.Errorf("put the cases together: %w", err)
	}
	return watch.RestoreCases(data)
}

// load reads what was saved.
func (w *caseworker) load(ctx context.Context) error {
	st, err := w.db.LoadCasework(ctx)
	if err != nil {
		return err
	}
	for name, body := range st.Parts {
		if st.Parts[name], err = unpack(body); err != nil {
			return fmt.Errorf("%q: %w", name, err)
		}
	}
	snapshot, err := joinParts(st.Parts)
	if err != nil {
		return err
	}
	var wt *watch.Watch
	if snapshot == nil {
		wt, err = watch.New(watch.Config{})
	} else {
		wt, err = watch.Restore(snapshot)
	}
	if err != nil {
		return err
	}
	bodies := make([][]byte, len(st.Cases))
	w.saved = saved{version: st.Version, cursor: st.Cursor, parts: map[string][sha256.Size]byte{}, cases: map[string][sha256.Size]byte{}}
	for i := range st.Cases {
		bodies[i] = st.Cases[i].Body
		w.saved.cases[st.Cases[i].ID] = sha256.Sum256(bodies[i])
	}
	if w.cases, err = joinCases(st.Head, bodies...); err != nil {
		return err
	}
	w.recent.fill()
	for name, body := range st.Parts {
		w.saved.parts[name] = sha256.Sum256(body)
		if kind, key, _ := strings.Cut(name, partSep); kind == recentPart {
			var list []seen
			if err := json.Unmarshal(body, &list); err != nil {
				return fmt.Errorf("read the last builds of %s: %w", key, err)
			}
			w.recent.list[key] = list
		}
	}
	w.passed = passed{}
	if body, ok := st.Parts[passedPart]; ok {
		if err := json.Unmarshal(body, &w.passed); err != nil {
			return fmt.Errorf("read which builds were passed over: %w", err)
		}
	}
	w.watch, w.cursor, w.last = wt, st.Cursor, time.Now()
	return nil
}

// save writes all that changed since the last save in one transaction.
func (w *caseworker) save(ctx context.Context) error {
	begun := time.Now()
	c, parts, err := w.change()
	if err != nil {
		return err
	}
	version, err := w.db.SaveCasework(ctx, c)
	if err != nil {
		return err
	}
	w.saved.version, w.saved.cursor = version, w.cursor
	maps.Copy(w.saved.parts, parts)
	for name, body := range c.Parts {
		if body == nil {
			delete(w.saved.parts, name)
		}
	}
	for i := range c.Cases {
		w.saved.cases[c.Cases[i].ID] = sha256.Sum256(c.Cases[i].Body)
	}
	for _, id := range c.Forgotten {
		delete(w.saved.cases, id)
	}
	clear(w.recent.dirty)
	w.builds, w.unjudged, w.judged, w.signals = 0, nil, nil, nil
	w.last = time.Now()
	w.cost = w.last.Sub(begun)
	return nil
}

// change is what differs from what is saved, with the digests of its parts.
func (w *caseworker) change() (*store.CaseChange, map[string][sha256.Size]byte, error) {
	c := &store.CaseChange{Version: w.saved.version, Cursor: w.cursor, Parts: map[string][]byte{},
		Signals: w.signals, Judged: w.judged, Unjudged: w.unjudged}
	snapshot, err := w.watch.Snapshot()
	if err != nil {
		return nil, nil, err
	}
	parts, err := splitParts(snapshot)
	if err != nil {
		return nil, nil, err
	}
	var p packer
	digests := map[string][sha256.Size]byte{}
	put := func(name string, body []byte) (err error) {
		d := sha256.Sum256(body)
		if old, ok := w.saved.parts[name]; !ok || old != d {
			digests[name] = d
			c.Parts[name], err = p.pack(body)
		}
		return err
	}
	for name, body := range parts {
		if err := put(name, body); err != nil {
			return nil, nil, err
		}
	}
	for name := range w.saved.parts {
		if _, ok := parts[name]; !ok && strings.HasPrefix(name, watchPart+partSep) {
			c.Parts[name] = nil
		}
	}
	for key := range w.recent.dirty {
		body, err := json.Marshal(w.recent.list[key])
		if err != nil {
			return nil, nil, fmt.Errorf("write the last builds of %s: %w", key, err)
		}
		if err := put(recentPart+partSep+key, body); err != nil {
			return nil, nil, err
		}
	}
	body, err := json.Marshal(w.passed)
	if err != nil {
		return nil, nil, fmt.Errorf("write which builds were passed over: %w", err)
	}
	if err := put(passedPart, body); err != nil {
		return nil, nil, err
	}
	if snapshot, err = w.cases.Snapshot(); err != nil {
		return nil, nil, err
	}
	var bodies map[string][]byte
	if c.Head, bodies, err = splitCases(snapshot); err != nil {
		return nil, nil, err
	}
	for _, id := range slices.Sorted(maps.Keys(bodies)) {
		if old, ok := w.saved.cases[id]; ok && old == sha256.Sum256(bodies[id]) {
			continue
		}
		row, _, err := caseRow(bodies[id])
		if err != nil {
			return nil, nil, err
		}
		c.Cases = append(c.Cases, row)
	}
	for id := range w.saved.cases {
		if bodies[id] == nil {
			c.Forgotten = append(c.Forgotten, id)
		}
	}
	slices.Sort(c.Forgotten)
	return c, digests, nil
}
