package distance

import (
	"math"

	"trammel/pipeline/geom"
)

// feature says on which part of a triangle a closest point lies: a corner, an
// edge (named by its first corner in the triangle's order), or the face.
type feature uint8

const (
	corner0 feature = iota
	corner1
	corner2
	edge01
	edge12
	edge20
	face
)

// closest returns the squared distance from p to the triangle, the closest point
// and where that lies. It decides by Voronoi regions after C. Ericson, Real-Time
// Collision Detection (2005), §5.1.5: when no corner is closest, only an edge that
// has p on its outer side can be; on a triangle without area all three have.
func (t *corners) closest(p geom.Vec) (d2 float64, q geom.Vec, on feature) {
	a := geom.Vec{X: float64(t[0]), Y: float64(t[1]), Z: float64(t[2])}
	b := geom.Vec{X: float64(t[3]), Y: float64(t[4]), Z: float64(t[5])}
	c := geom.Vec{X: float64(t[6]), Y: float64(t[7]), Z: float64(t[8])}
	ab, ac, ap := b.Sub(a), c.Sub(a), p.Sub(a)
	d1, d2a := ab.Dot(ap), ac.Dot(ap)
	if d1 <= 0 && d2a <= 0 {
		return ap.Norm2(), a, corner0
	}
	bp := p.Sub(b)
	d3, d4 := ab.Dot(bp), ac.Dot(bp)
	if d3 >= 0 && d4 <= d3 {
		return bp.Norm2(), b, corner1
	}
	cp := p.Sub(c)
	d5, d6 := ab.Dot(cp), ac.Dot(cp)
	if d6 >= 0 && d5 <= d6 {
		return cp.Norm2(), c, corner2
	}
	va, vb, vc := d3*d6-d5*d4, d5*d2a-d1*d6, d1*d4-d3*d2a
	if va > 0 && vb > 0 && vc > 0 {
		w := 1 / (va + vb + vc)
		q = a.AddScaled(vb*w, ab).AddScaled(vc*w, ac)
		return p.Sub(q).Norm2(), q, face
	}
	d2 = math.Inf(1)
	if vc <= 0 {
		d2, q, on = closestOnEdge(p, a, b, corner0, corner1, edge01)
	}
	if va <= 0 {
		if e2, r, f := closestOnEdge(p, b, c, corner1, corner2, edge12); e2 < d2 {
			d2, q, on = e2, r, f
		}
	}
	if vb <= 0 {
		if e2, r, f := closestOnEdge(p, c, a, corner2, corner0, edge20); e2 < d2 {
			d2, q, on = e2, r, f
		}
	}
	return d2, q, on
}

// normal returns the unit normal, zero for a triangle without area.
func (t *corners) normal() geom.Vec {
	a := geom.Vec{X: float64(t[0]), Y: float64(t[1]), Z: float64(t[2])}
	b := geom.Vec{X: float64(t[3]), Y: float64(t[4]), Z: float64(t[5])}
	c := geom.Vec{X: float64(t[6]), Y: float64(t[7]), Z: float64(t[8])}
	return b.Sub(a).Cross(c.Sub(a)).Unit()
}

func closestOnEdge(p, a, b geom.Vec, atA, atB, between feature) (d2 float64, q geom.Vec, on feature) {
	ab, ap := b.Sub(a), p.Sub(a)
	along, length2 := ab.Dot(ap), ab.Norm2()
	switch {
	case along <= 0:
		return ap.Norm2(), a, atA
	case along >= length2:
		return p.Sub(b).Norm2(), b, atB
	}
	q = a.AddScaled(along/length2, ab)
	return p.Sub(q).Norm2(), q, between
}
