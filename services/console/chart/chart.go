// Package chart answers: how is a figure shown so that nobody mistakes what it
// says? It draws panels of points with tolerances, limits and marks as SVG,
// PNG and PDF from one list of strokes, so that all say the same.
//
// A tolerance of the book is a solid band, a limit from a process's own past a
// dashed line; each is named in words beside the drawing. Points differ by
// shape, so that a photocopy says as much as a screen.
package chart

import "cmp"

// Chart is one drawing with its words.
type Chart struct {
	// ID is unique on its page and part of class names and file names.
	ID string
	// Title says what is shown; Desc what it comes to, in a sentence or two, for
	// whoever cannot see it.
	Title, Desc string
	// Method names the method and its source in words; N what was counted.
	Method, N string
	// Limits, Centre, Whisker and Diamond are the words of the key; empty takes
	// the usual ones, which are those of a control chart.
	Limits, Centre, Whisker, Diamond string
	// Allowed is the word of the key for a solid band that is no tolerance of the
	// book; empty where it is one.
	Allowed string
	// Columns of panels; 0 means 1.
	Columns int
	// PanelWidth and PanelHeight in user units; 0 means what suits the columns.
	PanelWidth, PanelHeight float64
	Panels                  []Panel
}

// Panel is one pair of axes. Panels of one chart share a scale where they are
// given the same axis.
type Panel struct {
	// Title stands above the panel; Href links it to what is beneath.
	Title, Href string
	X, Y        Axis
	Tolerances  []Tolerance
	Limits      []Limit
	Lines       []Line
	Points      []Point
	Bars        []Bar
	Marks       []Mark
	// Lanes make the panel rows of what happened: it has no Y and no points then.
	Lanes []Lane
}

// Axis is a linear scale from Min to Max, which Ticks lie within.
type Axis struct {
	// Name with the unit, such as "shot time, s".
	Name     string
	Min, Max float64
	Ticks    []Tick
}

// Tick is a labelled place on an axis; without a label it is a short stroke.
type Tick struct {
	At    float64
	Label string
}

// Tolerance is what the book allows: a solid band. A nil side is open.
type Tolerance struct {
	Low, High *float64
	// From and To bound it along X; both 0 for the whole width.
	From, To float64
	// Label is said in the margin; empty says it in the key alone.
	Label string
	say   func(string) string // set by Reword; nil leaves figures as they are
}

// Limit is what a process does by its own past, or what chance gives: a dashed
// line through its points.
type Limit struct {
	Along []XY
	// Label is said in the margin, such as "upper limit 31.2".
	Label string
	// Centre is drawn solid and thin: the line that the limits lie about.
	Centre bool
	// Faint is a nearer limit, with shorter dashes.
	Faint bool
}

// Line joins what belongs together.
type Line struct{ Along []XY }

// XY is a place in the units of the axes.
type XY struct{ X, Y float64 }

// Shape of a point.
type Shape uint8

// The shapes.
const (
	Dot     Shape = iota // inside
	Diamond              // a rule or a tolerance speaks
	Ring                 // said, and not counted
)

// Point is one value, with its interval where it has one.
type Point struct {
	XY
	Low, High *float64
	// Left and Right are an interval along X.
	Left, Right *float64
	Shape       Shape
	// Text is read out and shown on hovering; Href leads to what is beneath.
	Text, Href string
	// Label stands beside it.
	Label string
	// At says X in words, for the table; empty takes the axis's own.
	At string
}

// Bar lies along X from its beginning, Long in units of X, from Low to High in
// units of Y: values stand upwards on every chart.
type Bar struct {
	Low, High, Long float64
	Text            string
}

// Mark is something that happened at a place on X, such as a new lot.
type Mark struct {
	X     float64
	Label string
}

// keyEntry says in words what a shape means.
type keyEntry struct{ class, words string }

// key lists what is used.
func (c *Chart) key() []keyEntry {
	var tol, lim, faint, centre, diamond, ring, whisker bool
	for i := range c.Panels {
		p := &c.Panels[i]
		tol = tol || len(p.Tolerances) > 0
		for _, l := range p.Limits {
			centre = centre || l.Centre
			faint = faint || l.Faint
			lim = lim || !l.Centre && !l.Faint
		}
		for _, q := range p.Points {
			diamond = diamond || q.Shape == Diamond
			ring = ring || q.Shape == Ring
			whisker = whisker || q.Low != nil || q.High != nil || q.Left != nil
		}
	}
	var out []keyEntry
	add := func(on bool, class, words string) {
		if on {
			out = append(out, keyEntry{class, words})
		}
	}
	add(tol, "tol", cmp.Or(c.Allowed, "tolerance of the book"))
	add(lim, "lim", cmp.Or(c.Limits, "limits from its own past"))
	add(faint, "faint", "95 % limits of chance")
	add(centre, "centre", cmp.Or(c.Centre, "centre"))
	add(whisker, "whisker", cmp.Or(c.Whisker, "95 % interval"))
	add(diamond, "diamond", cmp.Or(c.Diamond, "worth a look"))
	add(ring, "ring", "too few to tell")
	return out
}
