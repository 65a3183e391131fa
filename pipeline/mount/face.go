package mount

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// face is a flat part of the surface near a mount, with its points laid flat.
type face struct {
	plane fit.PlaneFit
	u, v  geom.Vec // axes in the plane; u, v, normal are right-handed
	x, y  []float64
	rest  []geom.Vec // the points that are not on it
	band  float64    // half the thickness within which points count as on it
	cells *flatIndex // of x, y; made when first asked for
}

const (
	maxFaces   = 6    // a bracket shows no more flat sides around one bolt
	tries      = 300  // random triples a face: with a fifth of the points on it, one in 125 triples is, 91 % of searches find it
	seed       = 7919 // of the triples; any constant does
	leastShare = 0.05 // of the points: a smaller patch is clutter
)

// faces finds the flat parts among the points, the largest first, by random
// triples. After M. Fischler, R. Bolles, Random sample consensus, Comm. ACM 24
// (1981). The draws are fixed by the seed, so that the same points give the same
// faces.
func faces(points []geom.Vec, noise float64) []face {
	random := rand.New(rand.NewPCG(seed, uint64(len(points))))
	band := 3.5 * noise // 99.95 % of the points of a true plane
	var out []face
	rest := points
	for len(out) < maxFaces && float64(len(rest)) > leastShare*float64(len(points)) && len(rest) >= leastPoints {
		on, off, ok := largestPlane(rest, band, random)
		if !ok || float64(len(on)) < leastShare*float64(len(points)) || len(on) < leastPoints {
			break
		}
		plane, err := fit.Plane(on, 0)
		if err != nil {
			break
		}
		f := face{plane: plane, rest: without(points, plane, band), band: band}
		f.u = plane.Normal.Perpendicular()
		f.v = plane.Normal.Cross(f.u)
		for _, p := range on {
			x, y := f.flat(p)
			f.x, f.y = append(f.x, x), append(f.y, y)
		}
		out = append(out, f)
		rest = off
	}
	return out
}

func (f *face) flat(p geom.Vec) (x, y float64) {
	d := p.Sub(f.plane.Point)
	return d.Dot(f.u), d.Dot(f.v)
}

func (f *face) index() *flatIndex {
	if f.cells == nil {
		f.cells = newFlatIndex(f.x, f.y)
	}
	return f.cells
}

func (f *face) height(p geom.Vec) float64 { return p.Sub(f.plane.Point).Dot(f.plane.Normal) }

func (f *face) lift(x, y float64) geom.Vec {
	return f.plane.Point.AddScaled(x, f.u).AddScaled(y, f.v)
}

// largestPlane splits the points into those on the plane that most of them
// share and the others. The plane is refined twice on its own points, since one
// from three noisy points is tilted.
func largestPlane(points []geom.Vec, band float64, random *rand.Rand) (on, off []geom.Vec, ok bool) {
	sample := thinned(points, 2000)
	var best geom.Vec
	var origin geom.Vec
	most := 0
	for range tries {
		a := points[random.IntN(len(points))]
		b := points[random.IntN(len(points))]
		c := points[random.IntN(len(points))]
		n := b.Sub(a).Cross(c.Sub(a))
		if n.Norm() < 100*band*band { // too slim a triangle to hold a plane to its own noise
			continue
		}
		n = n.Unit()
		if k := within(sample, a, n, band); k > most {
			most, best, origin = k, n, a
		}
	}
	if most == 0 {
		return nil, nil, false
	}
	for range 2 {
		on, _ = split(points, origin, best, band)
		p, err := fit.Plane(on, 0)
		if err != nil {
			return nil, nil, false
		}
		origin, best = p.Point, p.Normal
	}
	on, off = split(points, origin, best, band)
	return on, off, true
}

func thinned(points []geom.Vec, most int) []geom.Vec {
	step := (len(points) + most - 1) / most
	var out []geom.Vec
	for i := 0; i < len(points); i += step {
		out = append(out, points[i])
	}
	return out
}

func within(points []geom.Vec, origin, n geom.Vec, band float64) int {
	k := 0
	for _, p := range points {
		if math.Abs(p.Sub(origin).Dot(n)) <= band {
			k++
		}
	}
	return k
}

func split(points []geom.Vec, origin, n geom.Vec, band float64) (on, off []geom.Vec) {
	for _, p := range points {
		if math.Abs(p.Sub(origin).Dot(n)) <= band {
			on = append(on, p)
		} else {
			off = append(off, p)
		}
	}
	return on, off
}

func without(points []geom.Vec, plane fit.PlaneFit, band float64) []geom.Vec {
	_, off := split(points, plane.Point, plane.Normal, band)
	return off
}

// density returns the points per square millimetre where the face is covered:
// the upper quartile of counts around sample points, since counts near the rim
// and the border are too small.
func (f *face) density() float64 {
	const samples = 200
	step := max(1, len(f.x)/samples)
	radius := f.countRadius()
	var counts []float64
	for i := 0; i < len(f.x); i += step {
		n := 0
		f.index().around(f.x[i], f.y[i], radius, func(int) { n++ })
		counts = append(counts, float64(n))
	}
	slices.Sort(counts)
	return counts[len(counts)*3/4] / (math.Pi * radius * radius)
}

// countRadius is chosen so that a circle of it holds about 30 points if they
// were spread evenly over the box of the face: a count good to a fifth.
func (f *face) countRadius() float64 {
	area := (slices.Max(f.x) - slices.Min(f.x)) * (slices.Max(f.y) - slices.Min(f.y))
	return math.Sqrt(30 * area / (math.Pi * float64(len(f.x))))
}

// scatter estimates the noise of points across the surface they lie on: the
// median, over sample points, of the rms distance of the nearest neighbours from
// their own plane.
func scatter(points []geom.Vec) float64 {
	const samples, neighbours = 100, 12
	crowd := thinned(points, 5000)
	var rms []float64
	for i := 0; i < len(crowd); i += max(1, len(crowd)/samples) {
		near := slices.Clone(crowd)
		slices.SortFunc(near, func(a, b geom.Vec) int { return cmp.Compare(a.Sub(crowd[i]).Norm2(), b.Sub(crowd[i]).Norm2()) })
		if p, err := fit.Plane(near[:min(neighbours, len(near))], 0); err == nil {
			rms = append(rms, p.Sigma)
		}
	}
	if len(rms) == 0 {
		return 0
	}
	slices.Sort(rms)
	return rms[len(rms)/2]
}
