package picture

import (
	"math"

	"gonum.org/v1/plot/vg"
)

// CloseUp shows a sticker before and after: what a scan saw on the skin and what the
// mesh has there, by height above the smooth skin around, and both cut through the middle.
type CloseUp struct {
	Title   string
	Before  []Spot  // the scan's points
	After   []Spot  // places of the mesh, on a raster
	Step    float64 // of the raster, mm
	Between float64 // points of the scan, mm
	Half    float64 // half side of the square, mm
	Limit   float64 // where the colour scale ends, in Unit
	Unit    string  // of the heights
}

// Spot is a place on the skin and what stands above it.
type Spot struct {
	X, Y  float64 // mm, from the sticker's middle
	Value float64 // height, in the unit of the picture
}

const (
	closeWidth  = 576.0
	closeHeight = 372.0
	closeTop    = 40.0
	closeFoot   = 128.0 // below the squares: the cut
	closeScale  = 96.0
)

func (c *CloseUp) size() (w, h vg.Length) { return closeWidth, closeHeight }

func (c *CloseUp) draw(n *pen) {
	n.heading(point{planSide, closeHeight - 22}, 13, c.Title)
	side := closeHeight - closeTop - closeFoot - 16
	if !(c.Half > 0) || math.IsInf(c.Half, 0) || !(c.Limit > 0) {
		return
	}
	gap := (closeWidth - closeScale - 2*side) / 3
	c.square(n, point{gap, closeFoot + 6}, side, c.Before, false, "the scan, point by point")
	c.square(n, point{2*gap + side, closeFoot + 6}, side, c.After, true, "the mesh")
	n.scale(point{closeWidth - closeScale + 16, closeFoot + 44}, 16, side-82, c.Limit, c.Unit)
	c.cut(n, gap, 2*side+gap)
}

// square draws one side, from above.
func (c *CloseUp) square(n *pen, at point, side float64, spots []Spot, filled bool, name string) {
	n.text(point{at.x, at.y + side + 4}, 0, labelSize, ink, name)
	n.rectangle(at.x, at.y, side, side, pale)
	per := side / (2 * c.Half)
	for _, s := range spots {
		if math.Abs(s.X) > c.Half || math.Abs(s.Y) > c.Half {
			continue
		}
		p := point{at.x + per*(s.X+c.Half), at.y + per*(s.Y+c.Half)}
		if filled {
			x, y, half := p.x, p.y, per*c.Step/2+0.15
			x0, x1 := max(at.x, x-half), min(at.x+side, x+half)
			y0, y1 := max(at.y, y-half), min(at.y+side, y+half)
			n.rectangle(x0, y0, x1-x0, y1-y0, Deviation(s.Value, c.Limit))
			continue
		}
		n.circle(p, min(max(0.35*per*c.Between, 1.2), 4), Deviation(s.Value, c.Limit), nil, 0)
	}
	n.shape(nil, ink, 0.6, at, point{at.x + side, at.y}, point{at.x + side, at.y + side}, point{at.x, at.y + side})
	bar := roundLength(c.Half / 2)
	n.rectangle(at.x+4, at.y+3, n.width(labelSize, lengthText(bar))+per*bar+14, 12, white)
	n.line(1.2, ink, point{at.x + 7, at.y + 8}, point{at.x + 7 + per*bar, at.y + 8})
	n.text(point{at.x + 12 + per*bar, at.y + 5}, 0, labelSize, ink, lengthText(bar))
}

// cut draws both along a line through the middle: the points within a twelfth of the
// square as dots, the mesh as a line.
func (c *CloseUp) cut(n *pen, left, width float64) {
	const foot, height = 22.0, 84.0
	middle := foot + height/2
	perX, perH := width/(2*c.Half), height/2/c.Limit
	n.text(point{left, foot + height + 6}, 0, labelSize, ink, "cut through the middle: dots are the scan, the line is the mesh")
	for _, share := range [...]float64{-1, 0, 1} {
		y := middle + share*height/2
		n.line(0.6, hairline, point{left, y}, point{left + width, y})
		n.text(point{left + width + 5, y - 3}, 0, labelSize, ink, signed(share*c.Limit)+" "+c.Unit)
	}
	for _, s := range c.Before {
		if math.Abs(s.Y) < c.Half/12 && math.Abs(s.X) <= c.Half && math.Abs(s.Value) <= c.Limit {
			n.circle(point{left + perX*(s.X+c.Half), middle + perH*s.Value}, 1.7, blue, nil, 0)
		}
	}
	var line []point
	flush := func() {
		if len(line) > 1 {
			n.line(1.5, red, line...)
		}
		line = nil
	}
	last := math.Inf(-1)
	for _, s := range c.After {
		if math.Abs(s.Y) > c.Step/2 {
			continue
		}
		if s.X-last > 1.5*c.Step {
			flush()
		}
		last = s.X
		line = append(line, point{left + perX*(s.X+c.Half), middle + perH*max(-c.Limit, min(c.Limit, s.Value))})
	}
	flush()
	n.text(point{left, 8}, 0, labelSize, ink, "–"+lengthText(math.Round(10*c.Half)/10))
	n.text(point{left + width, 8}, 1, labelSize, ink, lengthText(math.Round(10*c.Half)/10))
}
