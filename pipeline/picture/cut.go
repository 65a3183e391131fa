package picture

import (
	"math"

	"gonum.org/v1/plot/vg"
)

// Cut is a section across a seam: what preferred scans saw, what the others saw, and the
// mesh, all above the same smooth surface, heights enlarged.
type Cut struct {
	Title             string
	Preferred, Others []Height   // points of scans
	Mesh              [][]Height // lines
	Names             [2]string  // of the preferred scans and of the others
	Half              float64    // half of the width that is shown, mm
	Limit             float64    // half of the height that is shown, in Unit
	Unit              string     // of the heights
	Feather           [2]float64 // X, mm: between which the one passes into the other; equal for none to show
}

// Height is a place along the cut and what is above it there.
type Height struct {
	X     float64 // mm
	Value float64 // in the unit of the picture
}

const (
	cutWidth  = 576.0
	cutHeight = 262.0
	cutLeft   = 24.0
	cutRight  = 84.0
	cutFoot   = 46.0
	cutTop    = 44.0
)

func (c *Cut) size() (w, h vg.Length) { return cutWidth, cutHeight }

func (c *Cut) draw(n *pen) {
	n.heading(point{cutLeft, cutHeight - 22}, 13, c.Title)
	if !(c.Half > 0) || math.IsInf(c.Half, 0) || !(c.Limit > 0) {
		return
	}
	w, h := cutWidth-cutLeft-cutRight, cutHeight-cutFoot-cutTop
	at := func(p Height) point {
		return point{cutLeft + w*(p.X+c.Half)/(2*c.Half), cutFoot + h*(p.Value+c.Limit)/(2*c.Limit)}
	}
	if from, to := max(-c.Half, c.Feather[0]), min(c.Half, c.Feather[1]); from < to {
		p, q := at(Height{from, -c.Limit}), at(Height{to, c.Limit})
		n.rectangle(p.x, p.y, q.x-p.x, q.y-p.y, pale)
		n.text(point{(p.x + q.x) / 2, q.y - 11}, 0.5, labelSize, ink, "feather")
	}
	for _, share := range [...]float64{-1, -0.5, 0, 0.5, 1} {
		p := at(Height{-c.Half, share * c.Limit})
		n.line(0.6, hairline, p, point{cutLeft + w, p.y})
		n.text(point{cutLeft + w + 5, p.y - 3}, 0, labelSize, ink, signed(share*c.Limit)+" "+c.Unit)
	}
	n.line(0.6, hairline, at(Height{0, -c.Limit}), at(Height{0, c.Limit}))
	c.dots(n, at, c.Others, false)
	c.dots(n, at, c.Preferred, true)
	for _, line := range c.Mesh {
		c.follow(n, at, line)
	}
	c.legend(n, w)
}

// dots are open rings for the others and filled for the preferred.
func (c *Cut) dots(n *pen, at func(Height) point, list []Height, filled bool) {
	for _, p := range list {
		if math.Abs(p.X) > c.Half || math.Abs(p.Value) > c.Limit {
			continue
		}
		if filled {
			n.circle(at(p), 1.7, blue, nil, 0)
		} else {
			n.circle(at(p), 1.9, nil, red, 0.8)
		}
	}
}

// follow draws a line as far as it is in the picture.
func (c *Cut) follow(n *pen, at func(Height) point, line []Height) {
	var run []point
	flush := func() {
		if len(run) > 1 {
			n.line(1.6, ink, run...)
		}
		run = nil
	}
	for _, p := range line {
		if math.Abs(p.X) > c.Half || math.Abs(p.Value) > c.Limit {
			flush()
			continue
		}
		run = append(run, at(p))
	}
	flush()
}

func (c *Cut) legend(n *pen, w float64) {
	bar := roundLength(c.Half / 2)
	n.line(1.2, ink, point{cutLeft, cutFoot - 12}, point{cutLeft + w*bar/(2*c.Half), cutFoot - 12})
	n.text(point{cutLeft + w*bar/(2*c.Half) + 5, cutFoot - 15}, 0, labelSize, ink, lengthText(bar))
	x, y := cutLeft, cutFoot-33
	item := func(name string, mark func(x float64)) {
		mark(x)
		n.text(point{x + 18, y - 3}, 0, labelSize, ink, name)
		x += 18 + n.width(labelSize, name) + 18
	}
	item(c.Names[0], func(x float64) { n.circle(point{x + 7, y}, 2.4, blue, nil, 0) })
	item(c.Names[1], func(x float64) { n.circle(point{x + 7, y}, 2.4, nil, red, 1) })
	item("the fused mesh", func(x float64) { n.line(1.6, ink, point{x, y}, point{x + 14, y}) })
}
