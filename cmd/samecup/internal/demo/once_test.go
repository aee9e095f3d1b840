package demo_test

import (
	"path/filepath"
	"testing"

	"go.uber.org/zap"

	"samecup.example/samecup/cmd/samecup/internal/demo"
)

func options(t *testing.T, dir string) demo.Options {
	t.Helper()
	cfg := zap.NewDevelopmentConfig()
	cfg.OutputPaths = []string{filepath.Join(t.TempDir(), "demo.log")}
	log, err := cfg.Build()
	if err != nil {
		t.Fatal(err)
	}
	return demo.Options{Dir: dir, Seed: 7, Listen: "127.0.0.1:0", Builds: 40, FaultRate: 0.2, Log: log}
}

func TestAShiftLosesDoublesMissesAndMakesUpNothing(t *testing.T) {
	dir := t.TempDir()
	for run := range 2 { // The second start continues from the first one's data.
		res, err := demo.Once(t.Context(), options(t, dir))
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range res.Troubles {
			t.Errorf("run %d: %s", run+1, line)
		}
		if !res.Proven() || res.BuildsMade != 160 || res.BuildsCounted != 160 || res.DeviationsTrue == 0 || res.Stations != 4 {
			t.Errorf("run %d: %s", run+1, res)
		}
		if want := uint64(2 + run); res.Release != want {
			t.Errorf("run %d: release %d, want %d", run+1, res.Release, want)
		}
		t.Log(res)
	}
}
