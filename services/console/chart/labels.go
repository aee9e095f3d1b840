package chart

import "slices"

// box is what words or a point take up.
type box struct{ left, top, right, bottom float64 }

func (b box) meets(o box) bool {
	return b.left < o.right && o.left < b.right && b.top < o.bottom && o.top < b.bottom
}

// beside are the places of a point's words, the best first: how far from the point,
// and which end is at it.
var beside = []struct {
	dx, dy float64
	anchor string
}{{9, -6, "start"}, {9, 15, "start"}, {-9, -6, "end"}, {-9, 15, "end"}, {0, -14, "middle"}, {0, 24, "middle"},
	{9, -22, "start"}, {9, 31, "start"}, {-9, -22, "end"}, {-9, 31, "end"}}

// pointWords sets the labels of points where they run neither into each other nor
// over a point; where there is no such place the words are left to the table and to
// hovering.
func (f *frame) pointWords(d *drawing) {
	var taken []box
	for _, q := range f.p.Points {
		if finite(q.X) && finite(q.Y) {
			x, y := f.x(q.X), f.clampY(q.Y)
			taken = append(taken, box{x - 6, y - 6, x + 6, y + 6})
		}
	}
	for _, q := range f.p.Points {
		if q.Label == "" || !finite(q.X) || !finite(q.Y) {
			continue
		}
		x, y, w := f.x(q.X), f.clampY(q.Y), wide(q.Label)
		for _, p := range beside {
			left := x + p.dx
			switch p.anchor {
			case "end":
				left -= w
			case "middle":
				left -= w / 2
			}
			b := box{left, y + p.dy - 11, left + w, y + p.dy + 3}
			if b.left < f.left || b.right > f.right || b.top < f.top-14 || b.bottom > f.bottom || slices.ContainsFunc(taken, b.meets) {
				continue
			}
			taken = append(taken, b)
			d.say("note", p.anchor, x+p.dx, y+p.dy, q.Label)
			break
		}
	}
}
