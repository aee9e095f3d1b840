package stationproof

import (
	"io"
	"net"
	"sync"
)

// proxy is the network between a station and the bus.
type proxy struct {
	lis net.Listener
	// to is where the bus listens now.
	to func() string

	mu    sync.Mutex
	down  bool
	conns map[net.Conn]bool
}

func startProxy(to func() string) (*proxy, error) {
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	p := &proxy{lis: lis, to: to, conns: make(map[net.Conn]bool)}
	go p.serve()
	return p, nil
}

func (p *proxy) url() string { return "nats://" + p.lis.Addr().String() }

func (p *proxy) serve() {
	for {
		in, err := p.lis.Accept()
		if err != nil {
			return
		}
		out, err := net.Dial("tcp", p.to())
		if err != nil {
			_ = in.Close()
			continue
		}
		if !p.keep(in, out) {
			continue
		}
		for _, way := range [][2]net.Conn{{in, out}, {out, in}} {
			go func() {
				_, _ = io.Copy(way[0], way[1])
				p.drop(in, out)
			}()
		}
	}
}

func (p *proxy) keep(conns ...net.Conn) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range conns {
		if p.down {
			_ = c.Close()
		} else {
			p.conns[c] = true
		}
	}
	return !p.down
}

func (p *proxy) drop(conns ...net.Conn) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range conns {
		_ = c.Close()
		delete(p.conns, c)
	}
}

// cut breaks what is connected, wherever a message stands, and lets nothing
// through until mend.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.down = true
	for c := range p.conns {
		if tcp, ok := c.(*net.TCPConn); ok {
			_ = tcp.SetLinger(0)
		}
		_ = c.Close()
	}
	clear(p.conns)
}

func (p *proxy) mend() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.down = false
}

func (p *proxy) close() {
	p.cut()
	_ = p.lis.Close()
}
