package demo

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station"
)

// host is the machine that a station agent runs on. It can be stopped and
// started again under the same address.
type host struct {
	site, station string
	dir, busURL   string
	log           *zap.Logger
	fail          func(error)

	client *grpc.ClientConn
	api    pb.StationServiceClient

	mu    sync.Mutex
	addr  string
	agent *station.Agent
	grpc  *served
	end   context.CancelFunc
	ended chan struct{}
}

// ensureStation sets up a site's station, enrolling it the first time.
func (c *chain) ensureStation(ctx context.Context, s site) (*host, error) {
	h := &host{
		site: s.id, station: stationName, dir: filepath.Join(c.dir, "stations", s.id, stationName),
		busURL: c.busURL, log: c.log.Named(s.id), fail: c.fail, addr: "127.0.0.1:0",
	}
	_, err := c.fleet.CreateSite(ctx, &pb.CreateSiteRequest{Site: &pb.Site{Id: s.id, Name: s.name, Region: s.region, TimeZone: s.timeZone}})
	if err != nil {
		return nil, fmt.Errorf("create the site: %w", err)
	}
	if _, err := station.LoadIdentity(h.dir); !errors.Is(err, station.ErrNotEnrolled) {
		return h, err
	}
	code, err := c.fleet.CreateEnrolment(ctx, &pb.CreateEnrolmentRequest{Site: s.id, Station: stationName})
	if err != nil {
		return nil, fmt.Errorf("create an enrolment: %w", err)
	}
	if err := station.Enrol(ctx, h.dir, c.fleet, code.GetCode()); err != nil {
		return nil, fmt.Errorf("enrol: %w", err)
	}
	return h, nil
}

// start opens the agent and serves it until halt; ctx bounds the opening only.
func (h *host) start(ctx context.Context) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	agent, err := station.Open(ctx, station.Config{
		Dir: h.dir, Log: h.log, Now: time.Now, BusURL: h.busURL, PresenceEvery: 2 * time.Second,
	})
	if err != nil {
		return err
	}
	lis, err := rpc.ListenLoopback(h.addr)
	if err != nil {
		return errors.Join(err, agent.Close())
	}
	srv := rpc.NewServer(h.log, rpc.Options{})
	agent.Register(srv)
	h.agent, h.grpc, h.addr = agent, serve(srv, lis, h.log), lis.Addr().String()
	runCtx, end := context.WithCancel(context.WithoutCancel(ctx))
	h.end = end
	h.ended = make(chan struct{})
	go func(ended chan struct{}) {
		defer close(ended)
		err := agent.Run(runCtx)
		if runCtx.Err() == nil {
			h.fail(fmt.Errorf("station %s/%s stopped by itself: %w", h.site, h.station, err))
		}
	}(h.ended)
	if h.client == nil {
		if h.client, err = rpc.Dial(h.addr); err != nil {
			return err
		}
		h.api = pb.NewStationServiceClient(h.client)
	}
	return nil
}

// halt ends the agent and its server, and leaves the client to reconnect.
func (h *host) halt() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.agent == nil {
		return nil
	}
	h.grpc.close()
	h.end()
	<-h.ended
	err := h.agent.Close()
	h.agent = nil
	return err
}

// restart is what a power cut and an impatient finger do to a station.
func (h *host) restart(ctx context.Context) error {
	if err := h.halt(); err != nil {
		return fmt.Errorf("stop station %s/%s: %w", h.site, h.station, err)
	}
	if err := h.start(ctx); err != nil {
		return fmt.Errorf("start station %s/%s again: %w", h.site, h.station, err)
	}
	return nil
}

// stop ends the host for good.
func (h *host) stop() error {
	var err error
	if h.client != nil {
		err = h.client.Close()
	}
	return errors.Join(err, h.halt())
}

// drained waits until the outbox is empty.
func (h *host) drained(ctx context.Context) error {
	h.mu.Lock()
	agent := h.agent
	h.mu.Unlock()
	if agent == nil {
		return nil
	}
	return agent.Drained(ctx)
}
