package surface

import (
	"context"
	"math"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
)

// system holds the normal equations of a small motion about a centre.
type system struct {
	center geom.Vec // target frame
	radius float64  // rms distance of the pairs from the centre: it makes angles comparable to lengths
	h      *mat.SymDense
	g      *mat.VecDense
	weight float64
	ssr    float64
}

// sums are what a block of pairs adds to the normal equations.
type sums struct {
	h [21]float64 // upper triangle, row by row
	g [6]float64
	s float64
}

// normalEquations sums over the pairs, by blocks that are joined in their order.
func (p *pairs) normalEquations(ctx context.Context) (system, error) {
	s := system{h: mat.NewSymDense(6, nil), g: mat.NewVecDense(6, nil)}
	if err := s.locate(ctx, p); err != nil {
		return s, err
	}
	blocks := make([]sums, par.Count(len(p.spots), blockPoints))
	err := par.Blocks(ctx, len(p.spots), blockPoints, func(block, lo, hi int) error {
		b, center, scale := &blocks[block], s.center.Sub(p.target.cloud.Origin), 1/s.radius
		p.each(lo, hi, func(_ int, at, n geom.Vec, d, w float64) { b.add(row(at.Sub(center), n, scale), d, w) })
		return nil
	})
	var all sums
	for i := range blocks {
		all.join(&blocks[i])
	}
	k := 0
	for i := range 6 {
		s.g.SetVec(i, all.g[i])
		for j := i; j < 6; j++ {
			s.h.SetSym(i, j, all.h[k])
			k++
		}
	}
	s.ssr = all.s
	return s, err
}

// locate finds the weighted middle of the pairs and their rms distance from it.
func (s *system) locate(ctx context.Context, p *pairs) error {
	type moments struct {
		w, r2 float64
		at    geom.Vec
	}
	blocks := make([]moments, par.Count(len(p.spots), blockPoints))
	err := par.Blocks(ctx, len(p.spots), blockPoints, func(block, lo, hi int) error {
		m := &blocks[block]
		p.each(lo, hi, func(_ int, at, _ geom.Vec, _, w float64) {
			m.w += w
			m.at = m.at.AddScaled(w, at)
			m.r2 += w * at.Norm2()
		})
		return nil
	})
	var all moments
	for _, m := range blocks {
		all.w, all.r2, all.at = all.w+m.w, all.r2+m.r2, all.at.Add(m.at)
	}
	middle := all.at.Scale(1 / all.w)
	s.weight, s.center = all.w, middle.Add(p.target.cloud.Origin)
	s.radius = math.Sqrt(math.Max(all.r2/all.w-middle.Norm2(), math.SmallestNonzeroFloat32))
	return err
}

// row is the derivative of a distance by the rotation (scaled) and the translation,
// at a place seen from the centre.
func row(arm, n geom.Vec, scale float64) [6]float64 {
	a := arm.Cross(n)
	return [6]float64{a.X * scale, a.Y * scale, a.Z * scale, n.X, n.Y, n.Z}
}

func (b *sums) add(row [6]float64, d, w float64) {
	k := 0
	for i := range 6 {
		x := w * row[i]
		b.g[i] += x * d
		for j := i; j < 6; j++ {
			b.h[k] += x * row[j]
			k++
		}
	}
	b.s += w * d * d
}

func (b *sums) join(c *sums) {
	for i, x := range c.h {
		b.h[i] += x
	}
	for i, x := range c.g {
		b.g[i] += x
	}
	b.s += c.s
}

// heldShare is the smallest eigenvalue, relative to the mean one, at which a
// direction counts as held: below it, the pairs tell ten times less about it than
// noise in the normals (about 2 degrees, so 1e-3 in squared cosine) pretends.
const heldShare = 1e-2

// solve returns the motion that lowers the distances, and how far it moves the
// pairs. Directions that are not held stay as they are.
func (s *system) solve() (geom.Pose, float64) {
	var e mat.EigenSym
	if !e.Factorize(s.h, true) {
		return geom.IdentityPose(), 0
	}
	var v mat.Dense
	e.VectorsTo(&v)
	values := e.Values(nil)
	mean := mat.Trace(s.h) / 6
	var x [6]float64
	for k, lambda := range values {
		if lambda <= heldShare*mean {
			continue
		}
		c := mat.Dot(v.ColView(k), s.g) / lambda
		for i := range x {
			x[i] -= c * v.At(i, k)
		}
	}
	turn := geom.Vec{X: x[0], Y: x[1], Z: x[2]}.Scale(1 / s.radius)
	move := geom.Vec{X: x[3], Y: x[4], Z: x[5]}
	rot := geom.RotVec(turn)
	about := geom.Pose{R: rot, T: s.center.Sub(rot.MulVec(s.center)).Add(move)}
	return about, move.Norm() + turn.Norm()*s.radius
}
