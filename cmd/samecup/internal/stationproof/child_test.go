package stationproof

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station"
)

// childDir tells a child process of this test binary to be the station there.
const childDir = "SAMECUP_PROOF_STATION_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		if err := beStation(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// beStation runs the agent and its service until it is killed.
func beStation(dir string) error {
	ctx := context.Background()
	a, err := station.Open(ctx, station.Config{Dir: dir, NATSOptions: []nats.Option{
		nats.ReconnectWait(20 * time.Millisecond), nats.ReconnectJitter(0, 0), nats.IgnoreDiscoveredServers(),
	}})
	if err != nil {
		return err
	}
	if d := a.Damage(); d != "" {
		return fmt.Errorf("a killed station found its log damaged: %s", d)
	}
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{})
	a.Register(srv)
	fmt.Println(lis.Addr())
	go func() { _ = srv.Serve(lis) }()
	return a.Run(ctx)
}

// child is a running station.
type child struct {
	cmd    *exec.Cmd
	cc     *grpc.ClientConn
	client pb.StationServiceClient
}

func startChild(dir string) (*child, error) {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childDir+"="+dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	lines := bufio.NewScanner(out)
	if !lines.Scan() {
		return nil, fmt.Errorf("the station did not start: %w", cmd.Wait())
	}
	cc, err := rpc.Dial(lines.Text())
	if err != nil {
		return nil, err
	}
	return &child{cmd: cmd, cc: cc, client: pb.NewStationServiceClient(cc)}, nil
}

// kill is SIGKILL.
func (c *child) kill() {
	_ = c.cmd.Process.Kill()
	_ = c.cmd.Wait()
	_ = c.cc.Close()
}
