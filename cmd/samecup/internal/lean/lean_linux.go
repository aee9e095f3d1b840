package lean

import (
	"fmt"
	"os"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// dropProgram lets go of the resident pages of the program's file that nobody
// can have written to, and returns how many bytes it covered. They are read
// again from the file when they are touched.
func dropProgram() (int, error) {
	exe, err := os.Readlink("/proc/self/exe")
	if err != nil {
		return 0, fmt.Errorf("find this program: %w", err)
	}
	maps, err := os.ReadFile("/proc/self/maps")
	if err != nil {
		return 0, fmt.Errorf("find this program's pages: %w", err)
	}
	covered := 0
	for _, r := range programRanges(string(maps), exe) {
		// Else one touch may bring 2 MiB back. Not every kernel knows it.
		_, _, _ = unix.Syscall(unix.SYS_MADVISE, r.start, r.size, unix.MADV_NOHUGEPAGE)
		if _, _, errno := unix.Syscall(unix.SYS_MADVISE, r.start, r.size, unix.MADV_DONTNEED); errno != 0 {
			return covered, fmt.Errorf("give back the program's pages: %w", errno)
		}
		covered += int(r.size)
	}
	return covered, nil
}

type pages struct{ start, size uintptr }

// programRanges finds the mappings of a file that cannot be written, in the
// format of proc(5): "00400000-0048a000 r-xp 00000000 fd:03 960637 /bin/x".
func programRanges(maps, exe string) (out []pages) {
	for line := range strings.Lines(maps) {
		f := strings.Fields(line)
		if len(f) < 6 || strings.Join(f[5:], " ") != exe || len(f[1]) != 4 || f[1][1] == 'w' || f[1][3] != 'p' {
			continue
		}
		from, to, _ := strings.Cut(f[0], "-")
		a, err1 := strconv.ParseUint(from, 16, 64)
		b, err2 := strconv.ParseUint(to, 16, 64)
		if err1 == nil && err2 == nil && b > a {
			out = append(out, pages{uintptr(a), uintptr(b - a)})
		}
	}
	return out
}
