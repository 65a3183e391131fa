package surface

import (
	"context"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// pairs holds, for every point of a source, the spot of the target that it met.
type pairs struct {
	source         *scan.Cloud
	target         *grid
	sourceToTarget geom.Pose
	share          []float32 // weight by how many points stand behind both ends; nil where all count alike
	spots          []int32   // -1 for a point that met nothing
	dist           []float32 // signed distance of the point from the spot along their mean normal, mm
	count          int       // of the points that met something
	cut            float64   // Tukey's constant: pairs farther apart have no weight; 0 when all are equally near
}

// widest is how far sideways a pair may lie, as a share of the reach: half as far
// again as two neighbours of the thinned target. A point beyond the target's border
// would meet the plane of a border point far from it.
const widest = 0.5

// pair finds for every source point the nearest target point that faces the same
// way.
func (s *scale) pair(ctx context.Context, sourceToTarget geom.Pose) (*pairs, error) {
	n := s.source.Len()
	p := &pairs{source: s.source, target: s.target, sourceToTarget: sourceToTarget, spots: make([]int32, n), dist: make([]float32, n)}
	counts := make([]int, par.Count(n, blockPoints))
	err := par.Blocks(ctx, n, blockPoints, func(block, lo, hi int) error {
		f := finder{grid: s.target}
		for i := lo; i < hi; i++ {
			p.spots[i] = -1
			q := p.spotOf(i)
			j := f.closest(q, minNormalCos)
			if j < 0 {
				continue
			}
			a := &s.target.at[j]
			dx, dy, dz := q.x-a.x, q.y-a.y, q.z-a.z
			nx, ny, nz := between(&q, a)
			d := nx*dx + ny*dy + nz*dz
			if side := float32(widest * s.target.cell); dx*dx+dy*dy+dz*dz-d*d > side*side {
				continue
			}
			p.spots[i], p.dist[i] = j, d
			counts[block]++
		}
		return nil
	})
	for _, c := range counts {
		p.count += c
	}
	p.cut = tukey * madToSigma * p.medianAbs()
	s.share(p)
	return p, err
}

// share weights a pair by the inverse variance of the difference of two means.
func (s *scale) share(p *pairs) {
	if s.behindSource == nil || s.behindTarget == nil {
		return
	}
	p.share = make([]float32, len(p.spots))
	for i, j := range p.spots {
		if j >= 0 {
			a, b := s.behindSource[i], s.behindTarget[s.target.order[j]]
			p.share[i] = 2 * a * b / (a + b)
		}
	}
}

// spotOf is source point i in the target's frame, relative to its origin.
func (p *pairs) spotOf(i int) spot {
	at := p.sourceToTarget.Apply(p.source.At(i)).Sub(p.target.cloud.Origin)
	n := p.sourceToTarget.Turn(p.source.Normal(i))
	return spot{float32(at.X), float32(at.Y), float32(at.Z), float32(n.X), float32(n.Y), float32(n.Z)}
}

// between returns the unit normal half way between two points': the chord of two
// points of a circle or sphere is square to it, so that curvature adds nothing to the
// distance. After S. Rusinkiewicz, A symmetric objective function for ICP, ACM
// Transactions on Graphics 38 (2019).
func between(a, b *spot) (x, y, z float32) {
	x, y, z = a.nx+b.nx, a.ny+b.ny, a.nz+b.nz
	s := 1 / float32(math.Sqrt(float64(x*x+y*y+z*z)))
	return x * s, y * s, z * s
}

const (
	// tukey is the usual constant of Tukey's biweight, in robust standard deviations:
	// 95 % efficient for a normal distribution.
	tukey = 4.685
	// madToSigma turns a median absolute deviation into the standard deviation of a
	// normal distribution: 1/Φ⁻¹(3/4).
	madToSigma = 1.482602218505602
)

// medianAbs returns the median of the absolute distances.
func (p *pairs) medianAbs() float64 {
	abs := make([]float32, 0, p.count)
	for i, s := range p.spots {
		if s >= 0 {
			abs = append(abs, float32(math.Abs(float64(p.dist[i]))))
		}
	}
	if len(abs) == 0 {
		return 0
	}
	return float64(middle(abs))
}

// weight is Tukey's biweight of a distance.
func (p *pairs) weight(d float64) float64 {
	if p.cut == 0 {
		return 1
	}
	u := d / p.cut
	if u <= -1 || u >= 1 {
		return 0
	}
	q := 1 - u*u
	return q * q
}

// each calls f for every pair of a range that has weight: its place relative to the
// target's origin, the mean normal, the distance and the weight.
func (p *pairs) each(lo, hi int, f func(i int, at, n geom.Vec, d, w float64)) {
	for i := lo; i < hi; i++ {
		j := p.spots[i]
		if j < 0 {
			continue
		}
		d := float64(p.dist[i])
		w := p.weight(d)
		if w == 0 {
			continue
		}
		if p.share != nil {
			w *= float64(p.share[i])
		}
		at, n := p.placeOf(i)
		f(i, at, n, d, w)
	}
}

// placeOf returns where pair i lies, relative to the target's origin, and its mean
// normal.
func (p *pairs) placeOf(i int) (at, n geom.Vec) {
	q := p.spotOf(i)
	nx, ny, nz := between(&q, &p.target.at[p.spots[i]])
	return geom.Vec{X: float64(q.x), Y: float64(q.y), Z: float64(q.z)}, geom.Vec{X: float64(nx), Y: float64(ny), Z: float64(nz)}
}

// middle returns the lower median of v, whose order it changes: the selection of
// C. A. R. Hoare, Algorithm 65: Find (1961).
func middle(v []float32) float32 {
	k := (len(v) - 1) / 2
	lo, hi := 0, len(v)-1
	for lo < hi {
		pivot := medianOf3(v[lo], v[(lo+hi)/2], v[hi])
		i, j := lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	return v[k]
}

func medianOf3(a, b, c float32) float32 { return max(min(a, b), min(max(a, b), c)) }
