package feed

import (
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/instrument"
)

// BrokerConfig sets a station's MQTT up.
type BrokerConfig struct {
	// Address to listen on, host:port; port 0 takes a free one.
	Address string
	// StoreDir keeps MQTT sessions; it must be the broker's alone.
	StoreDir string
	// Now is the station's clock.
	Now func() time.Time
	Log *zap.Logger
}

const (
	// brokerMemory and brokerStore bound what clients may have the broker keep.
	brokerMemory = 4 << 20
	brokerStore  = 64 << 20
	// brokerClients at a time: as many as a station takes instruments, and their
	// bridges.
	brokerClients = 64
	brokerReady   = 15 * time.Second
	// sayEvery bounds how often an instrument's bad readings are logged.
	sayEvery = time.Minute
)

// Broker takes readings over MQTT: a server in this process that speaks nothing
// else to the outside.
type Broker struct {
	cfg  BrokerConfig
	bar  Bar
	srv  *server.Server
	nc   *nats.Conn
	addr string

	mu   sync.Mutex
	said map[string]time.Time
}

// StartBroker starts the broker and returns when it takes readings for the bar.
func StartBroker(b Bar, cfg BrokerConfig) (_ *Broker, err error) {
	host, port, err := net.SplitHostPort(cfg.Address)
	if err != nil {
		return nil, fmt.Errorf("mqtt address %q: write host:port, such as 127.0.0.1:1883", cfg.Address)
	}
	number, err := strconv.Atoi(port)
	if err != nil || number < 0 || number > 65535 {
		return nil, fmt.Errorf("mqtt address %q: the port is a number from 0 to 65535", cfg.Address)
	}
	if number == 0 {
		number = server.RANDOM_PORT
	}
	opts := &server.Options{
		ServerName: "samecup-instruments", DontListen: true, NoSigs: true, NoLog: true,
		JetStream: true, StoreDir: cfg.StoreDir, JetStreamMaxMemory: brokerMemory, JetStreamMaxStore: brokerStore,
		MaxPayload: instrument.MaxBytes + 1024, MaxPending: 1 << 20, MaxConn: brokerClients,
		MQTT: server.MQTTOpts{Host: host, Port: number, ConsumerInactiveThreshold: time.Hour},
	}
	srv, err := server.NewServer(opts)
	if err != nil {
		return nil, fmt.Errorf("mqtt: %w", err)
	}
	br := &Broker{cfg: cfg, bar: b, srv: srv, said: map[string]time.Time{}}
	br.cfg.Log = cfg.Log.Named("mqtt")
	defer func() {
		if err != nil {
			br.Close()
		}
	}()
	srv.Start()
	if !srv.ReadyForConnections(brokerReady) {
		return nil, fmt.Errorf("mqtt: not ready after %s at %s; is the port taken?", brokerReady, cfg.Address)
	}
	v, err := srv.Varz(nil)
	if err != nil {
		return nil, fmt.Errorf("mqtt: find the port: %w", err)
	}
	br.addr = net.JoinHostPort(host, strconv.Itoa(v.MQTT.Port))
	if br.nc, err = nats.Connect("", nats.InProcessServer(srv), nats.Name("instruments")); err != nil {
		return nil, fmt.Errorf("mqtt: connect in this process: %w", err)
	}
	subject := strings.NewReplacer("/", ".", "+", "*").Replace(instrument.TopicFilter)
	if _, err = br.nc.Subscribe(subject, br.take); err == nil {
		err = br.nc.Flush()
	}
	if err != nil {
		return nil, fmt.Errorf("mqtt: subscribe to %s: %w", instrument.TopicFilter, err)
	}
	return br, nil
}

// Addr is where MQTT clients connect.
func (b *Broker) Addr() string { return b.addr }

// take takes one published reading.
func (b *Broker) take(m *nats.Msg) {
	received := b.cfg.Now()
	id, err := instrument.ParseTopic(strings.ReplaceAll(m.Subject, ".", "/"))
	if err != nil {
		b.complain("", err)
		return
	}
	r, err := instrument.DecodeAny(m.Data)
	if err == nil && r.Instrument != id {
		err = fmt.Errorf("topic of %s carries a reading of %s; publish each on its own", id, r.Instrument)
	}
	if err == nil {
		_, _, err = b.bar.TakeReading(r, received)
	}
	if err != nil {
		b.complain(id, err)
	}
}

// complain logs why a reading was not taken. Nobody waits for an answer over
// MQTT, and a bad instrument sends many.
func (b *Broker) complain(id string, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := time.Now()
	if last, ok := b.said[id]; ok && now.Sub(last) < sayEvery || !ok && len(b.said) >= brokerClients {
		return
	}
	b.said[id] = now
	b.cfg.Log.Warn("a reading was not taken", zap.String("instrument", id), zap.Error(err))
}

// Close stops the broker.
func (b *Broker) Close() {
	if b.nc != nil {
		if err := b.nc.Drain(); err != nil && !errors.Is(err, nats.ErrConnectionClosed) {
			b.nc.Close()
		}
	}
	b.srv.Shutdown()
	b.srv.WaitForShutdown()
}
