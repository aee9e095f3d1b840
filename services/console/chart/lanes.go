package chart

import (
	"fmt"
	"math"
	"unicode/utf8"
)

// Lane is a row of things that happened, such as every lot that was opened. Each has
// a stroke at its time; its words stand above it where they have room, and what lies
// too close for words is counted, so that no text runs into another.
type Lane struct {
	Name  string
	Marks []LaneMark
}

// LaneMark is one thing that happened. Text is read out and shown on hovering.
type LaneMark struct {
	X           float64
	Label, Text string
}

const (
	laneHeight = 32.0
	laneStroke = 11.0
	// letter is the width of one of the note's.
	letter = 6.9
	// laneGap is what stays free before the next words.
	laneGap = 8.0
	// chainGap bounds what counts as too close: long words are cut before nine
	// hours of a day become one number.
	chainGap = 52.0
)

func wide(s string) float64 { return letter * float64(utf8.RuneCountInString(s)) }

// lanes draws the rows, the first at the top. What happened is in order of time.
func (f *frame) lanes(d *drawing) {
	for i, l := range f.p.Lanes {
		y := f.top + laneHeight*float64(i+1)
		d.line("grid", XY{f.left, y}, XY{f.right, y})
		d.say("tick", "end", f.left-7, y-3, l.Name)
		for _, m := range l.Marks {
			x := f.x(m.X)
			d.strokes = append(d.strokes, stroke{class: "event", pts: []XY{{x, y}, {x, y - laneStroke}}, text: m.Text})
		}
		f.laneWords(d, l.Marks, y-laneStroke-4)
	}
}

func (f *frame) laneWords(d *drawing, marks []LaneMark, y float64) {
	for i := 0; i < len(marks); {
		x, j := f.x(marks[i].X), i+1
		for j < len(marks) && f.x(marks[j].X)-f.x(marks[j-1].X) < math.Min(wide(marks[j-1].Label)+laneGap, chainGap) {
			j++
		}
		// Beside the last there is the margin.
		room := f.right + 150 - x
		if j < len(marks) {
			room = f.x(marks[j].X) - x - laneGap
		}
		words := marks[i].Label
		if j > i+1 {
			words = fmt.Sprintf("%d×", j-i)
		}
		d.say("note", "start", x-1, y, clip(words, int(room/letter)))
		i = j
	}
}

// clip cuts words to most letters, with a sign of it; fewer than three say nothing.
func clip(s string, most int) string {
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	if most < 3 {
		return ""
	}
	return string([]rune(s)[:most-1]) + "…"
}
