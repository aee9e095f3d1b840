package launch

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/services/authority"
	"samecup.example/samecup/services/console"
	"samecup.example/samecup/services/quality"
)

// count opens quality, which counts the builds that stations log.
func (c *chain) count(ctx context.Context, svc *authority.Service) (*quality.Service, error) {
	nc, err := bus.Connect(ctx, c.srv.URL(), "quality", c.log.Named("bus"), soon()...)
	if err != nil {
		return nil, err
	}
	c.undo = append(c.undo, func() error { nc.Close(); return nil })
	q, err := quality.Open(ctx, quality.Config{Dir: filepath.Join(c.dir, "quality"), Log: c.log.Named("quality"), Now: c.clock.now, NATS: nc,
		KeyLists: svc.KeyLists(), Sites: svc.Sites})
	if err != nil {
		return nil, err
	}
	c.undo = append(c.undo, q.Close)
	c.background(ctx, q.Run)
	return q, nil
}

// openPages serves the console, by the clock of the story.
func (c *chain) openPages(ctx context.Context, o Options) error {
	lis, err := rpc.ListenLoopback(o.Console)
	if err != nil {
		return fmt.Errorf("console: %w", err)
	}
	cc, err := rpc.Dial(c.address)
	if err != nil {
		return errors.Join(err, lis.Close())
	}
	c.undo = append(c.undo, cc.Close)
	pages, err := console.New(console.Config{Authority: cc, Quality: cc, Log: o.Log.Named("console"), Now: c.clock.now})
	if err != nil {
		return errors.Join(err, lis.Close())
	}
	c.pages = lis.Addr().String()
	c.background(ctx, func(ctx context.Context) error { return ignoreClosed(pages.Serve(ctx, lis)) })
	return nil
}
