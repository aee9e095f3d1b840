// Package axe answers one question, in tests alone: what on a page would shut
// somebody out who sees, hears or moves otherwise? It runs the accessibility
// engine that lies beside it in a browser.
package axe

import (
	"bytes"
	"compress/gzip"
	"context"
	_ "embed" // the engine
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"sync"

	"github.com/chromedp/chromedp"
)

//go:embed axe.min.js.gz
var packed []byte

var engine = sync.OnceValues(func() (string, error) {
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return "", fmt.Errorf("unpack the engine: %w", err)
	}
	text, err := io.ReadAll(z)
	if err != nil {
		return "", fmt.Errorf("unpack the engine: %w", err)
	}
	return string(text), nil
})

// run asks for the rules of WCAG 2.2 at AA and below, and for those of common
// practice.
const run = `axe.run(document, {resultTypes: ["violations"], runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]})
  .then((r) => JSON.stringify(r.violations.map((v) => ({id: v.id, help: v.help, impact: v.impact, nodes: v.nodes.map((n) => n.html.slice(0, 160) + " | " + n.failureSummary.replace(/\s+/g, " ").slice(0, 200))}))))`

// Violation is one rule that a page breaks, and where.
type Violation struct {
	ID, Help string
	// Impact is minor, moderate, serious or critical.
	Impact string
	// Nodes are the places, each with what would mend it.
	Nodes []string
}

// Serious says that it shuts people out.
func (v Violation) Serious() bool { return v.Impact == "serious" || v.Impact == "critical" }

func (v Violation) String() string {
	return fmt.Sprintf("%s, %s: %s\n\t%s", v.Impact, v.ID, v.Help, strings.Join(v.Nodes, "\n\t"))
}

// Scan looks at the page that the browser of ctx shows.
func Scan(ctx context.Context) ([]Violation, error) {
	there, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`typeof axe === "object"`))
	if err != nil {
		return nil, fmt.Errorf("look for the engine: %w", err)
	}
	if !there {
		text, err := engine()
		if err != nil {
			return nil, err
		}
		if err := chromedp.Do(ctx, chromedp.Evaluate[chromedp.Void](text)); err != nil {
			return nil, fmt.Errorf("load the engine: %w", err)
		}
	}
	text, err := chromedp.Run(ctx, chromedp.Evaluate[string](run, chromedp.EvalAwaitPromise))
	if err != nil {
		return nil, fmt.Errorf("scan the page: %w", err)
	}
	var out []Violation
	if err := json.Unmarshal([]byte(text), &out); err != nil {
		return nil, fmt.Errorf("read what the scan found: %w", err)
	}
	return out, nil
}
