// Package picture draws the pictures of reports: shaded renders of meshes, the
// plan of set-ups and spheres, and histograms of deviations.
//
// Numbers and meshes in millimetres go in; pixels (Render), or the same drawing
// as SVG and as PNG (SVG, PNG) come out, byte for byte the same each time. Drawings
// are made once on an abstract canvas. Colours are chosen so that people with the
// usual kinds of colour blindness can read them, text has the contrast that WCAG
// 2.2 asks for, and what matters is told by shape or hatch as well as by colour.
// The package interprets nothing: limits, magnifications and statuses come from
// the caller, and the picture states them.
package picture

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"
	"strconv"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/font/liberation"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Drawing is a picture that can be put on any canvas: *Plan, *Histogram, *Apart or *Gaps.
type Drawing interface {
	size() (w, h vg.Length)
	draw(p *pen)
}

// SVG writes the drawing as a scalable picture.
func SVG(w io.Writer, d Drawing) error {
	width, height := d.size()
	c := vgsvg.New(width, height)
	paint(c, d)
	_, err := c.WriteTo(w)
	return err
}

// PNG writes the drawing as pixels, dpi to the inch (a plan is 8 inches wide).
func PNG(w io.Writer, d Drawing, dpi int) error {
	width, height := d.size()
	c := vgimg.NewWith(vgimg.UseWH(width, height), vgimg.UseDPI(dpi))
	paint(c, d)
	return EncodePNG(w, c.Image())
}

// EncodePNG writes an image; the same pixels give the same bytes.
func EncodePNG(w io.Writer, img image.Image) error {
	e := png.Encoder{CompressionLevel: png.BestCompression}
	return e.Encode(w, img)
}

func paint(c vg.CanvasSizer, d Drawing) {
	w, h := d.size()
	p := newPen(c)
	p.rectangle(0, 0, float64(w), float64(h), white)
	d.draw(p)
}

// pen draws simple things on a canvas; lengths are points, y upwards.
type pen struct {
	vg.Canvas
	fonts *font.Cache
}

func newPen(c vg.Canvas) *pen { return &pen{Canvas: c, fonts: font.NewCache(liberation.Collection())} }

func (p *pen) face(size float64, isBold bool) font.Face {
	f := font.Font{Typeface: "Liberation", Variant: "Sans"}
	if isBold {
		f.Weight = xfont.WeightBold
	}
	return p.fonts.Lookup(f, vg.Length(size))
}

type point struct{ x, y float64 }

// isDrawable keeps what is not a number, or absurdly far outside, away from the
// canvases, whose line filling would not end on it.
func (q point) isDrawable() bool {
	const far = 1e5
	return math.Abs(q.x) < far && math.Abs(q.y) < far
}

func (q point) vg() vg.Point { return vg.Point{X: vg.Length(q.x), Y: vg.Length(q.y)} }

// pathOf is empty where a point cannot be drawn.
func pathOf(closed bool, points ...point) vg.Path {
	var path vg.Path
	for i, q := range points {
		if !q.isDrawable() {
			return nil
		}
		if i == 0 {
			path.Move(q.vg())
			continue
		}
		path.Line(q.vg())
	}
	if closed {
		path.Close()
	}
	return path
}

func (p *pen) line(width float64, c color.Color, points ...point) {
	p.outline(pathOf(false, points...), width, c)
}

func (p *pen) outline(path vg.Path, width float64, c color.Color) {
	if len(path) == 0 {
		return
	}
	p.SetColor(c)
	p.SetLineWidth(vg.Length(width))
	p.Stroke(path)
}

func (p *pen) dashed(width float64, c color.Color, points ...point) {
	p.SetLineDash([]vg.Length{4, 3}, 0)
	p.line(width, c, points...)
	p.SetLineDash(nil, 0)
}

// shape fills a polygon and draws its outline; a nil fill leaves it open.
func (p *pen) shape(fill, outline color.Color, width float64, points ...point) {
	path := pathOf(true, points...)
	if fill != nil && len(path) > 0 {
		p.SetColor(fill)
		p.Fill(path)
	}
	if outline != nil {
		p.outline(path, width, outline)
	}
}

func (p *pen) rectangle(x, y, w, h float64, c color.Color) {
	p.shape(c, nil, 0, point{x, y}, point{x + w, y}, point{x + w, y + h}, point{x, y + h})
}

func (p *pen) circle(center point, radius float64, fill, outline color.Color, width float64) {
	p.shape(fill, outline, width, ellipse(center, point{radius, 0}, point{0, radius})...)
}

// ellipse returns the outline with the conjugate half axes a and b.
func ellipse(center, a, b point) []point {
	const n = 48
	out := make([]point, n)
	for i := range out {
		s, c := math.Sincos(2 * math.Pi * float64(i) / n)
		out[i] = point{center.x + c*a.x + s*b.x, center.y + c*a.y + s*b.y}
	}
	return out
}

// text writes from the left (align 0), centred (0.5) or to the right (1) of q.
func (p *pen) text(q point, align, size float64, c color.Color, s string) {
	p.write(p.face(size, false), q, align, c, s)
}

func (p *pen) heading(q point, size float64, s string) { p.write(p.face(size, true), q, 0, ink, s) }

func (p *pen) write(f font.Face, q point, align float64, c color.Color, s string) {
	if !q.isDrawable() {
		return
	}
	p.SetColor(c)
	q.x -= align * float64(f.Width(s))
	p.FillString(f, q.vg(), s)
}

func (p *pen) width(size float64, s string) float64 {
	f := p.face(size, false)
	return float64(f.Width(s))
}

// roundLength returns the largest of 1, 2 and 5 times a power of ten up to most.
func roundLength(most float64) float64 {
	if !(most > 0) || math.IsInf(most, 0) {
		return 1
	}
	base := math.Pow(10, math.Floor(math.Log10(most)))
	for _, f := range [...]float64{5, 2} {
		if f*base <= most {
			return f * base
		}
	}
	return base
}

// lengthText writes millimetres, from one metre on as metres.
func lengthText(mm float64) string {
	if mm >= 1000 {
		return number(mm/1000) + " m"
	}
	return number(mm) + " mm"
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

// annotate returns the render with the bar of known length and the colour scale.
// The canvas begins white, whatever image it is given, and is therefore filled
// after it was made; at 72 dots per inch a point is a pixel.
func annotate(render *image.RGBA, o RenderOptions, c *camera) *image.RGBA {
	h := float64(o.Height)
	canvas := vgimg.NewWith(vgimg.UseWH(vg.Length(o.Width), vg.Length(o.Height)), vgimg.UseDPI(72))
	img := canvas.Image()
	draw.Draw(img, img.Bounds(), render, image.Point{}, draw.Src)
	p := newPen(canvas)
	perMM := c.perMM / finer
	bar := roundLength(0.2 * float64(o.plotWidth()) / perMM)
	x, y := 20.0, 22.0
	p.rectangle(x-6, y-10, max(bar*perMM, 60)+12, 38, white)
	p.line(2, ink, point{x, y + 5}, point{x, y}, point{x + bar*perMM, y}, point{x + bar*perMM, y + 5})
	p.text(point{x, y + 9}, 0, 13, ink, lengthText(bar))
	if o.View.Name != "" {
		p.text(point{20, h - 26}, 0, 14, ink, o.View.Name)
	}
	if o.Values != nil && o.plotWidth() < o.Width {
		p.scale(point{float64(o.plotWidth()) + 14, 0.16 * h}, 20, 0.66*h, o.Limit, o.Unit)
	}
	out := image.NewRGBA(render.Bounds())
	draw.Draw(out, out.Bounds(), img, image.Point{}, draw.Src)
	return out
}

// scale draws the colour scale with numbers and the three colours outside it.
func (p *pen) scale(at point, w, h, limit float64, unit string) {
	const steps = 128
	for i := range steps {
		y := at.y + h*float64(i)/steps
		p.rectangle(at.x, y, w, h/steps+0.6, vik((float64(i)+0.5)/steps))
	}
	p.swatch(point{at.x, at.y + h + 10}, w, over, "more")
	p.swatch(point{at.x, at.y - 24}, w, under, "less")
	p.swatch(point{at.x, at.y - 44}, w, noData, "no data")
	p.shape(nil, ink, 0.8, at, point{at.x + w, at.y}, point{at.x + w, at.y + h}, point{at.x, at.y + h})
	for _, share := range [...]float64{-1, -0.5, 0, 0.5, 1} {
		y := at.y + h*(share+1)/2
		p.line(0.8, ink, point{at.x + w, y}, point{at.x + w + 4, y})
		p.text(point{at.x + w + 7, y - 4.5}, 0, 13, ink, signed(share*limit))
	}
	p.text(point{at.x, at.y + h + 33}, 0, 13, ink, unit)
}

func signed(v float64) string {
	if v == 0 {
		return "0"
	}
	return fmt.Sprintf("%+.3g", v)
}

// swatch is a hatched box and its meaning.
func (p *pen) swatch(at point, w float64, c color.RGBA, label string) {
	const h = 14
	p.rectangle(at.x, at.y, w, h, c)
	for x := 0.0; x+6 <= w; x += 7 {
		p.line(1.4, dim(c, 0.45), point{at.x + x, at.y + h}, point{at.x + x + 6, at.y})
	}
	p.shape(nil, ink, 0.6, at, point{at.x + w, at.y}, point{at.x + w, at.y + h}, point{at.x, at.y + h})
	p.text(point{at.x + w + 7, at.y + 2}, 0, 12, ink, label)
}
