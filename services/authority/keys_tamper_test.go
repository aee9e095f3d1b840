package authority

import (
	"database/sql"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// TestARowThatWasChangedIsNeverSigned changes the stored release in the ways
// open to somebody who can write to the database and has no key.
func TestARowThatWasChangedIsNeverSigned(t *testing.T) {
	h := start(t)
	h.publish(t, request(bookFiles(t)))
	good, err := h.store.Envelope(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	change := func(f func(*pb.Envelope)) []byte {
		env := new(pb.Envelope)
		if err := proto.Unmarshal(good, env); err != nil {
			t.Fatal(err)
		}
		f(env)
		return must(proto.Marshal(env))(t)
	}
	otherBook := func(env *pb.Envelope) {
		rel := new(pb.Release)
		if err := proto.Unmarshal(env.Payload, rel); err != nil {
			t.Fatal(err)
		}
		rel.Book.Ingredients[0].Contains = nil
		rel.Book.Chain = "Somebody else"
		env.Payload = must(proto.MarshalOptions{Deterministic: true}.Marshal(rel))(t)
	}
	stranger := must(release.NewKey())(t)
	strangers := func() []byte {
		env, rel := new(pb.Envelope), new(pb.Release)
		if err := proto.Unmarshal(change(otherBook), env); err != nil {
			t.Fatal(err)
		}
		if err := proto.Unmarshal(env.Payload, rel); err != nil {
			t.Fatal(err)
		}
		raw, _, err := stranger.Seal(release.PayloadType, rel)
		if err != nil {
			t.Fatal(err)
		}
		return raw
	}()
	db, err := sql.Open("sqlite", filepath.Join(h.dataDir, "authority.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	for name, c := range map[string]struct {
		raw  []byte
		want string
	}{
		"another book under the old signature": {change(otherBook), "is not what was signed"},
		"another book and no signature":        {change(func(e *pb.Envelope) { otherBook(e); e.Signatures = nil }), "is not what was signed"},
		"another book under a stranger's key":  {strangers, "than the record says"},
		"no envelope":                          {[]byte("nothing"), "is not what was signed"},
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := db.ExecContext(t.Context(), "UPDATE releases SET envelope = ? WHERE number = 1", c.raw); err != nil {
				t.Fatal(err)
			}
			got, err := h.envelope(t.Context(), 1)
			if err == nil || got != nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("envelope: %d bytes, %v; want %q", len(got), err, c.want)
			}
		})
	}
}
