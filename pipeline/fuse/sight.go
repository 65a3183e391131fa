package fuse

import (
	"context"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Sight is what a scanner saw of every direction: how near and how far its returns are in
// each cell of a cube around it, all returns, those at depth edges too.
type Sight struct {
	near, far []float32 // mm; six faces of sightSide rows and columns; far is 0 where nothing came back
}

// sightSide is the number of cells along a face of the cube, a third of a degree each: an
// arm at ten metres is wider, and a cell holds several returns of any scan of an object.
const sightSide = 256

func emptySight() *Sight {
	const n = 6 * sightSide * sightSide
	return &Sight{near: make([]float32, n), far: make([]float32, n)}
}

// NewSight collects the returns of a set-up, whose scanner stands at the zero point.
func NewSight(ctx context.Context, c *scan.Cloud) (*Sight, error) {
	const parts = 2
	size := max(1, (c.Len()+parts-1)/parts)
	all := make([]*Sight, par.Count(c.Len(), size))
	if err := par.Blocks(ctx, c.Len(), size, func(block, lo, hi int) error {
		s := emptySight()
		for i := lo; i < hi; i++ {
			p := c.At(i)
			if at := cubeCell(p); at >= 0 {
				r := float32(p.Norm())
				s.take(at, r, r)
			}
		}
		all[block] = s
		return nil
	}); err != nil {
		return nil, err
	}
	if len(all) == 0 {
		return emptySight(), nil
	}
	for _, o := range all[1:] {
		for at, far := range o.far {
			if far > 0 {
				all[0].take(at, o.near[at], far)
			}
		}
	}
	return all[0], nil
}

func (s *Sight) take(at int, near, far float32) {
	if s.far[at] == 0 || near < s.near[at] {
		s.near[at] = near
	}
	s.far[at] = max(s.far[at], far)
}

// cubeCell returns the cell in the direction of p, or -1 if p is none.
func cubeCell(p geom.Vec) int {
	x, y, z := math.Abs(p.X), math.Abs(p.Y), math.Abs(p.Z)
	face, u, v, w := 0, p.Y, p.Z, p.X
	switch {
	case y >= x && y >= z:
		face, u, v, w = 2, p.Z, p.X, p.Y
	case z >= x && z >= y:
		face, u, v, w = 4, p.X, p.Y, p.Z
	}
	if w < 0 {
		face++
	}
	w = math.Abs(w)
	if !(w > 0) || math.IsInf(w, 0) || math.IsNaN(u+v) {
		return -1
	}
	cell := func(u float64) int { return min(int((u/w+1)*(sightSide/2)), sightSide-1) }
	return (face*sightSide+cell(v))*sightSide + cell(u)
}

// through reports whether the scanner looked past p, in its own frame, and how far behind
// its nearest return in that direction lies: well behind, and with nothing nearer in the
// directions around either. Where nothing came back it saw nothing.
func (s *Sight) through(p geom.Vec, voxel float64) (end geom.Vec, ok bool) {
	r := p.Norm()
	well := r + max(wellBehind, wellBehindShare*r, wellBehindCells*voxel)
	at := cubeCell(p)
	if at < 0 || s.far[at] == 0 || float64(s.near[at]) < well {
		return geom.Vec{}, false
	}
	// The directions around, a cell and a half away, whatever face of the cube they meet.
	u := p.Unit().Perpendicular().Scale(1.5 * r * 2 / sightSide)
	v := p.Cross(u).Scale(1 / r)
	for k := range 8 {
		a := float64(k) * math.Pi / 4
		q := p.AddScaled(math.Cos(a), u).AddScaled(math.Sin(a), v)
		if n := cubeCell(q); s.far[n] > 0 && float64(s.near[n]) < well {
			return geom.Vec{}, false
		}
	}
	return p.Scale(float64(s.near[at]) / r), true
}

const (
	// wellBehind, in mm, as a share of the distance and in cells: a ray that ends nearer
	// behind a place may have been meant for it.
	wellBehind      = 60
	wellBehindShare = 0.02
	wellBehindCells = 12
)

// confirms reports whether the scanner has returns at p, in its own frame.
func (s *Sight) confirms(p geom.Vec, voxel float64) bool {
	at := cubeCell(p)
	if at < 0 || s.far[at] == 0 {
		return false
	}
	r := p.Norm()
	slack := max(wellBehind/2, wellBehindShare/2*r, wellBehindCells/2*voxel)
	return r > float64(s.near[at])-slack && r < float64(s.far[at])+slack
}
