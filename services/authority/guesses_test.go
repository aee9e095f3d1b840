package authority

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestWhoGuessesAtCodesMustWait(t *testing.T) {
	h := start(t)
	h.addSite(t, "tannery-row", "north")
	good := must(h.fleet.CreateEnrolment(t.Context(), &pb.CreateEnrolmentRequest{Site: "tannery-row", Station: "bar-1"}))(t).Code
	enrol := func(code string) error {
		_, err := h.fleet.EnrolStation(t.Context(), &pb.EnrolStationRequest{Code: code})
		return err
	}
	for i := range guessesFree {
		wantStatus(t, enrol(fmt.Sprintf("2222222%c", codeAlphabet[i])), codes.NotFound, "CODE_UNKNOWN")
	}
	err := enrol(good) // else the wait would tell a guesser which one was right
	wantStatus(t, err, codes.ResourceExhausted, "CODE_GUESSES")
	if text := status.Convert(err).Message(); !strings.Contains(text, "wait 10 s") || !strings.Contains(text, "this machine") {
		t.Errorf("it says %q", text)
	}
	h.clock.forward(guessEvery)
	wantStatus(t, enrol("22222299"), codes.NotFound, "CODE_UNKNOWN")
	wantStatus(t, enrol("22222299"), codes.ResourceExhausted, "CODE_GUESSES")
	h.clock.forward(guessEvery)
	if err := enrol(good); err != nil {
		t.Fatalf("after the wait: %v", err)
	}
}

func TestGuessesAreBoundedAndWearOff(t *testing.T) {
	var g guesses
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	for i := range 3 * guessSources {
		g.wrong(fmt.Sprint(i), now.Add(time.Duration(i)*time.Millisecond))
	}
	if len(g.from) != guessSources {
		t.Fatalf("%d sources are remembered", len(g.from))
	}
	for range 100 {
		g.wrong("busy", now)
	}
	if got := g.wait("busy", now); got != guessEvery {
		t.Errorf("after 100 guesses it waits %s; no more than one pause at a time", got)
	}
	if got := g.wait("busy", now.Add(guessEvery)); got != 0 {
		t.Errorf("still %s after the pause", got)
	}
	if got := g.wait("busy", now.Add(-time.Hour)); got != guessEvery {
		t.Errorf("a clock that was set back: %s", got)
	}
	if g.wait("nobody", now) != 0 {
		t.Error("a source that never tried must wait")
	}
}
