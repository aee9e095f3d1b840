package chart

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"
	"strconv"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"

	"samecup.example/samecup/internal/look"
)

// pngScale is pixels a user unit: sharp on paper at the width of a page.
const pngScale = 2

// maxPixels bounds a picture.
const maxPixels = 40 << 20

// PNG writes what SVG writes as pixels.
func (c *Chart) PNG(w io.Writer) error {
	d := c.whole()
	wide, high := int(math.Ceil(d.w*pngScale)), int(math.Ceil(d.h*pngScale))
	if wide < 1 || high < 1 || wide*high > maxPixels {
		return fmt.Errorf("chart %s: a picture of %d x %d pixels is not drawn; show fewer panels, or take the SVG", c.ID, wide, high)
	}
	colours, err := look.Colours(look.Light)
	if err != nil {
		return err
	}
	r := raster{img: image.NewRGBA(image.Rect(0, 0, wide, high)), colours: colours}
	draw.Draw(r.img, r.img.Bounds(), image.NewUniform(r.colour("sheet")), image.Point{}, draw.Src)
	for i := range d.strokes {
		if err := r.stroke(&d.strokes[i]); err != nil {
			return err
		}
	}
	return png.Encode(w, r.img)
}

type raster struct {
	img     *image.RGBA
	colours map[string]string
	z       vector.Rasterizer
}

func (r *raster) colour(token string) color.RGBA {
	hex := r.colours[token]
	if len(hex) != 7 {
		return color.RGBA{A: 255}
	}
	n, err := strconv.ParseUint(hex[1:], 16, 32)
	if err != nil {
		return color.RGBA{A: 255}
	}
	return color.RGBA{uint8(n >> 16), uint8(n >> 8), uint8(n), 255} //nolint:gosec // bytes of a colour
}

func styleOf(class string) style {
	for _, s := range styles {
		if s.class == class {
			return s
		}
	}
	return style{}
}

func (r *raster) stroke(s *stroke) error {
	st := styleOf(s.class)
	pts := make([]XY, 0, len(s.pts))
	for _, q := range s.pts {
		pts = append(pts, XY{q.X * pngScale, q.Y * pngScale})
	}
	if s.words != "" {
		return r.words(s, st, pts[0])
	}
	if s.r > 0 {
		pts, s = circle(pts[0], s.r*pngScale), &stroke{closed: true}
	}
	if st.fill != "" && s.closed {
		r.fill(pts, r.colour(st.fill))
	}
	if st.edge != "" {
		if s.closed {
			pts = append(pts, pts[0])
		}
		r.line(pts, st.width*pngScale, st.dash, r.colour(st.edge))
	}
	return nil
}

func circle(at XY, radius float64) []XY {
	out := make([]XY, 24)
	for i := range out {
		sin, cos := math.Sincos(float64(i) * math.Pi / 12)
		out[i] = XY{at.X + radius*cos, at.Y + radius*sin}
	}
	return out
}

// fill paints a polygon within its own box.
func (r *raster) fill(pts []XY, c color.RGBA) {
	lo, hi := XY{math.Inf(1), math.Inf(1)}, XY{math.Inf(-1), math.Inf(-1)}
	for _, q := range pts {
		lo, hi = XY{math.Min(lo.X, q.X), math.Min(lo.Y, q.Y)}, XY{math.Max(hi.X, q.X), math.Max(hi.Y, q.Y)}
	}
	box := image.Rect(int(lo.X)-1, int(lo.Y)-1, int(hi.X)+2, int(hi.Y)+2)
	if box.Intersect(r.img.Bounds()).Empty() {
		return
	}
	r.z.Reset(box.Dx(), box.Dy())
	for i, q := range pts {
		x, y := float32(q.X-float64(box.Min.X)), float32(q.Y-float64(box.Min.Y))
		if i == 0 {
			r.z.MoveTo(x, y)
		} else {
			r.z.LineTo(x, y)
		}
	}
	r.z.ClosePath()
	r.z.Draw(r.img, box, image.NewUniform(c), image.Point{})
}

// line draws bars from point to point, cut by the dashes.
func (r *raster) line(pts []XY, width float64, dash []float64, c color.RGBA) {
	on, left, which := true, math.Inf(1), 0
	if dash != nil {
		left = dash[0] * pngScale
	}
	for i := 1; i < len(pts); i++ {
		a, b := pts[i-1], pts[i]
		for {
			l := math.Hypot(b.X-a.X, b.Y-a.Y)
			if l == 0 {
				break
			}
			step := math.Min(l, left)
			m := XY{a.X + (b.X-a.X)*step/l, a.Y + (b.Y-a.Y)*step/l}
			if on {
				h := width / 2
				nx, ny := (b.Y-a.Y)/l*h, -(b.X-a.X)/l*h
				r.fill([]XY{{a.X + nx, a.Y + ny}, {m.X + nx, m.Y + ny}, {m.X - nx, m.Y - ny}, {a.X - nx, a.Y - ny}}, c)
			}
			if left -= step; left <= 0 {
				on, which = !on, 1-which
				left = dash[which] * pngScale
			}
			a = m
			if step == l {
				break
			}
		}
	}
}

var fonts = sync.OnceValues(func() ([2]*opentype.Font, error) {
	regular, err := opentype.Parse(goregular.TTF)
	if err != nil {
		return [2]*opentype.Font{}, fmt.Errorf("read the font: %w", err)
	}
	bold, err := opentype.Parse(gobold.TTF)
	return [2]*opentype.Font{regular, bold}, err
})

func (r *raster) words(s *stroke, st style, at XY) error {
	both, err := fonts()
	if err != nil {
		return err
	}
	f := both[0]
	if st.bold {
		f = both[1]
	}
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: st.size * pngScale, DPI: 72})
	if err != nil {
		return fmt.Errorf("set the font: %w", err)
	}
	defer func() { _ = face.Close() }()
	long := font.MeasureString(face, s.words).Ceil()
	back := map[string]int{"middle": long / 2, "end": long}[s.anchor]
	if !s.turned {
		d := font.Drawer{Dst: r.img, Src: image.NewUniform(r.colour(st.fill)), Face: face, Dot: fixed.P(int(at.X)-back, int(at.Y))}
		d.DrawString(s.words)
		return nil
	}
	// Set it level, then turn it a quarter to the left.
	high := int(st.size*pngScale) * 2
	level := image.NewRGBA(image.Rect(0, 0, long+2, high))
	base := high * 3 / 4
	d := font.Drawer{Dst: level, Src: image.NewUniform(r.colour(st.fill)), Face: face, Dot: fixed.P(0, base)}
	d.DrawString(s.words)
	turned := image.NewRGBA(image.Rect(0, 0, high, long+2))
	for y := range high {
		for x := range long + 2 {
			turned.SetRGBA(y, long+1-x, level.RGBAAt(x, y))
		}
	}
	box := image.Rect(0, 0, high, long+2).Add(image.Pt(int(at.X)-base, int(at.Y)-long+back))
	draw.Draw(r.img, box, turned, image.Point{}, draw.Over)
	return nil
}
