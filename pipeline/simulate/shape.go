package simulate

import (
	"math"

	"trammel/pipeline/geom"
)

// Shape is a solid in its own frame, in millimetres. Hit returns the distance
// from the point o along the unit direction d to the first place where the ray
// enters the solid, and the outward normal there; a ray that starts inside meets
// nothing. Distance returns how far p is from the surface, exact or, for the
// ellipsoid, exact to first order near it. Bounds is the smallest box around.
type Shape interface {
	Hit(o, d geom.Vec) (t float64, normal geom.Vec, ok bool)
	Distance(p geom.Vec) float64
	Bounds() geom.Box
}

// Sphere is a ball about zero.
type Sphere struct{ Radius float64 }

// Hit solves the quadratic of the ball.
func (s Sphere) Hit(o, d geom.Vec) (float64, geom.Vec, bool) {
	b := o.Dot(d)
	q := b*b - o.Norm2() + s.Radius*s.Radius
	if q <= 0 {
		return 0, geom.Vec{}, false
	}
	t := -b - math.Sqrt(q)
	return t, o.AddScaled(t, d).Scale(1 / s.Radius), t > 0
}

// Distance is exact.
func (s Sphere) Distance(p geom.Vec) float64 { return math.Abs(p.Norm() - s.Radius) }

// Bounds is the cube around.
func (s Sphere) Bounds() geom.Box { return cube(s.Radius, s.Radius, s.Radius) }

func cube(x, y, z float64) geom.Box {
	h := geom.Vec{X: x, Y: y, Z: z}
	return geom.Box{Min: h.Scale(-1), Max: h}
}

// Ellipsoid has the semi-axes Half along X, Y and Z.
type Ellipsoid struct{ Half geom.Vec }

func (e Ellipsoid) shrink(v geom.Vec) geom.Vec {
	return geom.Vec{X: v.X / e.Half.X, Y: v.Y / e.Half.Y, Z: v.Z / e.Half.Z}
}

// Hit solves the quadratic of the unit ball in the space where the ellipsoid is one.
func (e Ellipsoid) Hit(o, d geom.Vec) (float64, geom.Vec, bool) {
	p, v := e.shrink(o), e.shrink(d)
	a, b := v.Norm2(), p.Dot(v)
	q := b*b - a*(p.Norm2()-1)
	if q <= 0 {
		return 0, geom.Vec{}, false
	}
	t := (-b - math.Sqrt(q)) / a
	return t, e.shrink(e.shrink(o.AddScaled(t, d))).Unit(), t > 0
}

// Distance is f/|∇f| of the implicit form, exact to first order.
func (e Ellipsoid) Distance(p geom.Vec) float64 {
	q := e.shrink(p)
	gradient := e.shrink(q).Scale(2).Norm()
	if gradient == 0 {
		return min(e.Half.X, e.Half.Y, e.Half.Z)
	}
	return math.Abs(q.Norm2()-1) / gradient
}

// Bounds is the box of the semi-axes.
func (e Ellipsoid) Bounds() geom.Box { return cube(e.Half.X, e.Half.Y, e.Half.Z) }

// Cylinder is a solid cylinder about the Z axis, from -Length/2 to Length/2,
// closed by flat ends.
type Cylinder struct{ Radius, Length float64 }

// Hit meets the mantle or an end.
func (c Cylinder) Hit(o, d geom.Vec) (float64, geom.Vec, bool) {
	near, far, ok := mantle(o, d, c.Radius)
	if !ok {
		return 0, geom.Vec{}, false
	}
	zNear, zFar, zOK := slab(o.Z, d.Z, -c.Length/2, c.Length/2)
	if !zOK || zNear >= far || near >= zFar {
		return 0, geom.Vec{}, false
	}
	if zNear > near {
		return zNear, geom.Vec{Z: -math.Copysign(1, d.Z)}, zNear > 0
	}
	p := o.AddScaled(near, d)
	return near, geom.Vec{X: p.X / c.Radius, Y: p.Y / c.Radius}, near > 0
}

// mantle returns where a ray is within the endless cylinder about Z.
func mantle(o, d geom.Vec, radius float64) (near, far float64, ok bool) {
	a := d.X*d.X + d.Y*d.Y
	c := o.X*o.X + o.Y*o.Y - radius*radius
	if a == 0 {
		return math.Inf(-1), math.Inf(1), c < 0
	}
	b := o.X*d.X + o.Y*d.Y
	q := b*b - a*c
	if q <= 0 {
		return 0, 0, false
	}
	r := math.Sqrt(q)
	return (-b - r) / a, (-b + r) / a, true
}

// slab returns where a ray is between two parallel planes.
func slab(o, d, lo, hi float64) (near, far float64, ok bool) {
	if d == 0 {
		return math.Inf(-1), math.Inf(1), o > lo && o < hi
	}
	near, far = (lo-o)/d, (hi-o)/d
	if near > far {
		near, far = far, near
	}
	return near, far, true
}

// Distance is exact.
func (c Cylinder) Distance(p geom.Vec) float64 {
	return math.Abs(signedInset(math.Hypot(p.X, p.Y)-c.Radius, math.Abs(p.Z)-c.Length/2))
}

// signedInset is the signed distance to a corner of two faces, given those to each.
func signedInset(a, b float64) float64 {
	if a > 0 && b > 0 {
		return math.Hypot(a, b)
	}
	return max(a, b)
}

// Bounds is the box around.
func (c Cylinder) Bounds() geom.Box { return cube(c.Radius, c.Radius, c.Length/2) }

// Box is a block about zero with the half sizes Half.
type Box struct{ Half geom.Vec }

// Hit is the slab method.
func (b Box) Hit(o, d geom.Vec) (float64, geom.Vec, bool) {
	t, axis, ok := enterBox(o, d, b.Half)
	if !ok || t <= 0 {
		return 0, geom.Vec{}, false
	}
	return t, faceNormal(axis, d), true
}

func enterBox(o, d, half geom.Vec) (t float64, axis int, ok bool) {
	near, far := math.Inf(-1), math.Inf(1)
	for i := range 3 {
		n, f, inside := slab(o.At(i), d.At(i), -half.At(i), half.At(i))
		if !inside {
			return 0, 0, false
		}
		if n > near {
			near, axis = n, i
		}
		far = min(far, f)
	}
	return near, axis, near < far
}

func faceNormal(axis int, d geom.Vec) geom.Vec {
	switch axis {
	case 0:
		return geom.Vec{X: -math.Copysign(1, d.X)}
	case 1:
		return geom.Vec{Y: -math.Copysign(1, d.Y)}
	default:
		return geom.Vec{Z: -math.Copysign(1, d.Z)}
	}
}

// Distance is exact.
func (b Box) Distance(p geom.Vec) float64 { return math.Abs(boxDistance(p, b.Half)) }

func boxDistance(p, half geom.Vec) float64 {
	q := geom.Vec{X: math.Abs(p.X), Y: math.Abs(p.Y), Z: math.Abs(p.Z)}.Sub(half)
	return q.Max(geom.Vec{}).Norm() + min(0, max(q.X, q.Y, q.Z))
}

// Bounds is the box itself.
func (b Box) Bounds() geom.Box { return cube(b.Half.X, b.Half.Y, b.Half.Z) }

// Bore is a cylindrical through-hole of a Plate, along its Z axis.
type Bore struct{ X, Y, Radius float64 }

// Plate is a block with through-holes that do not touch each other or the sides.
type Plate struct {
	Half  geom.Vec
	Bores []Bore
}

// Hit is that of the block, unless the ray enters through a bore; then the wall
// of that bore is met or nothing.
func (p Plate) Hit(o, d geom.Vec) (float64, geom.Vec, bool) {
	t, axis, ok := enterBox(o, d, p.Half)
	if !ok || t <= 0 {
		return 0, geom.Vec{}, false
	}
	if axis != 2 {
		return t, faceNormal(axis, d), true
	}
	at := o.AddScaled(t, d)
	for _, b := range p.Bores {
		x, y := at.X-b.X, at.Y-b.Y
		if x*x+y*y < b.Radius*b.Radius {
			return p.wall(b, o, d)
		}
	}
	return t, faceNormal(axis, d), true
}

func (p Plate) wall(b Bore, o, d geom.Vec) (float64, geom.Vec, bool) {
	local := geom.Vec{X: o.X - b.X, Y: o.Y - b.Y, Z: o.Z}
	_, t, ok := mantle(local, d, b.Radius)
	at := local.AddScaled(t, d)
	if !ok || math.IsInf(t, 0) || math.Abs(at.Z) >= p.Half.Z {
		return 0, geom.Vec{}, false
	}
	return t, geom.Vec{X: -at.X / b.Radius, Y: -at.Y / b.Radius}, true
}

// Distance is exact up to half the land between two bores.
func (p Plate) Distance(v geom.Vec) float64 {
	d := boxDistance(v, p.Half)
	for _, b := range p.Bores {
		inBore := b.Radius - math.Hypot(v.X-b.X, v.Y-b.Y) // positive inside the bore
		if inBore > 0 {
			return math.Hypot(inBore, max(0, math.Abs(v.Z)-p.Half.Z))
		}
		if d <= 0 {
			d = max(d, inBore)
		}
	}
	return math.Abs(d)
}

// Bounds is the block.
func (p Plate) Bounds() geom.Box { return cube(p.Half.X, p.Half.Y, p.Half.Z) }

// Torus is a ring about the Z axis: a tyre, for the scanner. Major is the radius
// of the ring's middle line, Minor that of its section.
type Torus struct{ Major, Minor float64 }

func (s Torus) signed(p geom.Vec) float64 {
	return math.Hypot(math.Hypot(p.X, p.Y)-s.Major, p.Z) - s.Minor
}

// Hit walks along the ray by the distance that is certainly free (sphere
// tracing, J. C. Hart, 1996), which needs no quartic and loses no root.
func (s Torus) Hit(o, d geom.Vec) (float64, geom.Vec, bool) {
	t, ok := march(s.signed, o, d, s.Bounds())
	p := o.AddScaled(t, d)
	ring := geom.Vec{X: p.X, Y: p.Y}.Unit().Scale(s.Major)
	return t, p.Sub(ring).Unit(), ok
}

// Distance is exact.
func (s Torus) Distance(p geom.Vec) float64 { return math.Abs(s.signed(p)) }

// Bounds is the box around.
func (s Torus) Bounds() geom.Box { return cube(s.Major+s.Minor, s.Major+s.Minor, s.Minor) }

// RoundedBox is a block whose edges and corners are rounded by Radius: a tank.
type RoundedBox struct {
	Half   geom.Vec
	Radius float64
}

func (s RoundedBox) signed(p geom.Vec) float64 {
	r := geom.Vec{X: s.Radius, Y: s.Radius, Z: s.Radius}
	return boxDistance(p, s.Half.Sub(r)) - s.Radius
}

// Hit walks like that of Torus; the normal is the gradient of the distance.
func (s RoundedBox) Hit(o, d geom.Vec) (float64, geom.Vec, bool) {
	t, ok := march(s.signed, o, d, s.Bounds())
	p := o.AddScaled(t, d)
	const h = 1e-3
	n := geom.Vec{
		X: s.signed(geom.Vec{X: p.X + h, Y: p.Y, Z: p.Z}) - s.signed(geom.Vec{X: p.X - h, Y: p.Y, Z: p.Z}),
		Y: s.signed(geom.Vec{X: p.X, Y: p.Y + h, Z: p.Z}) - s.signed(geom.Vec{X: p.X, Y: p.Y - h, Z: p.Z}),
		Z: s.signed(geom.Vec{X: p.X, Y: p.Y, Z: p.Z + h}) - s.signed(geom.Vec{X: p.X, Y: p.Y, Z: p.Z - h}),
	}
	return t, n.Unit(), ok
}

// Distance is exact.
func (s RoundedBox) Distance(p geom.Vec) float64 { return math.Abs(s.signed(p)) }

// Bounds is the block.
func (s RoundedBox) Bounds() geom.Box { return cube(s.Half.X, s.Half.Y, s.Half.Z) }

const (
	marchClose = 1e-6 // mm: far below any noise
	marchSteps = 400  // only rays that graze the surface for a long way take as many
)

func march(signed func(geom.Vec) float64, o, d geom.Vec, bounds geom.Box) (float64, bool) {
	half := bounds.Max
	t, _, ok := enterBox(o, d, half)
	if !ok {
		return 0, false
	}
	t = max(t, 0)
	end := t + 2*half.Norm()
	if signed(o.AddScaled(t, d)) < -marchClose {
		return 0, false // the ray starts inside
	}
	for range marchSteps {
		free := signed(o.AddScaled(t, d))
		if free < marchClose {
			return t, t > 0
		}
		if t += free; t > end {
			break
		}
	}
	return 0, false
}
