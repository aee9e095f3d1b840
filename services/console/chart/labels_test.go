package chart

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestNamesOfPointsNeverRunIntoOneAnother(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 30).Draw(t, "n")
		p := Panel{X: NewAxis("builds", 0, 100), Y: NewAxis("%", 0, 100)}
		for range n {
			p.Points = append(p.Points, Point{XY: XY{rapid.Float64Range(0, 100).Draw(t, "x"), rapid.Float64Range(0, 100).Draw(t, "y")}, Label: rapid.StringMatching(`[A-Z][a-z]{3,14}`).Draw(t, "label")})
		}
		c := &Chart{ID: "points", Title: "t", Panels: []Panel{p}}
		var boxes []box
		for _, s := range c.draw().strokes {
			if s.class != "note" || s.turned || s.words == "builds" {
				continue
			}
			left := s.pts[0].X
			switch s.anchor {
			case "end":
				left -= wide(s.words)
			case "middle":
				left -= wide(s.words) / 2
			}
			b := box{left, s.pts[0].Y - 11, left + wide(s.words), s.pts[0].Y + 3}
			if slices.ContainsFunc(boxes, b.meets) {
				t.Fatalf("%q runs into other words", s.words)
			}
			boxes = append(boxes, b)
		}
		if len(boxes) == 0 {
			t.Fatal("no point is named")
		}
	})
}
