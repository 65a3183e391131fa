package normal

import (
	"math"

	"trammel/pipeline/geom"
)

// A lens is an eye as the projection takes it: the place of a point along each axis is
// the product with its coordinates, relative to the cloud's origin, and a last term.
type lens struct {
	right, up, forward [4]float32
	isParallel         bool
}

// lens returns the eye for points relative to an origin. Lines of sight that are
// parallel do without it.
func (e *eye) lens(origin geom.Vec) lens {
	axis := func(a geom.Vec) [4]float32 {
		return [4]float32{float32(a.X), float32(a.Y), float32(a.Z), float32(a.Dot(origin))}
	}
	l := lens{axis(e.right), axis(e.up), axis(e.forward), e.kind == Parallel}
	if l.isParallel {
		l.right[3], l.up[3] = 0, 0
	}
	return l
}

// border is what part of a picture some points take.
type border struct{ u0, u1, v0, v1 float32 }

var noBorder = border{float32(math.Inf(1)), float32(math.Inf(-1)), float32(math.Inf(1)), float32(math.Inf(-1))}

func (b border) union(c border) border {
	return border{min(b.u0, c.u0), max(b.u1, c.u1), min(b.v0, c.v0), max(b.v1, c.v1)}
}

// with returns the border extended by a place, unless that is not finite.
func (b border) with(u, v float32) border {
	if u < b.u0 {
		b.u0 = u
	}
	if u > b.u1 {
		b.u1 = u
	}
	if v < b.v0 {
		b.v0 = v
	}
	if v > b.v1 {
		b.v1 = v
	}
	return b
}

// project sets us and vs to the places of the points in the picture: azimuth and
// elevation in radians for a station, millimetres for a parallel view; NaN for what is
// not finite. It returns their border.
func (l *lens) project(us, vs, x, y, z []float32) border {
	b := noBorder
	for i := range us {
		u, v := l.place(x[i], y[i], z[i])
		us[i], vs[i], b = u, v, b.with(u, v)
	}
	return b
}

// place projects a point.
func (l *lens) place(x, y, z float32) (u, v float32) {
	lost := (x - x) + (y - y) + (z - z) // 0, or NaN
	across, up := along(&l.right, x, y, z), along(&l.up, x, y, z)
	if l.isParallel {
		return across + lost, up + lost
	}
	forward := along(&l.forward, x, y, z)
	u = angle(across, forward)
	v = angle(up, float32(math.Sqrt(float64(float32(across*across)+float32(forward*forward)))))
	return u + lost, v + lost
}

func along(a *[4]float32, x, y, z float32) float32 {
	return float32(float32(float32(a[0]*x)+float32(a[1]*y))+float32(a[2]*z)) + a[3]
}

// arc holds the coefficients of equation 4.4.49 of M. Abramowitz & I. A. Stegun,
// Handbook of Mathematical Functions (1964), from memory, the highest first; TestAngle
// compares it.
var arc = [...]float32{0.0028662257, -0.0161657367, 0.0429096138, -0.0752896400, 0.1065626393, -0.1420889944, 0.1999355085, -0.3333314528, 1}

// angle returns the angle whose tangent is y/x, in [-π, π], to 4e-7. Cells are wider
// than that by a hundred times.
func angle(y, x float32) float32 {
	a, b := math.Float32frombits(math.Float32bits(y)&^signBit), math.Float32frombits(math.Float32bits(x)&^signBit)
	lo, hi := b, b
	if a < b {
		lo = a
	}
	if a > b {
		hi = a
	}
	if !(hi > leastNormal) {
		hi = leastNormal
	}
	t := lo / hi
	s := float32(t * t)
	r := arc[0]
	for _, c := range arc[1:] {
		r = float32(r*s) + c
	}
	r = float32(r * t)
	if a > b {
		r = math.Pi/2 - r
	}
	if x < 0 {
		r = math.Pi - r
	}
	return math.Float32frombits(math.Float32bits(r) | math.Float32bits(y)&signBit)
}

const (
	signBit     = 1 << 31
	leastNormal = 0x1p-126
)
