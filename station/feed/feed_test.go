package feed_test

import (
	"context"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
	"samecup.example/samecup/internal/instrument/instrumentsim"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/bar"
	"samecup.example/samecup/station/feed"
	"samecup.example/samecup/station/feed/feedsim"
	"samecup.example/samecup/station/stationtest"
)

const patience = 20 * time.Second

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// taking is a bar that tells of each reading it was handed.
type taking struct {
	*bar.Bar
	took chan error
}

func (b *taking) TakeReading(r instrument.Reading, at time.Time) (instrument.Result, []instrument.Fault, error) {
	res, faults, err := b.Bar.TakeReading(r, at)
	b.took <- err
	return res, faults, err
}

func open(t *testing.T) (*stationtest.Rig, *taking) {
	t.Helper()
	rig := stationtest.New(t)
	rig.Give(1, stationtest.Book(t))
	b, err := bar.New(t.Context(), bar.Config{Agent: rig.Agent, Dir: rig.Dir, Now: rig.Clock.Now})
	must(t, err)
	t.Cleanup(func() { must(t, b.Close()) })
	return rig, &taking{Bar: b, took: make(chan error, 1)}
}

// readings are what the simulated instruments send for one drink that begins
// now, in the order it arrives.
func readings(t *testing.T, start time.Time) []instrument.Reading {
	t.Helper()
	var all []instrument.Reading
	for kind := instrument.Scale; kind <= instrument.Thermometer; kind++ {
		seq, err := instrumentsim.Readings(kind, instrumentsim.Config{Seed: 5, Start: start, Drinks: 1})
		must(t, err)
		all = slices.AppendSeq(all, seq)
	}
	slices.SortStableFunc(all, func(a, b instrument.Reading) int { return a.ReceivedAt.Compare(b.ReceivedAt) })
	return all
}

// drinkIsMade sends one drink's readings, each after the one before was taken,
// and looks at what the open build got.
func drinkIsMade(t *testing.T, rig *stationtest.Rig, b *taking, send func(instrument.Reading) error) {
	t.Helper()
	o, err := b.Begin(t.Context(), "latte/mug")
	must(t, err)
	for _, r := range readings(t, rig.Clock.Now()) {
		rig.Clock.Add(r.ReceivedAt.Sub(rig.Clock.Now()))
		must(t, send(r))
		select {
		case err := <-b.took:
			must(t, err)
		case <-time.After(patience):
			t.Fatalf("reading %d of %s did not reach the bar", r.Sequence, r.Instrument)
		}
	}
	l, err := b.Finish(t.Context(), o.ID)
	must(t, err)
	log, err := rig.Agent.LoggedAfter(t.Context(), 0, 10)
	must(t, err)
	truth := instrumentsim.Truth(5, 1)[0]
	want := map[string]float64{"dose": truth.Dose, "yield": truth.Yield, "shot_time": truth.ShotTime, "milk_temp": truth.MilkTemp}
	got := log[0].GetBuild().GetReadings()
	for _, r := range got {
		if d := drink.Milli(r.GetValueMilli()).Float() - want[r.GetCheck()]; d < -0.5 || d > 0.5 {
			t.Errorf("%s is off by %.2f", r.GetCheck(), d)
		}
	}
	if len(got) != len(want) || l.Sequence != 1 || log[0].GetBuild().GetHow() != "instrument" {
		t.Errorf("%d of %d values: %v", len(got), len(want), got)
	}
}

func TestReadingsComeOverGRPC(t *testing.T) {
	rig, b := open(t)
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{})
	feed.NewService(b, rig.Clock.Now).Register(srv)
	go func() { _ = srv.Serve(lis) }()
	t.Cleanup(srv.Stop)
	cc, err := rpc.Dial(lis.Addr().String())
	must(t, err)
	t.Cleanup(func() { _ = cc.Close() })
	stream, err := pb.NewInstrumentServiceClient(cc).StreamReadings(t.Context())
	must(t, err)
	answers := make(chan []*pb.StreamReadingsResponse, 1)
	go func() {
		var all []*pb.StreamReadingsResponse
		for {
			m, err := stream.Recv()
			if err != nil {
				answers <- all
				return
			}
			all = append(all, m)
		}
	}()
	drinkIsMade(t, rig, b, func(r instrument.Reading) error {
		return stream.Send(&pb.StreamReadingsRequest{Reading: r.Proto()})
	})
	must(t, stream.Send(&pb.StreamReadingsRequest{}))
	must(t, stream.Send(&pb.StreamReadingsRequest{Reading: &pb.InstrumentReading{Instrument: "scale-1", Kind: pb.InstrumentKind_INSTRUMENT_KIND_SCALE, Unit: "stone"}}))
	must(t, stream.CloseSend())
	var all []*pb.StreamReadingsResponse
	select {
	case all = <-answers:
	case <-time.After(patience):
		t.Fatal("the stream did not end")
	}
	taken, refused := 0, 0
	joined := map[string]bool{}
	for _, m := range all {
		switch {
		case m.GetRefusal() != "":
			refused++
		case m.GetSequence() > 0:
			taken++
		}
		for _, j := range m.GetJoined() {
			joined[j.GetCheck()] = true
		}
	}
	if want := len(readings(t, stationtest.Start)); taken != want || refused != 2 || len(joined) != 4 {
		t.Errorf("%d of %d taken, %d refused, joined %v", taken, want, refused, joined)
	}
}

func TestAStationThatStopsEndsItsStreams(t *testing.T) {
	rig, b := open(t)
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{})
	svc := feed.NewService(b, rig.Clock.Now)
	svc.Register(srv)
	go func() { _ = srv.Serve(lis) }()
	cc, err := rpc.Dial(lis.Addr().String())
	must(t, err)
	t.Cleanup(func() { _ = cc.Close() })
	stream, err := pb.NewInstrumentServiceClient(cc).StreamReadings(t.Context())
	must(t, err)
	r := readings(t, rig.Clock.Now())[0]
	must(t, stream.Send(&pb.StreamReadingsRequest{Reading: r.Proto()}))
	must(t, <-b.took)
	svc.Close()
	svc.Close()
	stopped := make(chan struct{})
	go func() { srv.GracefulStop(); close(stopped) }()
	select {
	case <-stopped:
	case <-time.After(patience):
		t.Fatal("the server waits for an instrument")
	}
	for err == nil {
		_, err = stream.Recv()
	}
	if status.Code(err) != codes.Unavailable {
		t.Error(err)
	}
}

func TestReadingsComeOverMQTT(t *testing.T) {
	rig, b := open(t)
	br, err := feed.StartBroker(b, feed.BrokerConfig{Address: "127.0.0.1:0", StoreDir: t.TempDir(), Now: rig.Clock.Now, Log: zap.NewNop()})
	must(t, err)
	t.Cleanup(br.Close)
	link, err := feedsim.MQTT(br.Addr())(t.Context())
	must(t, err)
	t.Cleanup(func() { must(t, link.Close()) })
	drinkIsMade(t, rig, b, func(r instrument.Reading) error { return link.Send(t.Context(), r) })
}

func TestAReadingOnAnothersTopicIsLeftOut(t *testing.T) {
	rig, b := open(t)
	br, err := feed.StartBroker(b, feed.BrokerConfig{Address: "127.0.0.1:0", StoreDir: t.TempDir(), Now: rig.Clock.Now, Log: zap.NewNop()})
	must(t, err)
	t.Cleanup(br.Close)
	publish := publisher(t, br.Addr())
	r := readings(t, rig.Clock.Now())[0]
	raw, err := r.EncodeJSON()
	must(t, err)
	publish(instrument.Topic("scale-2"), raw)
	publish(instrument.Topic(r.Instrument), []byte("{"))
	publish("samecup/elsewhere", raw)
	publish(instrument.Topic(r.Instrument), raw)
	select {
	case err := <-b.took:
		must(t, err)
	case <-time.After(patience):
		t.Fatal("the good one did not come")
	}
	select {
	case <-b.took:
		t.Error("two were taken")
	default:
	}
}

func TestAnAddressThatCannotBeIsRefused(t *testing.T) {
	_, b := open(t)
	for _, addr := range []string{"1883", "127.0.0.1:many", "127.0.0.1:70000"} {
		if _, err := feed.StartBroker(b, feed.BrokerConfig{Address: addr, StoreDir: t.TempDir(), Now: time.Now, Log: zap.NewNop()}); err == nil || !strings.Contains(err.Error(), addr) {
			t.Errorf("%s: %v", addr, err)
		}
	}
}

func TestTheSimulatorRunsUntilItIsStopped(t *testing.T) {
	sent := make(chan instrument.Reading, 1024)
	ctx, cancel := context.WithCancel(t.Context())
	var out strings.Builder
	done := make(chan error, 1)
	go func() {
		done <- feedsim.Run(ctx, feedsim.Config{Drinks: 1, Seed: 1, Out: &out}, func(context.Context) (feedsim.Link, error) { return chanLink(sent), nil })
	}()
	kinds := map[instrument.Kind]bool{}
	for len(kinds) < 3 {
		select {
		case r := <-sent:
			kinds[r.Kind] = true
		case <-time.After(patience):
			t.Fatal("not all instruments sent")
		}
	}
	cancel()
	if err := <-done; err == nil || !strings.Contains(out.String(), "drink 1 from") {
		t.Errorf("%v %q", err, out.String())
	}
}

// publisher publishes anything, and waits until the broker has it.
func publisher(t *testing.T, addr string) func(topic string, payload []byte) {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr))
	wait := func(tok mqtt.Token) {
		t.Helper()
		if !tok.WaitTimeout(patience) || tok.Error() != nil {
			t.Fatal("mqtt: ", tok.Error())
		}
	}
	wait(c.Connect())
	t.Cleanup(func() { c.Disconnect(0) })
	return func(topic string, payload []byte) { wait(c.Publish(topic, 1, false, payload)) }
}

type chanLink chan instrument.Reading

func (l chanLink) Send(_ context.Context, r instrument.Reading) error {
	select {
	case l <- r:
	default:
	}
	return nil
}
func (l chanLink) Close() error { return nil }
