package picture

import (
	"fmt"
	"math"

	"gonum.org/v1/plot/vg"

	"trammel/pipeline/geom"
)

// Plan is the job site from above: X to the right, Y up. Lengths in millimetres.
type Plan struct {
	Title    string
	SetUps   []SetUp
	Spheres  []Target
	Sights   []Sight
	Outline  *geom.Box // of the object; nil for none
	AxesName string    // whose axes the arrows are, such as "datum"; empty for no arrows
	// Magnification of the error ellipses; 0 takes a round one that makes the
	// largest ellipse as large as the picture bears.
	Magnification float64
}

// SetUp is a place of the scanner. Cov may be zero.
type SetUp struct {
	Name string
	At   geom.Vec
	Cov  geom.Mat // mm²
	Held bool     // whether it is tied to the others
}

// Target is a reference sphere. Cov may be zero.
type Target struct {
	Name  string
	At    geom.Vec
	Cov   geom.Mat // mm²
	Moved bool     // it stood elsewhere for some set-ups
}

// Sight says which set-up (index) saw which sphere (index), and whether that was used.
type Sight struct {
	SetUp, Sphere int
	Used          bool
}

const (
	planWidth  = 8 * 72.0
	planHeight = 6.2 * 72.0
	planTop    = 40.0 // strips for title and legend
	planFoot   = 62.0
	planSide   = 30.0
	labelSize  = 10.0
)

func (p *Plan) size() (w, h vg.Length) { return planWidth, planHeight }

// sheet maps the site to the picture.
type sheet struct {
	center geom.Vec
	perMM  float64
}

func (s sheet) at(v geom.Vec) point {
	return point{
		planWidth/2 + s.perMM*(v.X-s.center.X),
		(planFoot+planHeight-planTop)/2 + s.perMM*(v.Y-s.center.Y),
	}
}

func (p *Plan) sheet() sheet {
	b := geom.EmptyBox()
	grow := func(v geom.Vec) {
		if v.IsFinite() {
			b = b.Extend(v)
		}
	}
	for _, s := range p.SetUps {
		grow(s.At)
	}
	for _, s := range p.Spheres {
		grow(s.At)
	}
	if p.Outline != nil {
		grow(p.Outline.Min)
		grow(p.Outline.Max)
	}
	if b.IsEmpty() {
		return sheet{perMM: 0.1}
	}
	size := b.Size()
	free := point{planWidth - 2*planSide - 60, planHeight - planTop - planFoot - 40}
	return sheet{center: b.Center(), perMM: min(free.x/max(size.X, 1e-6), free.y/max(size.Y, 1e-6))}
}

func (p *Plan) draw(n *pen) {
	s := p.sheet()
	n.heading(point{planSide, planHeight - 26}, 14, p.Title)
	if p.Outline != nil {
		p.drawOutline(n, s)
	}
	for _, v := range p.Sights {
		p.drawSight(n, s, v)
	}
	magnification := p.magnification(s)
	for _, v := range p.SetUps {
		drawEllipse(n, s.at(v.At), v.Cov, s.perMM*magnification)
	}
	for _, v := range p.Spheres {
		drawEllipse(n, s.at(v.At), v.Cov, s.perMM*magnification)
	}
	labels := &labeller{pen: n}
	for _, v := range p.SetUps {
		drawSetUp(n, s.at(v.At), v)
		labels.avoid(s.at(v.At), symbolReach(v.Cov, s.perMM*magnification))
	}
	for _, v := range p.Spheres {
		drawSphere(n, s.at(v.At), v)
		labels.avoid(s.at(v.At), symbolReach(v.Cov, s.perMM*magnification))
	}
	for _, v := range p.SetUps {
		labels.put(s.at(v.At), symbolReach(v.Cov, s.perMM*magnification), v.Name)
	}
	for _, v := range p.Spheres {
		labels.put(s.at(v.At), symbolReach(v.Cov, s.perMM*magnification), v.Name)
	}
	p.legend(n, s, magnification)
}

func (p *Plan) drawOutline(n *pen, s sheet) {
	a, b := s.at(p.Outline.Min), s.at(p.Outline.Max)
	n.shape(pale, faint, 0.6, a, point{b.x, a.y}, b, point{a.x, b.y})
}

func (p *Plan) drawSight(n *pen, s sheet, v Sight) {
	if v.SetUp < 0 || v.Sphere < 0 || v.SetUp >= len(p.SetUps) || v.Sphere >= len(p.Spheres) {
		return
	}
	from, to := s.at(p.SetUps[v.SetUp].At), s.at(p.Spheres[v.Sphere].At)
	if v.Used {
		n.line(0.6, sight, from, to)
		return
	}
	n.dashed(0.9, red, from, to)
}

// A set-up is a triangle, hollow when it is not tied to the others.
func drawSetUp(n *pen, at point, v SetUp) {
	corners := []point{{at.x - 6, at.y - 4.5}, {at.x + 6, at.y - 4.5}, {at.x, at.y + 7}}
	if v.Held {
		n.shape(ink, ink, 0.8, corners...)
		return
	}
	n.shape(white, red, 1.6, corners...)
}

// A sphere is a disc, one that moved a ring with a cross.
func drawSphere(n *pen, at point, v Target) {
	if !v.Moved {
		n.circle(at, 4.2, blue, white, 0.8)
		return
	}
	n.circle(at, 5, white, red, 1.6)
	n.line(1.6, red, point{at.x - 6, at.y - 6}, point{at.x + 6, at.y + 6})
	n.line(1.6, red, point{at.x - 6, at.y + 6}, point{at.x + 6, at.y - 6})
}

// planAxes returns the half axes of the 1-sigma ellipse in the plan, mm.
func planAxes(cov geom.Mat) (major, minor float64, direction point) {
	a, b, c := cov[0], cov[1], cov[4]
	mean, half := (a+c)/2, math.Hypot((a-c)/2, b)
	angle := 0.5 * math.Atan2(2*b, a-c)
	sin, cos := math.Sincos(angle)
	return math.Sqrt(max(0, mean+half)), math.Sqrt(max(0, mean-half)), point{cos, sin}
}

func drawEllipse(n *pen, at point, cov geom.Mat, scale float64) {
	major, minor, d := planAxes(cov)
	if a := major * scale; !(a > 0.5 && a < planWidth) {
		return
	}
	a, b := major*scale, minor*scale
	outline := ellipse(at, point{a * d.x, a * d.y}, point{-b * d.y, b * d.x})
	n.shape(nil, blue, 0.9, outline...)
}

// symbolReach is how far a symbol and its ellipse reach from their middle, points.
func symbolReach(cov geom.Mat, scale float64) float64 {
	major, _, _ := planAxes(cov)
	if a := major * scale; a > 7 && a < 2*largestEllipse {
		return a + 1
	}
	return 8
}

// largestEllipse is how long the half axis of the largest ellipse may be, points.
const largestEllipse = 26

func (p *Plan) magnification(s sheet) float64 {
	if p.Magnification > 0 {
		return p.Magnification
	}
	var largest float64
	see := func(cov geom.Mat) {
		if major, _, _ := planAxes(cov); major > largest && !math.IsInf(major, 0) {
			largest = major
		}
	}
	for _, v := range p.SetUps {
		see(v.Cov)
	}
	for _, v := range p.Spheres {
		see(v.Cov)
	}
	if largest == 0 {
		return 0
	}
	return roundLength(largestEllipse / (largest * s.perMM))
}

func (p *Plan) legend(n *pen, s sheet, magnification float64) {
	bar := roundLength(120 / s.perMM)
	x, y := planSide, 26.0
	n.line(1.6, ink, point{x, y + 4}, point{x, y}, point{x + bar*s.perMM, y}, point{x + bar*s.perMM, y + 4})
	n.text(point{x, y - 13}, 0, 9, ink, lengthText(bar))
	if p.AxesName != "" {
		p.arrows(n, point{planWidth - planSide - 40, planHeight - planTop - 22})
	}
	x, y = 190, 23
	item := func(symbol func(at point), label string) {
		symbol(point{x, y + 2})
		n.text(point{x + 11, y - 1.5}, 0, 9, ink, label)
		x += n.width(9, label) + 32
	}
	item(func(at point) { drawSetUp(n, at, SetUp{Held: true}) }, "set-up")
	item(func(at point) { drawSphere(n, at, Target{}) }, "sphere")
	if p.hasMoved() {
		item(func(at point) { drawSphere(n, at, Target{Moved: true}) }, "sphere that moved")
	}
	if p.hasUntied() {
		item(func(at point) { drawSetUp(n, at, SetUp{}) }, "set-up not tied")
	}
	if magnification > 0 {
		n.text(point{184, 6}, 0, 9, ink, fmt.Sprintf("Ellipses: one standard uncertainty, enlarged %s times.", number(magnification)))
	}
	n.text(point{184, 40}, 0, 9, ink, "Lines: sights between set-ups and spheres; dashed ones were not used.")
}

func (p *Plan) hasMoved() bool {
	for _, s := range p.Spheres {
		if s.Moved {
			return true
		}
	}
	return false
}

func (p *Plan) hasUntied() bool {
	for _, s := range p.SetUps {
		if !s.Held {
			return true
		}
	}
	return false
}

func (p *Plan) arrows(n *pen, at point) {
	const long = 26
	n.line(1.2, ink, point{at.x, at.y + long}, at, point{at.x + long, at.y})
	n.shape(ink, nil, 0, point{at.x + long + 5, at.y}, point{at.x + long - 2, at.y + 3}, point{at.x + long - 2, at.y - 3})
	n.shape(ink, nil, 0, point{at.x, at.y + long + 5}, point{at.x + 3, at.y + long - 2}, point{at.x - 3, at.y + long - 2})
	n.text(point{at.x + long + 7, at.y - 3}, 0, 9, ink, "X")
	n.text(point{at.x - 3, at.y + long + 8}, 0, 9, ink, "Y")
	n.text(point{at.x + long + 14, at.y - 13}, 1, 9, ink, p.AxesName+" axes")
}
