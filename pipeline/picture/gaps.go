package picture

import (
	"image/color"
	"slices"

	"gonum.org/v1/plot/vg"

	"trammel/pipeline/geom"
)

// Gaps shows the openings in what was seen of an object, from above and from the
// front: their edges, filled by why there is nothing in them, the set-ups so far, and where
// the next one would see most.
type Gaps struct {
	Title  string
	Gaps   []Opening
	SetUps []geom.Vec // mm
	Next   *geom.Vec  // where to stand next; nil for nowhere
	Object geom.Box   // mm, drawn as an outline
}

// Opening is one gap.
type Opening struct {
	Edge []geom.Vec // mm
	Kind int        // index into the legend: 0 never in sight, 1 seen too flat, 2 no return
}

// openings are the legend's entries, told apart by colour and by their hatch.
var openings = [...]struct {
	name  string
	fill  color.RGBA
	hatch float64 // distance of the lines, points; 0 for none
}{
	{"never in sight", color.RGBA{0xd5, 0x5e, 0x00, 255}, 0},
	{"seen too flat", color.RGBA{0x56, 0xb4, 0xe9, 255}, 6},
	{"no return", color.RGBA{0xf0, 0xe4, 0x42, 255}, 3},
}

const (
	gapsWidth  = 576.0
	gapsHeight = 330.0
)

func (g *Gaps) size() (w, h vg.Length) { return gapsWidth, gapsHeight }

func (g *Gaps) draw(n *pen) {
	n.heading(point{planSide, gapsHeight - 24}, 13, g.Title)
	for k, side := range []Side{Above, Front} {
		g.panel(n, side, float64(k)*gapsWidth/2)
	}
	x := planSide
	for k, o := range openings {
		n.rectangle(x, gapsHeight-46, 12, 10, o.fill)
		hatch(n, point{x, gapsHeight - 46}, 12, 10, o.hatch)
		n.shape(nil, ink, 0.6, point{x, gapsHeight - 46}, point{x + 12, gapsHeight - 46}, point{x + 12, gapsHeight - 36}, point{x, gapsHeight - 36})
		n.text(point{x + 16, gapsHeight - 45}, 0, labelSize, ink, openings[k].name)
		x += 34 + n.width(labelSize, o.name)
	}
	drawSetUp(n, point{x + 6, gapsHeight - 42}, SetUp{Held: true})
	n.text(point{x + 16, gapsHeight - 45}, 0, labelSize, ink, "set-up")
	if g.Next != nil {
		x += 60
		drawNext(n, point{x + 6, gapsHeight - 42})
		n.text(point{x + 18, gapsHeight - 45}, 0, labelSize, ink, "next set-up proposed")
	}
}

// hatch draws slanting lines over a box.
func hatch(n *pen, at point, w, h, step float64) {
	if step == 0 {
		return
	}
	for x := -h; x < w; x += step {
		from, to := point{at.x + max(x, 0), at.y + max(-x, 0)}, point{at.x + min(x+h, w), at.y + min(h, w-x)}
		n.line(0.6, ink, from, to)
	}
}

func drawNext(n *pen, at point) {
	n.circle(at, 8, white, ink, 1.4)
	drawSetUp(n, at, SetUp{})
}

func (g *Gaps) panel(n *pen, side Side, left float64) {
	names := [...]string{"from above: X to the right, Y up", "from the front: X to the right, Z up"}
	n.text(point{left + planSide, 12}, 0, labelSize, ink, names[side])
	box := g.Object
	grow := func(v geom.Vec) {
		if v.IsFinite() {
			box = box.Extend(v)
		}
	}
	for _, v := range g.SetUps {
		grow(v)
	}
	if g.Next != nil {
		grow(*g.Next)
	}
	if box.IsEmpty() || !box.Size().IsFinite() {
		return
	}
	size, middle := box.Size(), box.Center()
	high := gapsHeight - 66 - 40.0
	perMM := min((gapsWidth/2-planSide-24)/max(size.X, 1e-6), high/max(size.Y, size.Z, 1e-6))
	at := func(v geom.Vec) point {
		x, y := side.flat(v.Sub(middle))
		return point{left + planSide/2 + gapsWidth/4 + perMM*x, 40 + high/2 + perMM*y}
	}
	lo, hi := g.Object.Min, g.Object.Max
	corner := geom.Vec{X: lo.X, Y: hi.Y, Z: hi.Z}
	other := geom.Vec{X: hi.X, Y: lo.Y, Z: lo.Z}
	n.shape(pale, faint, 0.8, at(lo), at(other), at(hi), at(corner))
	for _, o := range slices.Backward(g.Gaps) { // the largest on top
		g.opening(n, o, at)
	}
	for _, v := range g.SetUps {
		drawSetUp(n, at(v), SetUp{Held: true})
	}
	if g.Next != nil {
		drawNext(n, at(*g.Next))
	}
	bar := roundLength(0.25 * gapsWidth / 2 / perMM)
	foot := point{left + planSide, 30}
	n.line(1.2, ink, foot, point{foot.x + bar*perMM, foot.y})
	n.text(point{foot.x + bar*perMM + 5, foot.y - 3}, 0, labelSize, ink, lengthText(bar))
}

func (g *Gaps) opening(n *pen, o Opening, at func(geom.Vec) point) {
	var edge []point
	for _, v := range o.Edge {
		edge = append(edge, at(v))
	}
	kind := openings[min(max(o.Kind, 0), len(openings)-1)]
	fill := kind.fill
	fill.A = 0xff
	n.shape(fill, ink, 0.9, edge...)
	if kind.hatch == 0 {
		return
	}
	var center point
	for _, q := range edge {
		center = point{center.x + q.x/float64(len(edge)), center.y + q.y/float64(len(edge))}
	}
	for i := 0; i < len(edge); i += max(1, int(kind.hatch)/2) { // rays to the middle: a hatch that needs no clipping
		n.line(0.4, ink, edge[i], point{(edge[i].x + center.x) / 2, (edge[i].y + center.y) / 2})
	}
}
