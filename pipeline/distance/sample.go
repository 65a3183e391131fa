package distance

import (
	"context"
	"math"
	"math/bits"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// sampling spreads points evenly over the area of a mesh: sample k lies where
// the area of the triangles before it reaches (k+½)/count of the whole, so every
// region gets its share to within one sample.
type sampling struct {
	mesh  *scan.Mesh
	count int
	step  float64   // mm² a sample
	start []float64 // mm² before each block of triangles
	first []int     // the first sample of each block, and count at the end
}

func newSampling(ctx context.Context, m *scan.Mesh, count int) (*sampling, error) {
	n := par.Count(m.Triangles(), blockSize)
	area := make([]float64, n)
	err := par.Blocks(ctx, m.Triangles(), blockSize, func(block, lo, hi int) error {
		for t := lo; t < hi; t++ {
			area[block] += areaOf(m, t)
		}
		return nil
	})
	s := &sampling{mesh: m, start: make([]float64, n+1), first: make([]int, n+1)}
	for i, a := range area {
		s.start[i+1] = s.start[i] + a
	}
	total := s.start[n]
	if total == 0 { // nothing but lines and points: the vertices must do
		return s, err
	}
	s.count, s.step = count, total/float64(count)
	for i := range s.first {
		s.first[i] = min(count, int(math.Ceil(s.start[i]/s.step-0.5)))
	}
	s.first[n] = count
	return s, err
}

func areaOf(m *scan.Mesh, t int) float64 {
	a, b, c := m.Corners(t)
	return b.Sub(a).Cross(c.Sub(a)).Norm() / 2
}

// each calls f for every sample of a block of triangles, in order. Rounding may
// leave samples at the end of the block; they go to its last triangle with area.
func (s *sampling) each(block int, f func(geom.Vec)) {
	k, end := s.first[block], s.first[block+1]
	sum, last := s.start[block], -1
	lo := block * blockSize
	for t := lo; t < min(lo+blockSize, s.mesh.Triangles()) && k < end; t++ {
		area := areaOf(s.mesh, t)
		if area == 0 {
			continue
		}
		last = t
		sum += area
		for ; k < end && (float64(k)+0.5)*s.step < sum; k++ {
			f(s.point(t, k))
		}
	}
	for ; k < end; k++ {
		f(s.point(max(last, lo), k))
	}
}

// point returns sample k on triangle t. The place in the triangle comes from k
// alone: radical inverses in the bases 2 and 3 (J. H. Halton, On the efficiency of
// certain quasi-random sequences of points, Numer. Math. 2, 1960), folded from the
// square into the triangle.
func (s *sampling) point(t, k int) geom.Vec {
	a, b, c := s.mesh.Corners(t)
	u := float64(bits.Reverse32(uint32(k))) * 0x1p-32
	v := inverse3(uint32(k))
	if u+v > 1 {
		u, v = 1-u, 1-v
	}
	return a.AddScaled(u, b.Sub(a)).AddScaled(v, c.Sub(a))
}

// inverse3 mirrors the base-3 digits of k at the point.
func inverse3(k uint32) float64 {
	var v float64
	for w := 1.0 / 3; k > 0; w /= 3 {
		v += w * float64(k%3)
		k /= 3
	}
	return v
}
