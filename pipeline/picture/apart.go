package picture

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/plot/vg"

	"trammel/pipeline/geom"
)

// Apart shows how far two scans lie apart where both saw the surface: from above
// and from the front, a dot a piece of surface, coloured by the distance.
type Apart struct {
	Title   string
	Places  []Distance
	Limit   float64   // where the colour scale ends, in Unit
	Unit    string    // of the values
	Shift   geom.Vec  // of the second scan that is suggested, in Unit; zero for none
	Because string    // a line below the title
	Outline *geom.Box // of the object, mm; nil for none
}

// Distance is how far apart two surfaces are at a place.
type Distance struct {
	At    geom.Vec // mm
	Value float64  // in the unit of the picture, positive towards the side seen
}

const (
	apartWidth  = 576.0
	apartHeight = 300.0
	apartScale  = 96.0 // strip for the colour scale
	apartTop    = 52.0
	apartFoot   = 34.0
	dotRadius   = 2.4
)

func (a *Apart) size() (w, h vg.Length) { return apartWidth, apartHeight }

func (a *Apart) draw(n *pen) {
	n.heading(point{planSide, apartHeight - 24}, 13, a.Title)
	n.text(point{planSide, apartHeight - 40}, 0, labelSize, ink, a.Because)
	half := (apartWidth - apartScale) / 2
	for k, side := range []Side{Above, Front} {
		a.panel(n, side, float64(k)*half, half)
	}
	n.scale(point{apartWidth - apartScale + 16, apartFoot + 30}, 16, apartHeight-apartTop-apartFoot-70, a.Limit, a.Unit)
}

// panel draws one view, all dots to one scale, those that lie far apart on top.
func (a *Apart) panel(n *pen, side Side, left, width float64) {
	names := [...]string{"from above: X to the right, Y up", "from the front: X to the right, Z up"}
	n.text(point{left + planSide, 12}, 0, labelSize, ink, names[side])
	box := geom.EmptyBox()
	for _, p := range a.Places {
		box = box.Extend(p.At)
	}
	if box.IsEmpty() {
		return
	}
	if a.Outline != nil {
		box = box.Union(*a.Outline)
	}
	perMM := a.perMM(box, width)
	at := func(v geom.Vec) point {
		x, y := side.flat(v.Sub(box.Center()))
		return point{left + planSide/2 + width/2 + perMM*x, apartFoot + (apartHeight-apartTop-apartFoot)/2 + perMM*y}
	}
	if a.Outline != nil {
		lo, hi := at(a.Outline.Min), at(a.Outline.Max)
		n.shape(pale, faint, 0.8, lo, point{hi.x, lo.y}, hi, point{lo.x, hi.y})
	}
	order := slices.Clone(a.Places)
	slices.SortStableFunc(order, func(p, q Distance) int {
		switch d := math.Abs(p.Value) - math.Abs(q.Value); {
		case d < 0:
			return -1
		case d > 0:
			return 1
		}
		return 0
	})
	for _, p := range order {
		n.circle(at(p.At), dotRadius, Deviation(p.Value, a.Limit), ink, 0.2)
	}
	a.arrow(n, side, point{left + planSide/2 + width/2, apartFoot + (apartHeight-apartTop-apartFoot)/2})
	bar := roundLength(0.3 * width / perMM)
	foot := point{left + planSide, apartFoot - 8}
	n.line(1.2, ink, foot, point{foot.x + bar*perMM, foot.y})
	n.text(point{foot.x + bar*perMM + 5, foot.y - 3}, 0, labelSize, ink, lengthText(bar))
}

// perMM fits both views, which share their width, into a panel.
func (a *Apart) perMM(box geom.Box, width float64) float64 {
	size := box.Size()
	return min((width-1.5*planSide)/max(size.X, 1e-6), (apartHeight-apartTop-apartFoot-20)/max(size.Y, size.Z, 1e-6))
}

// arrow shows the suggested shift, drawn so large that the limit is a fifth of the
// panel, with its size beside it.
func (a *Apart) arrow(n *pen, side Side, from point) {
	x, y := side.flat(a.Shift)
	size := math.Hypot(x, y)
	if !(size > 0) || math.IsInf(size, 0) || !(a.Limit > 0) {
		return
	}
	long := min(max(size/a.Limit*40, 14), 80)
	u := point{x / size, y / size}
	tip := point{from.x + long*u.x, from.y + long*u.y}
	n.line(3.4, white, from, tip)
	n.line(1.6, ink, from, tip)
	n.shape(ink, ink, 0.5, point{tip.x + 7*u.x, tip.y + 7*u.y}, point{tip.x - 3.5*u.y, tip.y + 3.5*u.x}, point{tip.x + 3.5*u.y, tip.y - 3.5*u.x})
	label := fmt.Sprintf("%.2f %s", size, a.Unit)
	n.rectangle(tip.x+8, tip.y-12, n.width(labelSize, label)+4, 11, white)
	n.text(point{tip.x + 10, tip.y - 10}, 0, labelSize, ink, label)
}
