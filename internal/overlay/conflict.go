package overlay

import (
	"fmt"
	"strings"

	"samecup.example/samecup/internal/bookedit"
)

// Conflict is an edit whose base is not what it was pinned on.
type Conflict struct {
	Edit Edit
	// Base is what the edit was pinned on, Now what the book says; each is empty
	// where there was or is nothing.
	Base, Now string
	// Text is a sentence that names both and what to do.
	Text string
}

// String is the sentence.
func (c Conflict) String() string { return c.Text }

// Conflicts names the edits of an overlay that need rebasing on these files: the
// value at their path is not the pinned one, or what it belongs to has gone.
// Values are compared as YAML (bookedit.SameValue): another way of quoting or
// spacing is no conflict, another unit for the same quantity is one. Changes to
// any other field, allergens and hard limits included, conflict with nothing:
// Safety says what they come to once the overlay is applied.
func Conflicts(files map[string][]byte, o Overlay) []Conflict {
	return conflicts(newDocs(files), o)
}

func conflicts(d *docs, o Overlay) []Conflict {
	var out []Conflict
	for _, e := range o.Edits {
		now, found, err := d.base(e)
		if err == nil && bookedit.SameValue(now, e.Base) {
			continue
		}
		c := Conflict{Edit: e, Base: e.Base, Now: now}
		does := "sets " + e.File + " " + e.Path + " to " + e.Value
		if strings.TrimSpace(e.Value) == "" {
			does = "removes " + e.File + " " + e.Path
		}
		pinned := "pinned on " + e.Base
		if e.Base == "" {
			pinned = "pinned on its absence"
		}
		says := "the base now says " + now
		switch {
		case err != nil:
			says = "the base no longer has its place (" + err.Error() + ")"
		case !found:
			says = "the base no longer has it"
		}
		c.Text = fmt.Sprintf("%s %s, %s (edition %d), but %s: rebase the overlay on it, or drop this edit.", o.Scope, does, pinned, o.BaseEdition, says)
		out = append(out, c)
	}
	return out
}

// ConflictError says that an overlay needs rebasing, so nothing was resolved.
type ConflictError struct {
	Scope     string
	Conflicts []Conflict
}

// Error quotes every conflict.
func (e *ConflictError) Error() string {
	parts := make([]string, len(e.Conflicts))
	for i, c := range e.Conflicts {
		parts[i] = c.Text
	}
	return "overlay needs rebasing: " + strings.Join(parts, " ")
}
