package release_test

import (
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func signer(b byte) *release.Signer {
	seed := make([]byte, ed25519.SeedSize)
	seed[0] = b
	return release.NewSigner(ed25519.NewKeyFromSeed(seed))
}

func sample() *pb.Release {
	return &pb.Release{Number: 7, Scope: "site.tannery-row", Book: &pb.Book{Chain: "Harbour & Finch"}}
}

func sealed(t testing.TB, s *release.Signer, rel *pb.Release) []byte {
	t.Helper()
	env, _, err := s.Sign(rel)
	if err != nil {
		t.Fatal(err)
	}
	return env
}

func reasonOf(t testing.TB, err error) release.Reason {
	t.Helper()
	var r *release.Refusal
	if !errors.As(err, &r) {
		t.Fatalf("want a *Refusal, got %v", err)
	}
	return r.Reason
}

func TestVerifyTakesWhatWasSigned(t *testing.T) {
	s := signer(1)
	env, digest, err := s.Sign(sample())
	if err != nil {
		t.Fatal(err)
	}
	v, err := release.Verify(env, []ed25519.PublicKey{signer(2).Public(), s.Public()})
	if err != nil {
		t.Fatal(err)
	}
	if !proto.Equal(v.Release, sample()) || v.Digest != digest {
		t.Fatalf("got %v", v.Release)
	}
}

func TestVerifyRefusesEveryFlippedBit(t *testing.T) {
	s := signer(1)
	env := sealed(t, s, sample())
	keys := []ed25519.PublicKey{s.Public()}
	for i := range env {
		for bit := range 8 {
			env[i] ^= 1 << bit
			v, err := release.Verify(env, keys)
			// A flip in the key hint changes nothing that is signed or
			// followed; every other one must be refused.
			if err == nil && !proto.Equal(v.Release, sample()) {
				t.Fatalf("byte %d bit %d: an altered release was taken", i, bit)
			}
			env[i] ^= 1 << bit
		}
	}
}

func TestVerifyRefuses(t *testing.T) {
	s := signer(1)
	keys := []ed25519.PublicKey{s.Public()}
	edit := func(f func(*pb.Envelope)) []byte {
		var e pb.Envelope
		if err := proto.Unmarshal(sealed(t, s, sample()), &e); err != nil {
			t.Fatal(err)
		}
		f(&e)
		b, err := proto.Marshal(&e)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for name, c := range map[string]struct {
		bytes []byte
		want  release.Reason
	}{
		"unsigned":             {edit(func(e *pb.Envelope) { e.Signatures = nil }), release.Unsigned},
		"an empty signature":   {edit(func(e *pb.Envelope) { e.Signatures[0].Sig = nil }), release.BadSignature},
		"another payload type": {edit(func(e *pb.Envelope) { e.PayloadType = "text/plain" }), release.WrongType},
		"an altered payload":   {edit(func(e *pb.Envelope) { e.Payload[len(e.Payload)-1] ^= 1 }), release.BadSignature},
		"signed by a stranger": {sealed(t, signer(9), sample()), release.BadSignature},
		"a hundred signatures": {edit(func(e *pb.Envelope) { e.Signatures = make([]*pb.Signature, 100); fill(e.Signatures) }), release.TooLarge},
		"garbage":              {[]byte("\xff\xff\xff not an envelope"), release.Unreadable},
		"endless data":         {make([]byte, release.MaxEnvelopeBytes+1), release.TooLarge},
		"no number":            {sealed(t, s, &pb.Release{Scope: "chain", Book: &pb.Book{}}), release.Unreadable},
		"no book":              {sealed(t, s, &pb.Release{Number: 1, Scope: "chain"}), release.Unreadable},
		"a scope that is none": {sealed(t, s, &pb.Release{Number: 1, Scope: "planet", Book: &pb.Book{}}), release.Unreadable},
		"nothing at all":       {nil, release.WrongType},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := release.Verify(c.bytes, keys)
			if got := reasonOf(t, err); got != c.want {
				t.Fatalf("got %s (%v), want %s", got, err, c.want)
			}
		})
	}
	_, err := release.Verify(sealed(t, s, sample()), nil)
	if got := reasonOf(t, err); got != release.BadSignature {
		t.Fatalf("with no trusted key: %s", got)
	}
}

func fill(s []*pb.Signature) {
	for i := range s {
		s[i] = &pb.Signature{}
	}
}

func TestAdmit(t *testing.T) {
	s := signer(1)
	v, err := release.Verify(sealed(t, s, sample()), []ed25519.PublicKey{s.Public()})
	if err != nil {
		t.Fatal(err)
	}
	mine := release.Scopes("north", "tannery-row")
	if err := v.Admit(mine, 6); err != nil {
		t.Fatal(err)
	}
	if err := v.Admit(mine, 7); err != nil {
		t.Fatalf("the one held already is no error: %v", err)
	}
	if got := reasonOf(t, v.Admit(mine, 8)); got != release.Older {
		t.Fatal(got)
	}
	if got := reasonOf(t, v.Admit(release.Scopes("north", "oyster-steps"), 0)); got != release.OtherScope {
		t.Fatal(got)
	}
}

// The worked example of the DSSE 1.0 protocol description (from memory): type
// "http://example.com/HelloWorld", body "hello world", whose pre-authentication
// encoding is printed there in full. Ours is checked through a signature made
// over those printed bytes.
func TestPreAuthenticationEncodingIsThatOfDSSE(t *testing.T) {
	body := []byte("hello world")
	want := "DSSEv1 29 http://example.com/HelloWorld 11 hello world"
	if got := string(release.PreAuth("http://example.com/HelloWorld", body)); got != want {
		t.Fatalf("got %q, want %q", got, want)
	}
}

// RFC 8032, section 7.1, TEST 1: the key pair behind our signatures is the
// standard's.
func TestKeysAreThoseOfRFC8032(t *testing.T) {
	path := filepath.Join(t.TempDir(), "key")
	if err := os.WriteFile(path, []byte("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := release.LoadOrCreateSigner(path)
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprintf("%x", s.Public()); got != "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a" {
		t.Fatal(got)
	}
}

func TestSignerIsMadeOnceAndKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "key")
	a, err := release.LoadOrCreateSigner(path)
	if err != nil {
		t.Fatal(err)
	}
	b, err := release.LoadOrCreateSigner(path)
	if err != nil {
		t.Fatal(err)
	}
	if !a.Public().Equal(b.Public()) {
		t.Fatal("the key changed between starts")
	}
	if st, err := os.Stat(path); err != nil || st.Mode().Perm() != 0o600 {
		t.Fatalf("%v %v", st.Mode(), err)
	}
	if err := os.WriteFile(path, []byte(base64.StdEncoding.EncodeToString([]byte("x"))), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := release.LoadOrCreateSigner(path); err == nil {
		t.Fatal("a damaged key was replaced silently")
	}
}

func TestParseScope(t *testing.T) {
	for s, ok := range map[string]bool{
		"chain": true, "region.north": true, "site.tannery-row": true,
		"": false, "site": false, "site.": false, "site.Tannery": false, "site.a.b": false, "site.*": false, "region.>": false, "chain.x": false, "site.-a": false,
	} {
		sc, err := release.ParseScope(s)
		if (err == nil) != ok {
			t.Errorf("%q: %v", s, err)
		}
		if ok && sc.String() != s {
			t.Errorf("%q came back as %q", s, sc)
		}
	}
}

func FuzzVerify(f *testing.F) {
	s := signer(1)
	good := sealed(f, s, sample())
	f.Add(good)
	f.Add(good[:len(good)-3])
	f.Add([]byte{})
	keys := []ed25519.PublicKey{s.Public()}
	f.Fuzz(func(t *testing.T, b []byte) {
		v, err := release.Verify(b, keys)
		var r *release.Refusal
		switch {
		case err == nil && !proto.Equal(v.Release, sample()):
			t.Fatal("took a release that was never signed")
		case err != nil && !errors.As(err, &r):
			t.Fatalf("not a refusal: %v", err)
		}
	})
}
