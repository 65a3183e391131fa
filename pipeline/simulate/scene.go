package simulate

import (
	"math"
	"slices"

	"trammel/pipeline/geom"
)

// Material says how a surface answers the scanner, each from 0 to 1.
type Material struct {
	Reflectance  float64 // share of the light that comes back from a perpendicular matt surface
	Gloss        float64 // how much of it goes into the mirror direction instead of back
	Translucency float64 // how deep the light goes before it turns back
}

// Part is a shape at its place in the scene.
type Part struct {
	Name     string
	Shape    Shape
	ToScene  geom.Pose // shape frame → scene frame
	Material Material
}

// At returns a part that is only moved, not turned.
func At(name string, s Shape, center geom.Vec, m Material) Part {
	return Part{Name: name, Shape: s, ToScene: geom.Pose{R: geom.Identity(), T: center}, Material: m}
}

// Along returns a part whose Z axis is turned to the direction axis.
func Along(name string, s Shape, center, axis geom.Vec, m Material) Part {
	z := axis.Unit()
	x := z.Perpendicular()
	return Part{Name: name, Shape: s, ToScene: geom.Pose{R: geom.Rows(x, z.Cross(x), z).T(), T: center}, Material: m}
}

// Bounds returns the box around the part in the scene frame.
func (p *Part) Bounds() geom.Box {
	b := geom.EmptyBox()
	for _, c := range p.Shape.Bounds().Corners() {
		b = b.Extend(p.ToScene.Apply(c))
	}
	return b
}

// Scene is a set of parts that rays can be cast against. It may be used from
// several goroutines.
type Scene struct {
	Parts []Part
	back  []geom.Pose // scene frame → shape frame
	boxes []geom.Box
	nodes []node
}

// node is a box of the bounding volume hierarchy: an inner one with two
// children, or a leaf with one part.
type node struct {
	box         geom.Box
	left, right int // children, or -1
	part        int // of a leaf
}

// NewScene arranges parts for casting.
func NewScene(parts ...Part) *Scene {
	s := &Scene{Parts: parts}
	order := make([]int, len(parts))
	for i := range parts {
		order[i] = i
		s.back = append(s.back, parts[i].ToScene.Inverse())
		s.boxes = append(s.boxes, parts[i].Bounds())
	}
	if len(parts) > 0 {
		s.build(order)
	}
	return s
}

// build splits the parts at the median of the longest side.
func (s *Scene) build(order []int) int {
	me := len(s.nodes)
	box := geom.EmptyBox()
	for _, i := range order {
		box = box.Union(s.boxes[i])
	}
	s.nodes = append(s.nodes, node{box: box, left: -1, right: -1, part: order[0]})
	if len(order) == 1 {
		return me
	}
	size, axis := box.Size(), 0
	for k := 1; k < 3; k++ {
		if size.At(k) > size.At(axis) {
			axis = k
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		if s.boxes[a].Center().At(axis) < s.boxes[b].Center().At(axis) {
			return -1
		}
		return 1
	})
	half := len(order) / 2
	left := s.build(slices.Clone(order[:half]))
	right := s.build(slices.Clone(order[half:]))
	s.nodes[me].left, s.nodes[me].right = left, right
	return me
}

// Hit is what a ray meets first.
type Hit struct {
	Part   int     // index into Scene.Parts
	Range  float64 // mm from the ray's origin
	Normal geom.Vec
}

// Cast returns what the ray from o in the unit direction d meets first.
func (s *Scene) Cast(o, d geom.Vec) (Hit, bool) {
	best := Hit{Part: -1, Range: math.Inf(1)}
	if len(s.nodes) == 0 {
		return best, false
	}
	inv := geom.Vec{X: 1 / d.X, Y: 1 / d.Y, Z: 1 / d.Z}
	var stack [64]int
	top := 1
	for top > 0 {
		top--
		n := &s.nodes[stack[top]]
		if !meets(&n.box, o, inv, best.Range) {
			continue
		}
		if n.left >= 0 {
			stack[top], stack[top+1] = n.left, n.right
			top += 2
			continue
		}
		back := &s.back[n.part]
		t, normal, ok := s.Parts[n.part].Shape.Hit(back.Apply(o), back.Turn(d))
		if ok && t < best.Range {
			best = Hit{Part: n.part, Range: t, Normal: normal}
		}
	}
	if best.Part < 0 {
		return best, false
	}
	best.Normal = s.Parts[best.Part].ToScene.Turn(best.Normal)
	return best, true
}

// meets is the slab test; a comparison with NaN (a ray within a face) counts as
// met, so that nothing is lost.
func meets(b *geom.Box, o, inv geom.Vec, limit float64) bool {
	x0, x1 := (b.Min.X-o.X)*inv.X, (b.Max.X-o.X)*inv.X
	y0, y1 := (b.Min.Y-o.Y)*inv.Y, (b.Max.Y-o.Y)*inv.Y
	z0, z1 := (b.Min.Z-o.Z)*inv.Z, (b.Max.Z-o.Z)*inv.Z
	if x0 > x1 {
		x0, x1 = x1, x0
	}
	if y0 > y1 {
		y0, y1 = y1, y0
	}
	if z0 > z1 {
		z0, z1 = z1, z0
	}
	near, far := 0.0, limit
	for _, v := range [3]float64{x0, y0, z0} {
		if v > near {
			near = v
		}
	}
	for _, v := range [3]float64{x1, y1, z1} {
		if v < far {
			far = v
		}
	}
	return !(near > far)
}

// Distance returns how far p, in the scene frame, is from the nearest surface,
// and the part it belongs to. It looks at every part: it is for checks.
func (s *Scene) Distance(p geom.Vec) (distance float64, part int) {
	distance, part = math.Inf(1), -1
	for i := range s.Parts {
		if d := s.Parts[i].Shape.Distance(s.back[i].Apply(p)); d < distance {
			distance, part = d, i
		}
	}
	return distance, part
}
