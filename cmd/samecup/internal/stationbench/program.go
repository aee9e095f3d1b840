package stationbench

import (
	"debug/buildinfo"
	"fmt"
	"os"
)

// programRow says which program is measured: its size, path and build tags.
func programRow(path string) (Row, error) {
	st, err := os.Stat(path)
	if err != nil {
		return Row{}, fmt.Errorf("the program to be measured: %w", err)
	}
	info, err := buildinfo.ReadFile(path)
	if err != nil {
		return Row{}, fmt.Errorf("the program to be measured, %s, is none of ours: %w", path, err)
	}
	built := "every role"
	for _, s := range info.Settings {
		if s.Key == "-tags" {
			built = "built with -tags " + s.Value
		}
	}
	return Row{Name: "program", Value: float64(st.Size()) / 1e6, Unit: "MB", Note: fmt.Sprintf("the file that was measured: %s, %s", path, built)}, nil
}
