package picture

import (
	"context"
	"image"
	"image/color"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Side is a direction from which a scan is drawn as on paper.
type Side int

// The sides: the plan, X to the right and Y up; the front, X to the right and Z up.
const (
	Above Side = iota
	Front
)

func (s Side) flat(v geom.Vec) (x, y float64) {
	if s == Front {
		return v.X, v.Z
	}
	return v.X, v.Y
}

// Density shows how many points lie one behind the other: walls and edges come
// out dark, floors and ceilings pale. Frame and unit are those of the scan, in
// millimetres; the scanner of a set-up stands at zero and is marked.
func Density(ctx context.Context, c *scan.Cloud, side Side, isSetUp bool, s Seen) (*image.RGBA, error) {
	x0, x1, y0, y1 := middleOf(c, side)
	if isSetUp {
		x0, x1, y0, y1 = min(x0, 0), max(x1, 0), min(y0, 0), max(y1, 0)
	}
	wide, tall := max(x1-x0, 1e-9)*1.04, max(y1-y0, 1e-9)*1.04
	pixel := max(wide/float64(s.width()), tall/mostTall, math.Sqrt(wide*tall/float64(max(1, c.Len())))/2)
	pixel = min(pixel, max(wide, tall)/leastPixel)
	w, h := max(leastPixel, int(wide/pixel)), max(leastPixel/2, int(tall/pixel))
	left, bottom := (x0+x1)/2-pixel*float64(w)/2, (y0+y1)/2-pixel*float64(h)/2
	counts := make([]int32, w*h)
	for i := range c.X {
		if i&0xfffff == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		x, y := side.flat(c.At(i))
		if px, py := int((x-left)/pixel), int((y-bottom)/pixel); x >= left && y >= bottom && px < w && py < h {
			counts[(h-1-py)*w+px]++
		}
	}
	img := blank(w, h+seenHead+seenFoot)
	dark := darkest(counts)
	for i, n := range counts {
		if n > 0 {
			img.SetRGBA(i%w, i/w+seenHead, grey(math.Log1p(float64(n))/math.Log1p(dark)))
		}
	}
	at := func(v geom.Vec) point {
		x, y := side.flat(v)
		return point{(x - left) / pixel, seenFoot + (y-bottom)/pixel}
	}
	return annotated(img, func(n *pen, height float64) {
		n.heading(point{10, height - 23}, 14, s.Title)
		if isSetUp {
			drawSetUp(n, at(geom.Vec{}), SetUp{Held: true})
		}
		for _, b := range s.Balls {
			n.ball(at(b.At), max(6, b.Radius/pixel), b)
		}
		bar := roundLength(0.2 * float64(w) * pixel)
		n.line(2, ink, point{10, 26}, point{10, 20}, point{10 + bar/pixel, 20}, point{10 + bar/pixel, 26})
		n.text(point{10, 6}, 0, 11, ink, lengthText(bar))
	}), nil
}

// middleOf returns the rectangle that holds all but the outermost half per cent
// of the points on each side.
func middleOf(c *scan.Cloud, side Side) (x0, x1, y0, y1 float64) {
	var xs, ys []float64
	for i, step := 0, max(1, c.Len()/100_000); i < c.Len(); i += step {
		x, y := side.flat(c.At(i))
		xs, ys = append(xs, x), append(ys, y)
	}
	if len(xs) == 0 {
		return 0, 1, 0, 1
	}
	slices.Sort(xs)
	slices.Sort(ys)
	cut := len(xs) / 200
	return xs[cut], xs[len(xs)-1-cut], ys[cut], ys[len(ys)-1-cut]
}

// darkest is the count that is drawn black: all but a thousandth of the full
// pixels have less. A few points one behind the other are no wall.
func darkest(counts []int32) float64 {
	var full []int32
	for _, n := range counts {
		if n > 0 {
			full = append(full, n)
		}
	}
	if len(full) == 0 {
		return 1
	}
	slices.Sort(full)
	const fewest = 8
	return float64(max(fewest, full[len(full)-1-len(full)/1000]))
}

// grey is pale for few points and ink for many.
func grey(t float64) color.RGBA {
	t = max(0, min(1, t))
	level := uint8(math.Round(0xe6 - t*(0xe6-0x22)))
	return color.RGBA{level, level, level, 255}
}
