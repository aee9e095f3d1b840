package axe

import (
	"os/exec"
	"strings"
	"testing"
)

func TestTheEngineUnpacks(t *testing.T) {
	text, err := engine()
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(text, "axe v4.14.1") {
		t.Errorf("the engine is not that of README.md; it begins %.80q", text)
	}
}

// It is under a licence of its own and large: no program may hold it.
func TestNoProgramHoldsTheEngine(t *testing.T) {
	const module = "samecup.example/samecup/"
	out, err := exec.Command("go", "list", "-deps", module+"cmd/...").Output()
	if err != nil {
		t.Fatal(err)
	}
	deps := strings.Fields(string(out))
	if len(deps) < 100 {
		t.Fatalf("only %d packages are listed", len(deps))
	}
	for _, p := range deps {
		if p == module+"internal/look/axe" {
			t.Error("a program imports it; only tests may")
		}
	}
}
