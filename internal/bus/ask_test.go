package bus_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"samecup.example/samecup/internal/bus"
)

func TestWhileConnectedEndsWithTheConnection(t *testing.T) {
	srv, js := start(t, t.TempDir())
	nc := js.Conn()
	held, forget := bus.WhileConnected(t.Context(), nc)
	defer forget()
	let, release := bus.WhileConnected(t.Context(), nc)
	release()
	if err := bus.Why(let, let.Err()); !errors.Is(err, context.Canceled) || errors.Is(err, bus.ErrAway) {
		t.Errorf("released: %v", err)
	}
	if held.Err() != nil {
		t.Fatalf("ended before the connection: %v", context.Cause(held))
	}
	// A question that nobody answers, as a bus that goes away in between.
	silent, err := nc.SubscribeSync("samecup-test.silent")
	if err != nil {
		t.Fatal(err)
	}
	answered := make(chan error, 1)
	go func() { _, err := nc.RequestWithContext(held, "samecup-test.silent", nil); answered <- err }()
	if _, err := silent.NextMsg(10 * time.Second); err != nil {
		t.Fatal(err)
	}
	srv.Shutdown()
	select {
	case err := <-answered:
		if err = bus.Why(held, err); !errors.Is(err, bus.ErrAway) {
			t.Errorf("the question ended with %v; want ErrAway", err)
		}
	case <-time.After(10 * time.Second):
		t.Fatal("the question still waits for an answer that cannot come")
	}
	away, forgetAway := bus.WhileConnected(t.Context(), nc)
	defer forgetAway()
	if !errors.Is(context.Cause(away), bus.ErrAway) {
		t.Errorf("without a connection: %v; want ErrAway", context.Cause(away))
	}
}

func window(t *testing.T, js jetstream.JetStream, stall time.Duration) *bus.Window {
	t.Helper()
	own, err := bus.JetStream(js.Conn())
	if err != nil {
		t.Fatal(err)
	}
	return bus.NewWindow(own, stall)
}

func TestWindowPublishesMoreThanItHolds(t *testing.T) {
	_, js := start(t, t.TempDir())
	w := window(t, js, 10*time.Second)
	const n = bus.InFlight + 70
	acked := make([]int, n)
	for i := range n {
		m := bus.Event(bus.AssignmentSubject(fmt.Sprintf("site-%d", i)), fmt.Sprint(i), "test", "/test", time.Now(), []byte("x"))
		if err := w.Publish(t.Context(), m, func() { acked[i]++ }); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Wait(t.Context()); err != nil {
		t.Fatal(err)
	}
	for i, times := range acked {
		if times != 1 {
			t.Fatalf("message %d was acknowledged %d times", i, times)
		}
	}
	s, err := js.Stream(t.Context(), bus.StreamBook)
	if err != nil || s.CachedInfo().State.Msgs != n {
		t.Fatalf("%d messages are on the stream, want %d; %v", s.CachedInfo().State.Msgs, n, err)
	}
}

func TestWindowTellsWhatDidNotArrive(t *testing.T) {
	srv, js := start(t, t.TempDir())
	silent, err := js.Conn().SubscribeSync("samecup-test.silent")
	if err != nil {
		t.Fatal(err)
	}
	acks := 0
	send := func(w *bus.Window, subject string) error {
		t.Helper()
		return w.Publish(t.Context(), bus.Event(subject, "", "test", "/test", time.Now(), nil), func() { acks++ })
	}
	for _, c := range []struct {
		name, subject, want string
		stall               time.Duration
	}{
		{"no stream listens", "samecup-test.nobody", "no response from stream", 10 * time.Second},
		{"the bus is silent", "samecup-test.silent", "acknowledged nothing for 50ms", 50 * time.Millisecond},
	} {
		w := window(t, js, c.stall)
		if err := send(w, c.subject); err != nil {
			t.Fatal(err)
		}
		if err := w.Wait(t.Context()); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %q", c.name, err, c.want)
		}
	}
	// In flight when the bus goes: the hour is not waited for.
	w := window(t, js, time.Hour)
	if err := send(w, "samecup-test.silent"); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, err := silent.NextMsg(10 * time.Second); err != nil {
			t.Fatal(err)
		}
	}
	waited := make(chan error, 1)
	go func() { waited <- w.Wait(t.Context()) }()
	srv.Shutdown()
	select {
	case err := <-waited:
		if !errors.Is(err, bus.ErrAway) {
			t.Errorf("a message that was never acknowledged: %v; want ErrAway", err)
		}
	case <-time.After(10 * time.Second):
		t.Fatal("an acknowledgement that cannot come is waited for")
	}
	if acks != 0 {
		t.Errorf("%d were acknowledged", acks)
	}
}
