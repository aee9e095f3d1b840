package stat

import (
	"errors"
	"testing"
)

func TestSPRTCurve(t *testing.T) {
	r, err := NewSPRT(0.01, 0.10, 0.05, 0.10, 3000)
	if err != nil {
		t.Fatal(err)
	}
	got, err := r.Curve(0, 0.01, 0.0397, 0.10, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range got {
		capNear(t, "sum of chances", p.PAccept+p.PReject+p.CannotTell, 1, 1e-9)
	}
	// Wald: the true errors stay within alpha/(1-beta) and beta/(1-alpha).
	if got[1].PReject > 0.05/0.9 || got[3].PAccept > 0.10/0.95 {
		t.Errorf("errors %g, %g break Wald's bounds", got[1].PReject, got[3].PAccept)
	}
	if got[0].PAccept != 1 || got[0].ASN != 24 || got[4].PReject != 1 || got[4].ASN != 2 {
		t.Errorf("ends: %+v, %+v", got[0], got[4])
	}
	if got[2].ASN <= got[1].ASN || got[2].ASN <= got[3].ASN {
		t.Errorf("the average sample number has no peak between: %+v", got)
	}
	short, _ := NewSPRT(0.01, 0.10, 0.05, 0.10, 20)
	if a, err := short.Decide(0, 20); err != nil || a != CannotTell {
		t.Errorf("at the end: %v, %v", a, err)
	}
	if got, _ := short.Curve(0.01); got[0].CannotTell < 0.9 {
		t.Errorf("20 checks cannot accept: %+v", got)
	}
	if near, err := NewSPRT(0.01, 0.0100001, 0.05, 0.10, 20000); err != nil {
		t.Error(err)
	} else if _, err := near.Curve(0.01); !errors.Is(err, ErrInput) {
		t.Errorf("shares too close for a curve: %v", err)
	}
	for _, in := range [][4]float64{{0.1, 0.01, .05, .1}, {0, 0.1, .05, .1}, {.01, .1, .6, .5}} {
		if _, err := NewSPRT(in[0], in[1], in[2], in[3], 0); !errors.Is(err, ErrInput) {
			t.Errorf("%v: %v", in, err)
		}
	}
}
