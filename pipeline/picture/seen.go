package picture

import (
	"context"
	"image"
	"image/color"
	"image/draw"
	"math"
	"slices"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Ball is a sphere to mark in a picture of a scan.
type Ball struct {
	Name   string
	At     geom.Vec // in the scan's frame, mm
	Radius float64  // mm
	Used   bool     // hollow and crossed where it is not
}

// Seen says what a picture of a scan shows besides its points.
type Seen struct {
	Title string
	Balls []Ball
	Width int // pixels; 0 takes 1600
}

const (
	seenWidth  = 1600
	seenHead   = 34 // strip for the title, pixels
	seenFoot   = 46 // strip for the scale
	mostTall   = 1400
	leastPixel = 240 // of width, where a scan has few points
)

func (s Seen) width() int {
	if s.Width <= 0 {
		return seenWidth
	}
	return s.Width
}

// viridisStops are rows 0, 32 … 255 of the map viridis as CV-11.1 lists them.
var viridisStops = [...]uint32{0x440154, 0x472d7b, 0x3b528b, 0x2c728e, 0x21918c, 0x28ae80, 0x5ec962, 0xaddc30, 0xfde725}

// viridis returns the colour of a quantity without a sign, t from 0 to 1.
func viridis(t float64) color.RGBA {
	t = max(0, min(1, t)) * float64(len(viridisStops)-1)
	i := min(int(t), len(viridisStops)-2)
	return blend(viridisStops[i], viridisStops[i+1], t-float64(i))
}

func blend(a, b uint32, f float64) color.RGBA {
	mix := func(shift int) uint8 {
		x, y := float64(a>>shift&255), float64(b>>shift&255)
		return uint8(math.Round(x + f*(y-x)))
	}
	return color.RGBA{mix(16), mix(8), mix(0), 255}
}

// panorama is the window of directions that a set-up's points fill, and a pixel
// for each direction with the nearest range there. Left to right is clockwise, as
// one sees it from the scanner.
type panorama struct {
	left          float64 // azimuth of the left edge, radians
	top           float64 // elevation of the upper edge
	pixel         float64 // size of a pixel, radians
	width, height int
	ranges        []float32 // 0 for none
}

// RangeImage shows a set-up as its scanner saw it: colour is distance, brightness
// the angle at which a surface was met, grey where nothing came back. Points are
// in the scan's own frame, the scanner at zero, Z up.
func RangeImage(ctx context.Context, c *scan.Cloud, s Seen) (*image.RGBA, error) {
	p := look(c, s.width())
	for i := range c.X {
		if i&0xfffff == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		p.put(c.At(i))
	}
	p.fill()
	near, far := p.reach()
	img := blank(p.width, p.height+seenHead+seenFoot)
	for y := range p.height {
		for x := range p.width {
			img.SetRGBA(x, y+seenHead, p.shade(x, y, near, far))
		}
	}
	return annotated(img, func(n *pen, h float64) {
		n.heading(point{10, h - 23}, 14, s.Title)
		for _, b := range s.Balls {
			x, y := p.place(b.At)
			n.ball(point{x, h - seenHead - y}, max(7, b.Radius/b.At.Norm()/p.pixel+4), b)
		}
		n.rangeScale(point{10, 16}, min(420, float64(p.width)-260), near, far)
	}), nil
}

// look chooses the window and a pixel that a point or two fall into.
func look(c *scan.Cloud, width int) *panorama {
	const bins = 720
	var turn [bins]int
	low, high := math.Pi/2, -math.Pi/2
	step := max(1, c.Len()/200_000)
	for i := 0; i < c.Len(); i += step {
		az, el := direction(c.At(i))
		turn[min(bins-1, int((az+math.Pi)/(2*math.Pi)*bins))]++
		low, high = min(low, el), max(high, el)
	}
	first, run := widestGap(turn[:])
	if c.Len() == 0 {
		run, low, high = 0, -0.5, 0.5
	}
	p := &panorama{left: math.Pi, top: max(high, low+1e-3) + 1e-3}
	span := 2 * math.Pi
	if run > bins/24 { // a gap of 15 degrees is worth cutting out
		p.left, span = float64(first)/bins*2*math.Pi-math.Pi, float64(bins-run)/bins*2*math.Pi
	}
	tall := max(p.top-low, 2e-3) + 1e-3
	p.pixel = max(span/float64(width), math.Sqrt(span*tall/float64(max(1, c.Len())))*1.2, tall/mostTall)
	p.pixel = min(p.pixel, span/leastPixel)
	p.width, p.height = int(math.Ceil(span/p.pixel)), min(mostTall, int(math.Ceil(tall/p.pixel)))
	p.ranges = make([]float32, p.width*p.height)
	return p
}

// widestGap returns where the longest run of empty bins of a circle begins and
// how long it is.
func widestGap(turn []int) (first, run int) {
	n := len(turn)
	length := 0
	for i := range 2 * n {
		if turn[i%n] > 0 {
			length = 0
			continue
		}
		if length++; length > run && length <= n {
			run, first = length, (i-length+1)%n
		}
	}
	return first, run
}

func direction(v geom.Vec) (azimuth, elevation float64) {
	return math.Atan2(v.Y, v.X), math.Atan2(v.Z, math.Hypot(v.X, v.Y))
}

// place returns where a point falls, in pixels from the upper left.
func (p *panorama) place(v geom.Vec) (x, y float64) {
	az, el := direction(v)
	turn := math.Mod(p.left-az+4*math.Pi, 2*math.Pi)
	return turn / p.pixel, (p.top - el) / p.pixel
}

func (p *panorama) put(v geom.Vec) {
	x, y := p.place(v)
	i, j := int(x), int(y)
	if i < 0 || j < 0 || i >= p.width || j >= p.height {
		return
	}
	if r, at := float32(v.Norm()), j*p.width+i; p.ranges[at] == 0 || r < p.ranges[at] {
		p.ranges[at] = r
	}
}

// fill closes single empty pixels between full ones: steps of a scanner and of
// the picture do not match.
func (p *panorama) fill() {
	old := slices.Clone(p.ranges)
	var around []float32
	for y := 1; y+1 < p.height; y++ {
		for x := 1; x+1 < p.width; x++ {
			if old[y*p.width+x] > 0 {
				continue
			}
			around = around[:0]
			for dy := -1; dy <= 1; dy++ {
				for _, r := range old[(y+dy)*p.width+x-1 : (y+dy)*p.width+x+2] {
					if r > 0 {
						around = append(around, r)
					}
				}
			}
			if len(around) >= 5 {
				slices.Sort(around)
				p.ranges[y*p.width+x] = around[len(around)/2]
			}
		}
	}
}

// reach returns the distances that the colours span: those of all but the
// nearest and farthest hundredth of the picture.
func (p *panorama) reach() (near, far float64) {
	var all []float32
	for _, r := range p.ranges {
		if r > 0 {
			all = append(all, r)
		}
	}
	if len(all) == 0 {
		return 1, 2
	}
	slices.Sort(all)
	near, far = float64(all[len(all)/100]), float64(all[len(all)-1-len(all)/100])
	return near, max(far, 1.01*near)
}

func (p *panorama) shade(x, y int, near, far float64) color.RGBA {
	r := float64(p.ranges[y*p.width+x])
	if r == 0 {
		return noData
	}
	slope := 0.0
	for _, d := range [...]struct{ dx, dy int }{{1, 0}, {0, 1}} {
		if i, j := x+d.dx, y+d.dy; i < p.width && j < p.height && p.ranges[j*p.width+i] > 0 {
			s := (float64(p.ranges[j*p.width+i]) - r) / (r * p.pixel)
			slope += s * s
		}
	}
	c := viridis(math.Log(r/near) / math.Log(far/near))
	bright := 0.35 + 0.65/math.Sqrt(1+slope)
	return color.RGBA{scaled(c.R, bright), scaled(c.G, bright), scaled(c.B, bright), 255}
}

func scaled(v uint8, by float64) uint8 { return uint8(math.Round(float64(v) * by)) }

func blank(w, h int) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(img, img.Bounds(), image.NewUniform(white), image.Point{}, draw.Src)
	return img
}

// annotated draws on top of pixels: a point is a pixel, y upwards; see annotate.
func annotated(under *image.RGBA, what func(n *pen, height float64)) *image.RGBA {
	size := under.Bounds().Size()
	canvas := vgimg.NewWith(vgimg.UseWH(vg.Length(size.X), vg.Length(size.Y)), vgimg.UseDPI(72))
	img := canvas.Image()
	draw.Draw(img, img.Bounds(), under, image.Point{}, draw.Src)
	what(newPen(canvas), float64(size.Y))
	out := image.NewRGBA(under.Bounds())
	draw.Draw(out, out.Bounds(), img, image.Point{}, draw.Src)
	return out
}

// ball is a ring around a sphere with its name beside it.
func (n *pen) ball(at point, radius float64, b Ball) {
	c := red
	if b.Used {
		c = white
	}
	n.circle(at, radius+1.5, nil, ink, 4)
	n.circle(at, radius+1.5, nil, c, 2)
	if !b.Used {
		n.line(2, red, point{at.x - radius, at.y - radius}, point{at.x + radius, at.y + radius})
	}
	w := n.width(12, b.Name)
	x := at.x + radius + 5
	n.rectangle(x-2, at.y-5, w+4, 15, white)
	n.text(point{x, at.y - 1}, 0, 12, ink, b.Name)
}

// rangeScale is the bar of colours with distances at its marks.
func (n *pen) rangeScale(at point, w, near, far float64) {
	const steps = 128
	for i := range steps {
		n.rectangle(at.x+w*float64(i)/steps, at.y, w/steps+0.6, 12, viridis((float64(i)+0.5)/steps))
	}
	end := at.x
	for _, mm := range ticks(near, far) {
		x := at.x + w*math.Log(mm/near)/math.Log(far/near)
		n.line(1, ink, point{x, at.y}, point{x, at.y - 3})
		label := lengthText(mm)
		if half := n.width(11, label) / 2; x-half > end {
			n.text(point{x, at.y - 13}, 0.5, 11, ink, label)
			end = x + half + 6
		}
	}
	n.rectangle(at.x+w+24, at.y, 18, 12, noData)
	n.text(point{at.x + w + 47, at.y + 2}, 0, 11, ink, "nothing came back")
}

// ticks returns 1, 2 and 5 times powers of ten between the two lengths.
func ticks(near, far float64) []float64 {
	var all []float64
	for e := math.Floor(math.Log10(near)); e <= math.Log10(far); e++ {
		for _, f := range [...]float64{1, 2, 5} {
			if v := f * math.Pow(10, e); v >= near && v <= far {
				all = append(all, v)
			}
		}
	}
	return all
}
