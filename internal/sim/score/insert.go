package score

import (
	"bytes"
	"fmt"
)

// marks begin and end the generated part of a page.
func (r *Result) marks() (begin, end string) {
	set := "default"
	if r.HeldOut {
		set = "held-out"
	}
	return "<!-- score of the " + set + " parameters: generated -->\n", "<!-- end of the score of the " + set + " parameters -->\n"
}

// Insert puts the tables into a page, between the marks of their parameters.
func (r *Result) Insert(page []byte) ([]byte, error) {
	begin, end := r.marks()
	head, rest, ok := bytes.Cut(page, []byte(begin))
	_, tail, closed := bytes.Cut(rest, []byte(end))
	if !ok || !closed {
		return nil, fmt.Errorf("score: the page lacks the lines %q and %q, between which the tables go: add them", begin, end)
	}
	return fmt.Appendf(nil, "%s%s\n%s\n%s%s", head, begin, r.Markdown(), end, tail), nil
}
