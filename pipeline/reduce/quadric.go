package reduce

import (
	"math"

	"trammel/pipeline/geom"
)

// quadric is the weighted sum of squared distances to a set of planes, as a
// function of the offset d from the vertex that owns it:
//
//	dᵀA d + 2 b·d + c
//
// (Garland & Heckbert 1997, §5, with the origin moved to the vertex). The origin
// at the vertex is what lets float32 hold it at any distance from the mesh's own
// origin. A has the elements xx … zz, b the elements x, y, z. In mm⁴ when the
// weights are areas.
type quadric struct {
	xx, xy, xz, yy, yz, zz, x, y, z, c float32
}

// form is a quadric in float64, on the way of a computation.
type form struct {
	xx, xy, xz, yy, yz, zz, x, y, z, c float64
}

func (q *quadric) form() form {
	return form{float64(q.xx), float64(q.xy), float64(q.xz), float64(q.yy), float64(q.yz), float64(q.zz), float64(q.x), float64(q.y), float64(q.z), float64(q.c)}
}

func (f *form) quadric() quadric {
	return quadric{float32(f.xx), float32(f.xy), float32(f.xz), float32(f.yy), float32(f.yz), float32(f.zz), float32(f.x), float32(f.y), float32(f.z), float32(f.c)}
}

// addPlane adds weight times the squared distance to the plane through p with the
// unit normal n; p is relative to the form's origin.
func (f *form) addPlane(n, p geom.Vec, weight float64) {
	s := -n.Dot(p)
	w := n.Scale(weight)
	f.xx += w.X * n.X
	f.xy += w.X * n.Y
	f.xz += w.X * n.Z
	f.yy += w.Y * n.Y
	f.yz += w.Y * n.Z
	f.zz += w.Z * n.Z
	f.x += w.X * s
	f.y += w.Y * s
	f.z += w.Z * s
	f.c += weight * s * s
}

// addPoint adds weight times the squared distance to the point p.
func (f *form) addPoint(p geom.Vec, weight float64) {
	f.xx += weight
	f.yy += weight
	f.zz += weight
	f.x -= weight * p.X
	f.y -= weight * p.Y
	f.z -= weight * p.Z
	f.c += weight * p.Norm2()
}

// add adds the quadric q, whose origin lies at e from the form's.
func (f *form) add(q *quadric, e geom.Vec) {
	g := q.form()
	// q(d-e) = dᵀA d + 2(b - A e)·d + c - 2 b·e + eᵀA e
	ae := geom.Vec{X: g.xx*e.X + g.xy*e.Y + g.xz*e.Z, Y: g.xy*e.X + g.yy*e.Y + g.yz*e.Z, Z: g.xz*e.X + g.yz*e.Y + g.zz*e.Z}
	f.xx += g.xx
	f.xy += g.xy
	f.xz += g.xz
	f.yy += g.yy
	f.yz += g.yz
	f.zz += g.zz
	f.x += g.x - ae.X
	f.y += g.y - ae.Y
	f.z += g.z - ae.Z
	f.c += g.c - 2*(g.x*e.X+g.y*e.Y+g.z*e.Z) + ae.Dot(e)
}

// at returns the value of the form at the offset d.
func (f *form) at(d geom.Vec) float64 {
	v := d.X*(f.xx*d.X+2*(f.xy*d.Y+f.xz*d.Z+f.x)) + d.Y*(f.yy*d.Y+2*(f.yz*d.Z+f.y)) + d.Z*(f.zz*d.Z+2*f.z) + f.c
	return math.Max(v, 0)
}

// moved returns the form as a quadric with its origin moved to the offset d.
func (f *form) moved(d geom.Vec) quadric {
	g := *f
	g.c = f.at(d)
	g.x += f.xx*d.X + f.xy*d.Y + f.xz*d.Z
	g.y += f.xy*d.X + f.yy*d.Y + f.yz*d.Z
	g.z += f.xz*d.X + f.yz*d.Y + f.zz*d.Z
	return g.quadric()
}

// weight returns the sum of the weights of the planes: the trace, as every normal
// has length 1.
func (f *form) weight() float64 { return f.xx + f.yy + f.zz }

// adjugate returns the adjugate of A and its determinant.
func (f *form) adjugate() (m form, det float64) {
	m.xx = f.yy*f.zz - f.yz*f.yz
	m.xy = f.xz*f.yz - f.xy*f.zz
	m.xz = f.xy*f.yz - f.xz*f.yy
	m.yy = f.xx*f.zz - f.xz*f.xz
	m.yz = f.xy*f.xz - f.xx*f.yz
	m.zz = f.xx*f.yy - f.xy*f.xy
	return m, f.xx*m.xx + f.xy*m.xy + f.xz*m.xz
}

// times returns A·v.
func (f *form) times(v geom.Vec) geom.Vec {
	return geom.Vec{X: f.xx*v.X + f.xy*v.Y + f.xz*v.Z, Y: f.xy*v.X + f.yy*v.Y + f.yz*v.Z, Z: f.xz*v.X + f.yz*v.Y + f.zz*v.Z}
}

// minimum returns where the form is smallest. The point terms of pointWeight keep
// A regular; ok is false where rounding defeats them.
func (f *form) minimum() (d geom.Vec, ok bool) {
	m, det := f.adjugate()
	w := f.weight()
	if !(det > 1e-18*w*w*w) {
		return geom.Vec{}, false
	}
	return m.times(geom.Vec{X: -f.x / det, Y: -f.y / det, Z: -f.z / det}), true
}

// minimumOn returns where the form is smallest among the offsets with g·d = s.
func (f *form) minimumOn(g geom.Vec, s float64) (d geom.Vec, ok bool) {
	m, det := f.adjugate()
	w := f.weight()
	if !(det > 1e-18*w*w*w) {
		return geom.Vec{}, false
	}
	free := m.times(geom.Vec{X: -f.x / det, Y: -f.y / det, Z: -f.z / det})
	along := m.times(g)
	if along.Dot(g) == 0 {
		return free, true
	}
	return free.AddScaled((s-g.Dot(free))/along.Dot(g), along), true
}
