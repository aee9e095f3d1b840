package lean

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestOnlyPagesThatCannotBeWrittenAreGivenBack(t *testing.T) {
	const maps = `00400000-0048a000 r-xp 00000000 fd:03 960637   /opt/a b/samecup
0048a000-0050a000 r--p 0008a000 fd:03 960637   /opt/a b/samecup
0050a000-0060a000 rw-p 0010a000 fd:03 960637   /opt/a b/samecup
0060a000-0061a000 r--s 0010a000 fd:03 960637   /opt/a b/samecup
7f00000000-7f00001000 r-xp 00000000 fd:03 1 /usr/lib/libc.so.6
7f00002000-7f00003000 rw-p 00000000 00:00 0
7f00004000-7f00005000 r-xp
`
	want := []pages{{0x400000, 0x8a000}, {0x48a000, 0x80000}}
	if d := cmp.Diff(want, programRanges(maps, "/opt/a b/samecup"), cmp.AllowUnexported(pages{})); d != "" {
		t.Error(d)
	}
}

// The program goes on after its pages are gone.
func TestTheProgramComesBack(t *testing.T) {
	n, err := dropProgram()
	if err != nil || n < 1<<20 {
		t.Errorf("%d bytes, %v; want the program's", n, err)
	}
	release()
}
