package console

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"samecup.example/samecup/services/console/method"
)

// TestEveryMethodOnAPageIsExplained wants help beside each chart and beside each
// word that names a method.
func TestEveryMethodOnAPageIsExplained(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil).as(ch.tokens["lea"])
	paths := shownPages(t, ch)
	paths["visit"] = visitAddress(t, ch, d)
	named := map[string]string{"95 % interval": method.Wilson, "Funnel plot": method.Funnel, "empirical Bayes": method.Shrunk, "Individuals chart": method.Individuals,
		"order statistics": method.Order, "Signals since yesterday": method.Watch, "Questions about logs, the newest": method.Honest, "no probabilities": method.Suspects,
		"limits of agreement at 95": method.Agreement}
	for name, path := range paths {
		if name == "nowhere" {
			continue
		}
		body := d.want(path, 200)
		for _, fig := range regexp.MustCompile(`(?s)<figure class="chart" id="([^"]+)".*?</figure>`).FindAllStringSubmatch(body, -1) {
			if !strings.Contains(fig[0], `class="help"`) {
				t.Errorf("%s: the chart %s has no help", path, fig[1])
			}
		}
		for words, key := range named {
			if strings.Contains(body, words) && !strings.Contains(body, `data-method="`+key+`"`) && strings.Contains(body, "</table>") {
				t.Errorf("%s says %q and does not explain %s", path, words, key)
			}
		}
	}
	d.want("/methods", 200, "Funnel plot", "Source: Wilson 1927")
}

// TestEveryKeyOfHelpHasItsText finds the keys in sources and templates.
func TestEveryKeyOfHelpHasItsText(t *testing.T) {
	var files []string
	for _, pattern := range []string{"*.go", "templates/*.html"} {
		got, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, got...)
	}
	keys := regexp.MustCompile(`"help" \(list ("[^)]*")\)|Help: \[\]string\{("[^}]*")\}`)
	found := 0
	for _, name := range files {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range keys.FindAllStringSubmatch(string(text), -1) {
			for _, k := range strings.FieldsFunc(m[1]+m[2], func(r rune) bool { return strings.ContainsRune(`", `, r) }) {
				found++
				if _, ok := method.Of(k); !ok {
					t.Errorf("%s asks for help about %q, which has no text", name, k)
				}
			}
		}
	}
	if found == 0 {
		t.Error("no key was found: does the test still look for what is written?")
	}
}
