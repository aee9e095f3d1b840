package method

import (
	"strings"
	"testing"
)

func TestEachNoteIsTwoSentencesWithASource(t *testing.T) {
	seen := map[string]bool{}
	for _, n := range All() {
		if seen[n.Key] {
			t.Errorf("%s stands twice", n.Key)
		}
		seen[n.Key] = true
		if n.Name == "" || n.Source == "" {
			t.Errorf("%s has no name or no source", n.Key)
		}
		if !strings.HasSuffix(n.Text, ".") || strings.Count(n.Text, ". ") != 1 {
			t.Errorf("%s is not two sentences: %q", n.Key, n.Text)
		}
		if got, ok := Of(n.Key); !ok || got != n {
			t.Errorf("%s is not found", n.Key)
		}
	}
	if _, ok := Of("none"); ok {
		t.Error("a method that nobody wrote is found")
	}
}
