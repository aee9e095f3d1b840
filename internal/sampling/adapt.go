package sampling

import "fmt"

// Level is how closely a station looks.
type Level string

// The levels.
const (
	Relaxed   Level = "relaxed"
	Normal    Level = "normal"
	Tightened Level = "tightened"
)

func (l Level) known() bool { return l == Relaxed || l == Normal || l == Tightened }

// Adaptation says when a station changes level. One signal tightens at once;
// easing takes quiet shifts running, one level at a time, so that it does not
// swing.
type Adaptation struct {
	// QuietToNormal quiet shifts end tightening, QuietToRelax more relax.
	QuietToNormal int `json:"quiet_to_normal"`
	QuietToRelax  int `json:"quiet_to_relax"`
	// MissedMost is the share of prompts, 0 to 1, that a quiet shift may have
	// left undone: not measuring never buys fewer checks.
	MissedMost float64 `json:"missed_most"`
}

// DefaultAdaptation is invented: 3 quiet shifts to normal, 10 to relaxed, a fifth
// missed at most.
func DefaultAdaptation() Adaptation {
	return Adaptation{QuietToNormal: 3, QuietToRelax: 10, MissedMost: 0.2}
}

func (a *Adaptation) check() error {
	if a.QuietToNormal < 1 || a.QuietToNormal > 1000 || a.QuietToRelax < 1 || a.QuietToRelax > 1000 {
		return fmt.Errorf("adapt: quiet_to_normal is %d and quiet_to_relax %d, allowed: 1 to 1000 shifts", a.QuietToNormal, a.QuietToRelax)
	}
	if !(a.MissedMost >= 0 && a.MissedMost <= 1) {
		return fmt.Errorf("adapt: missed_most is %v, allowed: 0 to 1", a.MissedMost)
	}
	return nil
}

// History is what a station carries from shift to shift. The zero value is a
// station that nothing is known of, which begins at normal.
type History struct {
	Level Level `json:"level"`
	// Quiet counts the quiet shifts running at this level.
	Quiet int `json:"quiet"`
	// Why it stands where it does, in words.
	Why string `json:"why"`
}

// Now is the level to begin the next shift with.
func (h History) Now() Level {
	if !h.Level.known() {
		return Normal
	}
	return h.Level
}

// Summary is how a shift went.
type Summary struct {
	// Signals of drift raised in it, NewRelease when a release came into force.
	Signals    int  `json:"signals"`
	NewRelease bool `json:"new_release"`
	// Prompts that were decided, and those among them that were missed.
	Prompts int `json:"prompts"`
	Missed  int `json:"missed"`
}

// After gives the history after one more shift.
func (a Adaptation) After(h History, s Summary) History {
	h.Level = h.Now()
	missed := s.Prompts == 0 || float64(s.Missed) > a.MissedMost*float64(s.Prompts)
	switch {
	case s.Signals > 0:
		return History{Tightened, 0, fmt.Sprintf("tightened: signals of drift in the shift, %d", s.Signals)}
	case s.NewRelease:
		return History{Tightened, 0, "tightened: a new release came into force"}
	case missed && h.Level == Relaxed:
		return History{Normal, 0, fmt.Sprintf("back to normal: %d of %d prompts were missed", s.Missed, s.Prompts)}
	case missed:
		return h // neither quiet nor loud: it proves nothing
	}
	h.Quiet++
	switch {
	case h.Level == Tightened && h.Quiet >= a.QuietToNormal:
		return History{Normal, 0, fmt.Sprintf("back to normal: %d quiet shifts", h.Quiet)}
	case h.Level == Normal && h.Quiet >= a.QuietToRelax:
		return History{Relaxed, 0, fmt.Sprintf("relaxed: %d quiet shifts", h.Quiet)}
	}
	return h
}
