//go:build !unix

package consolebench

import "time"

// cpuTime is not known here.
func cpuTime() time.Duration { return 0 }
