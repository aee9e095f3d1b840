package stationbench

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/station"
)

// childDir and childBus make this test binary the agent to be measured.
const childDir, childBus = "SAMECUP_BENCH_DIR", "SAMECUP_BENCH_BUS"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		if err := beStation(dir, os.Getenv(childBus)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

func beStation(dir, busURL string) error {
	a, err := station.Open(context.Background(), station.Config{Dir: dir, BusURL: busURL})
	if err != nil {
		return err
	}
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{})
	a.Register(srv)
	fmt.Printf("station %s/%s on %s\n", site, stationID, lis.Addr())
	go func() { _ = srv.Serve(lis) }()
	return a.Run(context.Background())
}

// Figures belong to the bench; here is only whether they are taken.
func TestMeasure(t *testing.T) {
	if _, err := os.Stat("/proc/self/status"); err != nil {
		t.Skip("no /proc here")
	}
	rows, err := Measure(t.Context(), Options{Drinks: 20, Waiting: 300, Starts: 1, quick: true, Command: func(dir, busURL string) *exec.Cmd {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), childDir+"="+dir, childBus+"="+busURL)
		cmd.Stderr = os.Stderr
		return cmd
	}})
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := WriteTable(&out, rows); err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if r.Value <= 0 {
			t.Errorf("%s is %g %s", r.Name, r.Value, r.Unit)
		}
	}
	for _, want := range []string{"cold start", "resident ", "resident at work", "drained", "under 40", "20 drinks in the book, 300 builds waiting"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is missing in\n%s", want, out.String())
		}
	}
}

func TestMeasureRefusesInWords(t *testing.T) {
	if _, err := Measure(t.Context(), Options{Drinks: 5000}); err == nil || !strings.Contains(err.Error(), "allowed are 1 to 1000 drinks") {
		t.Errorf("%v", err)
	}
}

func TestInTheBenchsZoneItIsLate(t *testing.T) {
	for hour := range 24 {
		now := time.Date(2026, 11, 2, hour, 59, 0, 0, time.UTC)
		zone, err := time.LoadLocation(lateZone(now))
		if err != nil || now.In(zone).Hour() != 22 {
			t.Errorf("at %s: %s, %v", now, lateZone(now), err)
		}
	}
}

func TestParseStatus(t *testing.T) {
	u, err := parseStatus("Name:\tsamecup\nVmHWM:\t   40960 kB\nVmRSS:\t   30720 kB\nRssAnon:\t   10240 kB\n")
	if err != nil || u != (usage{rss: 30, anon: 10, peak: 40}) {
		t.Errorf("%+v, %v", u, err)
	}
	for _, bad := range []string{"", "VmRSS:\t1 kB\nVmHWM:\t2 kB\n", "VmRSS:\tmuch\n"} {
		if _, err := parseStatus(bad); err == nil {
			t.Errorf("%q was read", bad)
		}
	}
}

func TestGoals(t *testing.T) {
	for r, want := range map[Row]bool{{Value: 39, Goal: 40}: true, {Value: 40, Goal: 40}: false, {Value: 1e9}: true} {
		if r.Met() != want {
			t.Errorf("%+v: met is %t", r, r.Met())
		}
	}
}
