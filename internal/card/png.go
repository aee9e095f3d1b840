package card

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"

	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/f32"
	"golang.org/x/image/vector"
)

// DefaultDPI gives 1165 x 1654 pixels, enough for a tablet.
const DefaultDPI = 200

// PNG writes the page as a grey picture of dpi pixels an inch, 36 to 1200; 0
// takes DefaultDPI.
func (p *Page) PNG(w io.Writer, dpi int) error {
	if dpi == 0 {
		dpi = DefaultDPI
	}
	if dpi < 36 || dpi > 1200 {
		return fmt.Errorf("dpi %d: must be 36 to 1200; %d suits a tablet", dpi, DefaultDPI)
	}
	if err := png.Encode(w, p.raster(float64(dpi)/25.4)); err != nil {
		return fmt.Errorf("write PNG: %w", err)
	}
	return nil
}

// raster draws the page at scale pixels a millimetre.
func (p *Page) raster(scale float64) *image.Gray {
	c := &raster{scale: scale, img: image.NewGray(image.Rect(0, 0, int(math.Round(PageWidth*scale)), int(math.Round(PageHeight*scale))))}
	draw.Draw(c.img, c.img.Bounds(), image.White, image.Point{}, draw.Src)
	for _, op := range p.ops {
		switch o := op.(type) {
		case fill:
			c.polygons(o.polys, o.tone)
		case stroke:
			for i := 1; i < len(o.pts); i++ {
				c.segment(o.pts[i-1], o.pts[i], o.width, o.tone)
			}
		case disc:
			if o.width > 0 {
				c.polygons([][]point{circle(o.at, o.r+o.width/2)}, o.tone)
				c.polygons([][]point{circle(o.at, o.r-o.width/2)}, white)
			} else {
				c.polygons([][]point{circle(o.at, o.r)}, o.tone)
			}
		case text:
			c.text(o)
		}
	}
	return c.img
}

type raster struct {
	img   *image.Gray
	scale float64
	z     vector.Rasterizer
}

func circle(at point, r float64) []point {
	out := make([]point, 24)
	for i := range out {
		sin, cos := math.Sincos(float64(i) * math.Pi / 12)
		out[i] = point{at.x + r*cos, at.y + r*sin}
	}
	return out
}

// segment is a bar with square ends half a width beyond it, so that corners of
// a line close.
func (c *raster) segment(a, b point, width float64, tone uint8) {
	l := math.Hypot(b.x-a.x, b.y-a.y)
	if l == 0 {
		return
	}
	h := width / 2
	ux, uy := (b.x-a.x)/l*h, (b.y-a.y)/l*h
	a, b = point{a.x - ux, a.y - uy}, point{b.x + ux, b.y + uy}
	c.polygons([][]point{{{a.x - uy, a.y + ux}, {b.x - uy, b.y + ux}, {b.x + uy, b.y - ux}, {a.x + uy, a.y - ux}}}, tone)
}

func (c *raster) polygons(polys [][]point, tone uint8) {
	lo, hi := point{math.Inf(1), math.Inf(1)}, point{math.Inf(-1), math.Inf(-1)}
	for _, poly := range polys {
		l, h := bounds(poly)
		lo = point{math.Min(lo.x, l.x), math.Min(lo.y, l.y)}
		hi = point{math.Max(hi.x, h.x), math.Max(hi.y, h.y)}
	}
	c.over(lo, hi, tone, func(at func(point) f32.Vec2) {
		for _, poly := range polys {
			for i, q := range poly {
				if v := at(q); i == 0 {
					c.z.MoveTo(v[0], v[1])
				} else {
					c.z.LineTo(v[0], v[1])
				}
			}
			c.z.ClosePath()
		}
	})
}

// over fills what outline traces within lo to hi, mm. The rasteriser works on
// that box only: the whole page for each glyph would take seconds.
func (c *raster) over(lo, hi point, tone uint8, outline func(at func(point) f32.Vec2)) {
	box := image.Rect(int(math.Floor(lo.x*c.scale))-1, int(math.Floor(lo.y*c.scale))-1, int(math.Ceil(hi.x*c.scale))+1, int(math.Ceil(hi.y*c.scale))+1)
	if box.Intersect(c.img.Bounds()).Empty() {
		return
	}
	c.z.Reset(box.Dx(), box.Dy())
	outline(func(q point) f32.Vec2 {
		return f32.Vec2{float32(q.x*c.scale - float64(box.Min.X)), float32(q.y*c.scale - float64(box.Min.Y))}
	})
	c.z.Draw(c.img, box, image.NewUniform(color.Gray{Y: tone}), image.Point{})
}

func (c *raster) text(o text) {
	f := faces[o.bold]
	x := o.at.x
	em := o.size / float64(f.ppem)
	for _, r := range o.words {
		c.glyph(f, r, point{x, o.at.y}, em, o)
		x += f.advance(r) * o.size
	}
}

func (c *raster) glyph(f *face, r rune, at point, em float64, o text) {
	f.mu.Lock()
	defer f.mu.Unlock()
	g, err := f.font.GlyphIndex(&f.buf, r)
	if err != nil {
		return
	}
	segs, err := f.font.LoadGlyph(&f.buf, g, f.ppem, nil)
	if err != nil || len(segs) == 0 {
		return
	}
	lo, hi := point{at.x - o.size*0.3, at.y - o.size*1.2}, point{at.x + o.size*1.5, at.y + o.size*0.5}
	c.over(lo, hi, o.tone, func(px func(point) f32.Vec2) {
		v := func(s sfnt.Segment, i int) f32.Vec2 {
			return px(point{at.x + float64(s.Args[i].X)*em, at.y + float64(s.Args[i].Y)*em})
		}
		for _, s := range segs {
			a := v(s, 0)
			switch s.Op {
			case sfnt.SegmentOpMoveTo:
				c.z.ClosePath()
				c.z.MoveTo(a[0], a[1])
			case sfnt.SegmentOpLineTo:
				c.z.LineTo(a[0], a[1])
			case sfnt.SegmentOpQuadTo:
				b := v(s, 1)
				c.z.QuadTo(a[0], a[1], b[0], b[1])
			case sfnt.SegmentOpCubeTo:
				b, d := v(s, 1), v(s, 2)
				c.z.CubeTo(a[0], a[1], b[0], b[1], d[0], d[1])
			}
		}
		c.z.ClosePath()
	})
}
