// Package feature recognises places of a surface by their shape, and finds the
// motion that most of a list of doubtful point pairs agree on.
//
// In come points with unit normals, thinned to about one a cell, or pairs of points
// of which many may be wrong. Describe gives each point a fast point feature
// histogram (R. B. Rusu, N. Blodow, M. Beetz, Fast Point Feature Histograms (FPFH)
// for 3D registration, ICRA 2009): how the normals lie to each other in its
// neighbourhood, blind to position and rotation. Match pairs places that look alike,
// Agree finds the motions under which many of the pairs agree, Vote finds motions
// without descriptors, for shapes whose places all look the same. Consensus is the
// general estimator behind it, with a known or an unknown scale.
//
// The package proposes motions and counts what supports them; it never decides
// that a motion is right: that needs the whole surface.
package feature

import (
	"context"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
)

// Points is a thinned surface: places in millimetres and unit normals, one each.
type Points struct {
	At     []geom.Vec
	Normal []geom.Vec
}

// bins is how finely an angle is resolved: 11 as in §II of the paper.
const bins = 11

// Width is the number of values in a descriptor: three angles.
const Width = 3 * bins

// Descriptor is a fast point feature histogram. Each third is scaled to sum one and
// then rooted, so that the Euclidean distance of two descriptors is the Hellinger
// distance of the histograms: full bins do not outweigh all others (R. Arandjelović,
// A. Zisserman, Three things everyone should know to improve object retrieval,
// CVPR 2012, §3). A descriptor of zeros says that a place has no neighbours.
type Descriptor [Width]float32

// blockPoints is the number of points a parallel block.
const blockPoints = 512

// Describe returns one descriptor for each point from its neighbours nearer than
// radius. x must be an index of p.At.
func Describe(ctx context.Context, p Points, x *Index, radius float64) ([]Descriptor, error) {
	n := len(p.At)
	simple, out := make([]Descriptor, n), make([]Descriptor, n)
	err := par.Blocks(ctx, n, blockPoints, func(_, lo, hi int) error {
		var near []int32
		for i := lo; i < hi; i++ {
			near = x.Within(p.At[i], radius, near[:0])
			simple[i] = p.simplified(i, near)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	err = par.Blocks(ctx, n, blockPoints, func(_, lo, hi int) error {
		var near []int32
		for i := lo; i < hi; i++ {
			near = x.Within(p.At[i], radius, near[:0])
			out[i] = p.weighted(i, near, simple)
			out[i].root()
		}
		return nil
	})
	return out, err
}

// simplified is the simplified histogram of one point: its own pairs only.
func (p Points) simplified(i int, near []int32) Descriptor {
	var h Descriptor
	for _, j := range near {
		if int(j) == i {
			continue
		}
		alpha, phi, theta, ok := p.pair(i, int(j))
		if !ok {
			continue
		}
		h[bin((alpha+1)/2)]++
		h[bins+bin((phi+1)/2)]++
		h[2*bins+bin(theta/(2*math.Pi)+0.5)]++
	}
	return h
}

func bin(share float64) int { return min(max(int(share*bins), 0), bins-1) }

// pair gives the three angles between two points and their normals, eq. (1) of the
// paper. The point whose normal is nearer to the line between them comes first.
func (p Points) pair(i, j int) (alpha, phi, theta float64, ok bool) {
	line := p.At[j].Sub(p.At[i])
	dist := line.Norm()
	u, nt := p.Normal[i], p.Normal[j]
	if dist == 0 {
		return 0, 0, 0, false
	}
	line = line.Scale(1 / dist)
	if math.Abs(u.Dot(line)) < math.Abs(nt.Dot(line)) {
		u, nt, line = nt, u, line.Scale(-1)
	}
	v := u.Cross(line)
	norm := v.Norm()
	if norm == 0 {
		return 0, 0, 0, false
	}
	v = v.Scale(1 / norm)
	w := u.Cross(v)
	return v.Dot(nt), u.Dot(line), math.Atan2(w.Dot(nt), u.Dot(nt)), true
}

// weighted adds the neighbours' histograms, weighted by the inverse of their
// distance, eq. (2) of the paper.
func (p Points) weighted(i int, near []int32, simple []Descriptor) Descriptor {
	h := simple[i]
	var sum Descriptor
	for _, j := range near {
		if int(j) == i {
			continue
		}
		if d := p.At[j].Dist(p.At[i]); d > 0 {
			w := float32(1 / d)
			for b, v := range &simple[j] {
				sum[b] += w * v
			}
		}
	}
	// The weights are made relative to the mean one: the unit of length drops out.
	var weights float32
	for _, j := range near {
		if d := p.At[j].Dist(p.At[i]); d > 0 {
			weights += float32(1 / d)
		}
	}
	if weights == 0 {
		return h
	}
	for b := range h {
		h[b] += sum[b] / weights
	}
	return h
}

// root scales each angle's bins to sum one and takes their roots.
func (h *Descriptor) root() {
	for a := range 3 {
		third := h[a*bins : (a+1)*bins]
		var sum float32
		for _, v := range third {
			sum += v
		}
		if sum == 0 {
			continue
		}
		for b, v := range third {
			third[b] = float32(math.Sqrt(float64(v / sum)))
		}
	}
}

// isEmpty says that the place had no neighbours.
func (h *Descriptor) isEmpty() bool { return *h == Descriptor{} }

// Distance2 returns the squared distance of two descriptors, from 0 to 6.
func (h *Descriptor) Distance2(k *Descriptor) float32 {
	var s0, s1, s2 float32
	for b := 0; b < Width; b += 3 {
		d0, d1, d2 := h[b]-k[b], h[b+1]-k[b+1], h[b+2]-k[b+2]
		s0 += d0 * d0
		s1 += d1 * d1
		s2 += d2 * d2
	}
	return s0 + s1 + s2
}
