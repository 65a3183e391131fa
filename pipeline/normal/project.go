package normal

import (
	"math"

	"trammel/pipeline/geom"
)

// A lens is an eye as the projection takes it: for each axis, right, up and forward, what
// the coordinates of a point relative to the cloud's origin are multiplied with and what
// is added to the sum, each four times over. The fields and their order are known to
// project_amd64.s.
type lens struct {
	axes       [3][4][4]float32
	isParallel bool
}

// lens returns the eye for points relative to an origin. Lines of sight that are
// parallel do without it.
func (e *eye) lens(origin geom.Vec) *lens {
	l := &lens{isParallel: e.kind == Parallel}
	if l.isParallel {
		origin = geom.Vec{}
	}
	for i, a := range []geom.Vec{e.right, e.up, e.forward} {
		for j, f := range []float64{a.X, a.Y, a.Z, a.Dot(origin)} {
			for k := range 4 {
				l.axes[i][j][k] = float32(f)
			}
		}
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

// lanes are four borders: their u0, u1, v0 and v1.
type lanes [4][4]float32

// project sets us and vs to the places of the points in the picture: azimuth and
// elevation in radians for a station, millimetres for a parallel view; NaN for what is
// not finite. It returns their border.
func (l *lens) project(us, vs, x, y, z []float32) border {
	b, n := noBorder, 0
	if !l.isParallel {
		n = len(us) &^ 3
		var four lanes
		for k := range 4 {
			four[0][k], four[1][k], four[2][k], four[3][k] = b.u0, b.u1, b.v0, b.v1
		}
		projectFours(l, &four, us[:n], vs[:n], x[:n], y[:n], z[:n])
		for k := range 4 {
			b = b.union(border{four[0][k], four[1][k], four[2][k], four[3][k]})
		}
	}
	for i := n; i < len(us); i++ {
		us[i], vs[i] = l.place(x[i], y[i], z[i])
		b = b.with(us[i], vs[i])
	}
	return b
}

// projectPlain projects points, and extends the borders by every fourth.
func projectPlain(l *lens, four *lanes, us, vs, x, y, z []float32) {
	for i := range us {
		us[i], vs[i] = l.place(x[i], y[i], z[i])
		k := i % 4
		b := border{four[0][k], four[1][k], four[2][k], four[3][k]}.with(us[i], vs[i])
		four[0][k], four[1][k], four[2][k], four[3][k] = b.u0, b.u1, b.v0, b.v1
	}
}

// place projects a point. The conversions keep products and sums apart, as they are in
// projectFours.
func (l *lens) place(x, y, z float32) (u, v float32) {
	lost := (x - x) + (y - y) + (z - z) // 0, or NaN
	across, up := along(&l.axes[0], x, y, z), along(&l.axes[1], x, y, z)
	if l.isParallel {
		return across + lost, up + lost
	}
	forward := along(&l.axes[2], x, y, z)
	u = angle(across, forward)
	v = angle(up, float32(math.Sqrt(float64(float32(across*across)+float32(forward*forward)))))
	return u + lost, v + lost
}

func along(a *[4][4]float32, x, y, z float32) float32 {
	return float32(float32(float32(a[0][0]*x)+float32(a[1][0]*y))+float32(a[2][0]*z)) + a[3][0]
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
