package normal

import (
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// worker fits planes; it belongs to one goroutine.
type worker struct {
	pic       *picture
	cloud     *scan.Cloud
	near      []neighbour
	residuals []float32
}

// neighbour is a point beside the fitted one, in the frame of its line of sight: u and
// v across, w along, in mm.
type neighbour struct{ u, v, w float64 }

// fitted is the local plane at a point.
type fitted struct {
	normal geom.Vec
	cos    float64
	sigma  float64 // mm, of the residuals along the line of sight
	isEdge bool
}

const (
	// maxSlope cuts neighbours at a depth jump: a plane seen at 80 degrees climbs by
	// tan 80° = 5.7 along the line of sight for each step across.
	maxSlope = 6
	// minNear is the least number of neighbours for a plane of three unknowns.
	minNear = 6
	// edgeShare: when more than this share of the neighbours lies beyond a jump, or
	// when so much of the ring is missing, the point lies at an edge. A straight edge
	// through a point's own cell hides between a third and a half of the ring.
	edgeShare = 0.3
)

// fitAt fits the plane at point i.
func (w *worker) fitAt(i int32) fitted {
	p := w.cloud.At(int(i))
	ray, right, up := w.lineOfSight(p)
	f := fitted{normal: ray.Scale(-1), cos: 1, isEdge: true}
	if !p.IsFinite() {
		return f
	}
	beyond := w.collect(i, p, ray, right, up)
	if len(w.near) < minNear {
		return f
	}
	a, b, c, ok := plane(w.near, math.Inf(1), 0, 0, 0)
	if !ok {
		return f
	}
	f.sigma = spread(w.near, a, b, c)
	if a2, b2, c2, ok := plane(w.near, 2*f.sigma, a, b, c); ok {
		a, b, c = a2, b2, c2
		f.sigma = spread(w.near, a, b, c)
	}
	f.cos = 1 / math.Sqrt(1+a*a+b*b)
	f.normal = right.Scale(a).AddScaled(b, up).AddScaled(-1, ray).Scale(f.cos)
	total := len(w.near) + beyond
	f.isEdge = float64(beyond) > edgeShare*float64(total) || math.Abs(c) > 4*f.sigma+1e-12
	return f
}

// lineOfSight returns the direction of sight to p and two directions across.
func (w *worker) lineOfSight(p geom.Vec) (ray, right, up geom.Vec) {
	e := &w.pic.eye
	if e.kind == Parallel {
		return e.forward, e.right, e.up
	}
	ray = p.Unit()
	if ray == (geom.Vec{}) || !ray.IsFinite() {
		return e.forward, e.right, e.up
	}
	right = ray.Perpendicular()
	return ray, right, right.Cross(ray)
}

// collect puts the neighbours of point i on the same side of any depth jump into
// w.near, the point itself included, and returns how many lie beyond a jump.
func (w *worker) collect(i int32, p, ray, right, up geom.Vec) (beyond int) {
	c := w.cloud
	u, v := w.pic.eye.project(p)
	reach := maxSlope * w.pic.cell * w.pic.eye.size(p)
	xi, yi, zi := c.X[i], c.Y[i], c.Z[i]
	w.near = w.near[:0]
	w.pic.around(u, v, func(points []int32) {
		for _, j := range points {
			d := geom.Vec{X: float64(c.X[j] - xi), Y: float64(c.Y[j] - yi), Z: float64(c.Z[j] - zi)}
			n := neighbour{d.Dot(right), d.Dot(up), d.Dot(ray)}
			if !(math.Abs(n.w) <= reach) {
				beyond++
				continue
			}
			w.near = append(w.near, n)
		}
	})
	return beyond
}

// plane fits w = a·u + b·v + c to the neighbours by least squares. Those further than
// scale from the plane a0, b0, c0 lose weight with the fourth power (Cauchy-like), so
// that a mixed pixel does not tilt it.
func plane(near []neighbour, scale, a0, b0, c0 float64) (a, b, c float64, ok bool) {
	var s, su, sv, sw, suu, suv, svv, suw, svw float64
	inv := 1 / (scale*scale + 1e-300)
	for i := range near {
		n := &near[i]
		r := n.w - a0*n.u - b0*n.v - c0
		h := 1 + r*r*inv
		k := 1 / (h * h)
		ku, kv := k*n.u, k*n.v
		s += k
		su += ku
		sv += kv
		sw += k * n.w
		suu += ku * n.u
		suv += ku * n.v
		svv += kv * n.v
		suw += ku * n.w
		svw += kv * n.w
	}
	mu, mv, mw := su/s, sv/s, sw/s
	suu, suv, svv = suu-mu*su, suv-mu*sv, svv-mv*sv
	suw, svw = suw-mu*sw, svw-mv*sw
	det := suu*svv - suv*suv
	if !(det > 1e-6*(suu+svv)*(suu+svv)) { // points on a line
		return 0, 0, 0, false
	}
	a, b = (svv*suw-suv*svw)/det, (suu*svw-suv*suw)/det
	return a, b, mw - a*mu - b*mv, true
}

// spread returns the standard deviation about a plane of three unknowns.
func spread(near []neighbour, a, b, c float64) float64 {
	sum := 0.0
	for i := range near {
		n := &near[i]
		r := n.w - a*n.u - b*n.v - c
		sum += r * r
	}
	return math.Sqrt(sum / float64(max(len(near)-3, 1)))
}
