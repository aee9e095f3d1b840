//go:build !linux

package lean

func dropProgram() (int, error) { return 0, nil }
