package release_test

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"samecup.example/samecup/internal/release"
)

// Only what was signed in the seeds may pass; all else is a refusal, and
// leaves the trust as it was.
func fuzzEnvelope(f *testing.F, good func(*ceremony) []byte, take func(*release.Trust, []byte) error) {
	c := newCeremony(f)
	seed := good(c)
	f.Add(seed)
	f.Add(seed[:len(seed)/2])
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		tr, err := release.NewTrust(c.first)
		if err != nil {
			t.Fatal(err)
		}
		before, err := tr.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		if err := take(tr, b); err != nil {
			var r *release.Refusal
			if !errors.As(err, &r) {
				t.Fatalf("not a refusal: %v", err)
			}
			after, err := tr.Marshal()
			if err != nil || !bytes.Equal(before, after) {
				t.Fatalf("a refusal changed the trust (%v)", err)
			}
		}
	})
}

func FuzzTrustRelease(f *testing.F) {
	fuzzEnvelope(f, func(c *ceremony) []byte { return sealed(f, c.release, book(5, "")) },
		func(tr *release.Trust, b []byte) error { _, err := tr.VerifyRelease(b); return err })
}

func FuzzAddKeyList(f *testing.F) {
	fuzzEnvelope(f, func(c *ceremony) []byte { return c.next(release.KeyListEdit{}) },
		func(tr *release.Trust, b []byte) error { _, err := tr.AddKeyList(b); return err })
}

func FuzzVerifyAssignment(f *testing.F) {
	fuzzEnvelope(f, func(c *ceremony) []byte {
		return c.assign(assignment(1, c.order(sealed(f, c.release, book(5, "")), noon)))
	},
		func(tr *release.Trust, b []byte) error { _, err := tr.VerifyAssignment(b, site); return err })
}

func FuzzVerifyStopList(f *testing.F) {
	fuzzEnvelope(f, func(c *ceremony) []byte { return c.stops(1) },
		func(tr *release.Trust, b []byte) error { _, err := tr.VerifyStopList(b); return err })
}

func FuzzVerifyStanding(f *testing.F) {
	fuzzEnvelope(f, func(c *ceremony) []byte {
		return seal(f, c.live, release.StandingPayloadType, standing(nonce, 1, 1, 1))
	}, func(tr *release.Trust, b []byte) error {
		_, err := tr.VerifyStanding(b, site, station, nonce, noon)
		return err
	})
}

func FuzzVerifyPlacement(f *testing.F) {
	fuzzEnvelope(f, func(c *ceremony) []byte { return c.place(1, "north") },
		func(tr *release.Trust, b []byte) error { _, err := tr.VerifyPlacement(b, site, station); return err })
}

// The offline tools read what nobody has signed yet.
func FuzzDescribeKeyList(f *testing.F) {
	c := newCeremony(f)
	f.Add(c.first)
	f.Fuzz(func(t *testing.T, b []byte) {
		if lines, err := release.DescribeKeyList(b, c.list, noon); err == nil && len(lines) < 3 {
			t.Fatal(lines)
		}
	})
}

// What opens is what Marshal writes. The body is fuzzed under a checksum that
// holds, so that the parser behind it is reached.
func FuzzOpen(f *testing.F) {
	c := newCeremony(f)
	tr := c.trust()
	if _, err := tr.VerifyAssignment(c.assign(assignment(1)), site); err != nil {
		f.Fatal(err)
	}
	b, err := tr.Marshal()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b[14 : len(b)-32])
	f.Add([]byte(`{"key_list":null}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		b := release.SealState(body)
		tr, err := release.Open(b)
		var se *release.StateError
		switch {
		case err != nil && !errors.As(err, &se):
			t.Fatalf("not a state error: %v", err)
		case err == nil:
			again, err := tr.Marshal()
			if err != nil || !bytes.Equal(again, b) {
				t.Fatalf("opened what would be written differently (%v)", err)
			}
			tr.Freshness(site, noon, 0)
		}
	})
}

func FuzzEffectiveAt(f *testing.F) {
	f.Add("2026-10-25", 90, "Europe/London", int32(0))
	f.Fuzz(func(t *testing.T, day string, minute int, zone string, cut int32) {
		h, err := release.ParseHours(zone, nil, cut)
		if err != nil {
			return
		}
		at, err := release.EffectiveAt(day, &minute, h)
		if err != nil {
			return
		}
		asked, _ := time.Parse(time.DateOnly, day)
		if d := at.Sub(asked); d < -30*time.Hour || d > 100*time.Hour {
			t.Fatalf("%s %d in %s: %s", day, minute, zone, at)
		}
	})
}

func FuzzKeyFile(f *testing.F) {
	f.Add([]byte("# label\n9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if key, _, err := release.ParseKeyText(b); err == nil && len(key) != 32 {
			t.Fatal(key)
		}
	})
}
