package chart

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// laneChart is a day with n things in two rows.
func laneChart(n int, at func(i int) float64, label func(i int) string) *Chart {
	from := time.Date(2026, 11, 18, 6, 0, 0, 0, time.UTC)
	x := ClockAxis(from, from.Add(12*time.Hour))
	lanes := []Lane{{Name: "grinder set"}, {Name: "check not done"}}
	for i := range n {
		l := &lanes[i%2]
		l.Marks = append(l.Marks, LaneMark{X: at(i), Label: label(i), Text: fmt.Sprintf("%d: %s", i, label(i))})
	}
	for i := range lanes {
		slices.SortFunc(lanes[i].Marks, func(a, b LaneMark) int { return int(math.Copysign(1, a.X-b.X)) })
	}
	shots := Panel{Title: "Shot time", X: x, Y: NewAxis("shot time, s", 24, 32), Points: []Point{{XY: XY{3600, 28}}, {XY: XY{9000, 29}}}}
	shots.X.Name = ""
	return &Chart{ID: "lanes", Title: "A day", N: "n = 2 readings", Method: "As logged.", Panels: []Panel{shots, {Title: "What happened at the bar", X: x, Lanes: lanes}}, PanelHeight: 190}
}

func TestWordsOfARowNeverRunIntoOneAnother(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 80).Draw(t, "n")
		at := rapid.SliceOfN(rapid.Float64Range(0, 12*3600), n, n).Draw(t, "at")
		label := rapid.SliceOfN(rapid.StringMatching(`[a-zé]{0,30}`), n, n).Draw(t, "label")
		c := laneChart(n, func(i int) float64 { return at[i] }, func(i int) string { return label[i] })
		d := c.draw()
		rows, strokes := map[float64][]stroke{}, 0
		for _, s := range d.strokes {
			switch {
			case s.class == "event":
				strokes++
			case s.class == "note" && s.anchor == "start":
				rows[s.pts[0].Y] = append(rows[s.pts[0].Y], s)
			}
		}
		if strokes != n {
			t.Fatalf("%d things happened and %d strokes are drawn", n, strokes)
		}
		for y, row := range rows {
			slices.SortFunc(row, func(a, b stroke) int { return int(math.Copysign(1, a.pts[0].X-b.pts[0].X)) })
			for i, s := range row {
				end := s.pts[0].X + wide(s.words)
				if i+1 < len(row) && end > row[i+1].pts[0].X || end > d.w {
					t.Fatalf("at %g the words %q run beyond their room", y, s.words)
				}
			}
		}
	})
}

// TestLanesAsPictures writes a day with 1, 10 and 60 things where SAMECUP_SHOTS says.
func TestLanesAsPictures(t *testing.T) {
	dir := os.Getenv("SAMECUP_SHOTS")
	for _, n := range []int{1, 10, 60} {
		c := laneChart(n, func(i int) float64 { return math.Mod(float64(i)*7919, 11*3600) + 900 }, func(i int) string {
			if i%2 == 0 {
				return fmt.Sprintf("2.%d", i%10)
			}
			return "espresso: scale without battery"
		})
		name := filepath.Join(t.TempDir(), "lanes.png")
		if dir != "" {
			name = filepath.Join(dir, fmt.Sprintf("lanes-%d.png", n))
		}
		f, err := os.Create(filepath.Clean(name))
		if err != nil {
			t.Fatal(err)
		}
		if err := c.PNG(f); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
