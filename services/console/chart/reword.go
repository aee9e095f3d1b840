package chart

import (
	"slices"
	"strings"
)

// Reword is a copy of the chart with every word of it, figures at the ticks
// included, passed through f: so a reader's decimal sign reaches pictures as it
// does pages. f gets no addresses.
func (c *Chart) Reword(f func(string) string) *Chart {
	out := *c
	for _, s := range []*string{&out.Title, &out.Desc, &out.Method, &out.N, &out.Limits, &out.Centre, &out.Whisker, &out.Diamond, &out.Allowed} {
		*s = f(*s)
	}
	out.Panels = slices.Clone(c.Panels)
	for i := range out.Panels {
		p := &out.Panels[i]
		p.Title = f(p.Title)
		p.X, p.Y = p.X.reword(f), p.Y.reword(f)
		p.Tolerances = reworded(p.Tolerances, func(t *Tolerance) {
			t.Label = f(t.Label)
			t.say = f
		})
		p.Limits = reworded(p.Limits, func(l *Limit) { l.Label = f(l.Label) })
		p.Points = reworded(p.Points, func(q *Point) { q.Text, q.Label, q.At = f(q.Text), f(q.Label), f(q.At) })
		p.Bars = reworded(p.Bars, func(b *Bar) { b.Text = f(b.Text) })
		p.Marks = reworded(p.Marks, func(m *Mark) { m.Label = f(m.Label) })
		p.Lanes = reworded(p.Lanes, func(l *Lane) {
			l.Name = f(l.Name)
			l.Marks = reworded(l.Marks, func(m *LaneMark) { m.Label, m.Text = f(m.Label), f(m.Text) })
		})
	}
	return &out
}

func (a Axis) reword(f func(string) string) Axis {
	a.Name = f(a.Name)
	a.Ticks = reworded(a.Ticks, func(t *Tick) { t.Label = f(t.Label) })
	return a
}

func reworded[T any](list []T, each func(*T)) []T {
	out := slices.Clone(list)
	for i := range out {
		each(&out[i])
	}
	return out
}

// Decimals gives the figures in words of a chart another decimal sign. A point
// within a name such as SO-4.2 or a version such as 1.2.3 stays.
func Decimals(words, sign string) string {
	if sign == "." || !strings.Contains(words, ".") {
		return words
	}
	var b strings.Builder
	for i := range len(words) {
		if words[i] == '.' && stands(words, i) {
			b.WriteString(sign)
			continue
		}
		b.WriteByte(words[i])
	}
	return b.String()
}

// stands says that the point at i is within a figure that stands for itself.
func stands(s string, i int) bool {
	digit := func(k int) bool { return k >= 0 && k < len(s) && s[k] >= '0' && s[k] <= '9' }
	word := func(k int) bool {
		return digit(k) || k >= 0 && k < len(s) && (s[k] >= 'a' && s[k] <= 'z' || s[k] >= 'A' && s[k] <= 'Z' || s[k] == '_')
	}
	if !digit(i-1) || !digit(i+1) {
		return false
	}
	from, to := i, i+1
	for digit(from - 1) {
		from--
	}
	for digit(to) {
		to++
	}
	name := from > 0 && (word(from-1) || s[from-1] == '.' || s[from-1] == '-' && word(from-2))
	return !name && !word(to) && !(to < len(s) && s[to] == '.' && word(to+1))
}
