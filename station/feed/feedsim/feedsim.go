// Package feedsim answers one question: how can a person see instruments at work
// without having any?
//
// It plays a scale, a shot timer and a probe at a station, over gRPC or MQTT, and
// tells what the station made of them.
package feedsim

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
	"samecup.example/samecup/internal/instrument/instrumentsim"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// Config of a run.
type Config struct {
	// Drinks of 90 s each, and the seed that decides them.
	Drinks int
	Seed   uint64
	// Fault that the instrument of Faulty has; none by default.
	Fault  instrumentsim.Fault
	Faulty instrument.Kind
	// Out is told what happens, in lines.
	Out io.Writer
}

// Link carries readings to a station.
type Link interface {
	Send(ctx context.Context, r instrument.Reading) error
	Close() error
}

// Run plays the three instruments in real time until the drinks are made or the
// context ends. Each has a link of its own.
func Run(ctx context.Context, cfg Config, link func(ctx context.Context) (Link, error)) error {
	start := time.Now()
	for i, d := range instrumentsim.Truth(cfg.Seed, cfg.Drinks) {
		fmt.Fprintf(cfg.Out, "drink %d from %s: dose %.1f g, shot %.1f s, yield %.1f g, milk %.1f °C\n", i+1,
			start.Add(time.Duration(i)*instrumentsim.Cycle).Format("15:04:05"), d.Dose, d.ShotTime, d.Yield, d.MilkTemp)
	}
	g, ctx := errgroup.WithContext(ctx)
	for kind := instrument.Scale; kind <= instrument.Thermometer; kind++ {
		g.Go(func() (err error) {
			l, err := link(ctx)
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, l.Close()) }()
			c := instrumentsim.Config{Seed: cfg.Seed, Drinks: cfg.Drinks, Start: start, Speed: 1}
			if cfg.Fault != instrumentsim.NoFault && kind == cfg.Faulty {
				c.Fault = cfg.Fault
			}
			return instrumentsim.Run(ctx, kind, c, func(r instrument.Reading) error { return l.Send(ctx, r) })
		})
	}
	return g.Wait()
}

// GRPC links to a station's InstrumentService; what it answers is written to out.
func GRPC(cc grpc.ClientConnInterface, out io.Writer) func(context.Context) (Link, error) {
	w := &lines{out: out}
	return func(ctx context.Context) (Link, error) {
		stream, err := pb.NewInstrumentServiceClient(cc).StreamReadings(ctx)
		if err != nil {
			return nil, fmt.Errorf("send readings to the station: %w", err)
		}
		l := &grpcLink{stream: stream, done: make(chan error, 1)}
		go func() { l.done <- l.read(w) }()
		return l, nil
	}
}

type grpcLink struct {
	stream grpc.BidiStreamingClient[pb.StreamReadingsRequest, pb.StreamReadingsResponse]
	done   chan error
}

func (l *grpcLink) Send(_ context.Context, r instrument.Reading) error {
	return l.stream.Send(&pb.StreamReadingsRequest{Reading: r.Proto()})
}

func (l *grpcLink) read(w *lines) error {
	for {
		m, err := l.stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if m.GetRefusal() != "" {
			w.printf("refused: %s\n", m.GetRefusal())
		}
		for _, j := range m.GetJoined() {
			w.printf("joined: %s %d is %s (%s)\n", j.GetCheck(), j.GetOccurrence(),
				drink.FormatQuantity(drink.Milli(j.GetValueMilli()), drink.Unit(j.GetUnit())), j.GetHow())
		}
		for _, f := range m.GetFaults() {
			over := ""
			if f.GetEndTime() != nil {
				over = " (over)"
			}
			w.printf("%s%s\n", f.GetText(), over)
		}
	}
}

func (l *grpcLink) Close() error { return errors.Join(l.stream.CloseSend(), <-l.done) }

// lines keeps what several links say apart.
type lines struct {
	mu  sync.Mutex
	out io.Writer
}

func (l *lines) printf(format string, args ...any) {
	l.mu.Lock()
	defer l.mu.Unlock()
	fmt.Fprintf(l.out, format, args...)
}

const mqttWait = 10 * time.Second

// MQTT links to a station's broker at host:port; readings go out as JSON with
// QoS 1.
func MQTT(address string) func(context.Context) (Link, error) {
	return func(context.Context) (Link, error) {
		opts := mqtt.NewClientOptions().AddBroker("tcp://" + address).SetConnectTimeout(mqttWait).SetOrderMatters(true).SetAutoReconnect(false)
		c := mqtt.NewClient(opts)
		if err := settle(c.Connect()); err != nil {
			return nil, fmt.Errorf("connect to MQTT at %s: %w", address, err)
		}
		return mqttLink{c}, nil
	}
}

type mqttLink struct{ c mqtt.Client }

func (l mqttLink) Send(_ context.Context, r instrument.Reading) error {
	raw, err := r.EncodeJSON()
	if err != nil {
		return err
	}
	return settle(l.c.Publish(instrument.Topic(r.Instrument), 1, false, raw))
}

func (l mqttLink) Close() error {
	const quiesceMS = 250
	l.c.Disconnect(quiesceMS)
	return nil
}

func settle(t mqtt.Token) error {
	if !t.WaitTimeout(mqttWait) {
		return fmt.Errorf("no answer within %s", mqttWait)
	}
	return t.Error()
}
