package bar

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/station/durable"
)

// PlanFile is where a station keeps a sampling plan of its own, which goes
// before the book's.
const PlanFile = "plan.json"

const maxPlanFile = drink.MaxSamplingBytes

// LoadRoster reads the plan in a station's directory; nil without one.
func LoadRoster(dir string) (*sampling.Roster, error) {
	raw, err := readSmall(filepath.Join(dir, PlanFile), maxPlanFile)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	r, err := sampling.ParseRoster(raw)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", filepath.Join(dir, PlanFile), err)
	}
	return &r, nil
}

// KeepRoster checks a plan file and puts it into a station's directory. It is
// followed from the next shift on.
func KeepRoster(dir string, raw []byte) error {
	if _, err := sampling.ParseRoster(raw); err != nil {
		return err
	}
	return durable.WriteFile(filepath.Join(dir, PlanFile), raw)
}

// readSmall reads a file that must not be large.
func readSmall(path string, most int64) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.Size() > most {
		return nil, fmt.Errorf("%s has %d bytes, at most %d are taken", path, info.Size(), most)
	}
	return os.ReadFile(path)
}
