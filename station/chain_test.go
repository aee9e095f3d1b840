package station

import (
	"bytes"
	"crypto/sha256"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// checkChain checks that records count from 1 without gaps and that each names
// the hash of the exact bytes before it.
func checkChain(t testing.TB, raws [][]byte) {
	t.Helper()
	var previous []byte
	for i, raw := range raws {
		var r pb.BuildRecord
		if err := proto.Unmarshal(raw, &r); err != nil {
			t.Fatal(err)
		}
		if r.GetSequence() != uint64(i+1) {
			t.Fatalf("record %d has sequence %d", i+1, r.GetSequence())
		}
		if !bytes.Equal(r.GetPreviousHash(), previous) {
			t.Fatalf("record %d: previous hash %x, want %x", i+1, r.GetPreviousHash(), previous)
		}
		sum := sha256.Sum256(raw)
		previous = sum[:]
	}
}

// stored reads all that a station has on disk.
func stored(t testing.TB, a *Agent) (raws [][]byte, ids map[string]bool) {
	t.Helper()
	ids = make(map[string]bool)
	after := uint64(0)
	for {
		records, err := a.store.Builds(t.Context(), after, 500, 64<<20)
		if err != nil {
			t.Fatal(err)
		}
		if len(records) == 0 {
			return raws, ids
		}
		for _, r := range records {
			raws = append(raws, r.Bytes)
			ids[uuidText(r.ID)] = true
			after = r.Seq
		}
	}
}
