package pipeline

import (
	"math"

	"trammel/pipeline/fit"
	"trammel/pipeline/fuse"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Seam is where the step from preferred scans to the others is the largest: what the scans
// saw around and what the fused mesh makes of it, in a frame of its own. X leads across the
// seam, away from the preferred scans, H out of the surface.
type Seam struct {
	Half      float64 // of the square that is shown, mm
	Preferred []Above // points of preferred scans, averaged over a fusion cell
	Others    []Above // of the others, in a strip along X
}

const (
	// seamReach is half the side of the square, in cells, and at least so many widths of the
	// feather.
	seamReach    = 14
	seamFeathers = 1.5
	// seamStrip is half the width of the strip, in cells.
	seamStrip = 2.5
	// seamDepth keeps other surfaces out, in cells.
	seamDepth = 4
)

// seamFrame maps the frame of the deliverables to that of the seam.
func seamFrame(s fuse.Step) geom.Pose {
	y := s.Normal.Cross(s.Across)
	r := geom.Mat{s.Across.X, s.Across.Y, s.Across.Z, y.X, y.Y, y.Z, s.Normal.X, s.Normal.Y, s.Normal.Z}
	return geom.Pose{R: r, T: r.MulVec(s.At).Scale(-1)}
}

// newSeam returns an empty view of the largest step, or nil if there is none.
func (b *Built) newSeam() *Seam {
	if b.Mesh.Fusion.Seam.Places == 0 {
		return nil
	}
	return &Seam{Half: max(seamReach*b.Job.Mesh.Voxel, seamFeathers*b.Job.Mesh.Feather), Preferred: []Above{}, Others: []Above{}}
}

// take adds the points of a view that lie around.
func (s *Seam) take(points []geom.Vec, isPreferred bool, step fuse.Step, voxel float64) {
	to := seamFrame(step)
	for _, p := range points {
		if p.Sub(step.At).Norm2() > 3*s.Half*s.Half {
			continue
		}
		q := to.Apply(p)
		if math.Abs(q.X) > s.Half || math.Abs(q.Y) > s.Half || math.Abs(q.Z) > seamDepth*voxel {
			continue
		}
		if isPreferred {
			s.Preferred = append(s.Preferred, Above{q.X, q.Y, q.Z})
		} else if math.Abs(q.Y) <= seamStrip*voxel {
			s.Others = append(s.Others, Above{q.X, q.Y, q.Z})
		}
	}
}

// Smooth is a surface of the second degree: height over the place along a seam.
type Smooth [6]float64

// At returns its height.
func (s *Smooth) At(x, y float64) float64 {
	return s[0] + s[1]*x + s[2]*y + s[3]*x*x + s[4]*x*y + s[5]*y*y
}

// smooth fits one to the piece of the mesh within the square, as far as it faces out: what is
// drawn above it shows the step even where the object is curved. Where nothing holds it, it
// is level.
func (b *Built) smooth() Smooth {
	m, half := b.seamPiece, b.Seam.Half
	sol, err := fit.Solve(make([]float64, len(Smooth{})), func(x []float64, sum *fit.Sum) {
		s := Smooth(x)
		for t := range m.Triangles() {
			p, q, r := m.Corners(t)
			c := p.Add(q).Add(r).Scale(1.0 / 3)
			if n := q.Sub(p).Cross(r.Sub(p)).Unit(); n.Z < 0.7 || max(math.Abs(c.X), math.Abs(c.Y)) > half || math.Abs(c.Z) > seamDepth*b.Job.Mesh.Voxel {
				continue
			}
			u, v := c.X/half, c.Y/half
			sum.Add(s.At(u, v)-c.Z, 1, u, v, u*u, u*v, v*v)
		}
	}, fit.Options{})
	if err != nil {
		return Smooth{}
	}
	for i, d := range [...]float64{1, half, half, half * half, half * half, half * half} {
		sol.X[i] /= d
	}
	return Smooth(sol.X)
}

// SeamCut returns what a cut along X shows, heights above a smooth surface: points of the
// preferred scans and of the others in the strip, and the pieces of the mesh.
func (b *Built) SeamCut() (preferred, others []Above, mesh [][2]Above) {
	if b.Seam == nil || b.seamPiece == nil {
		return nil, nil, nil
	}
	s, strip := b.smooth(), b.Strip()
	above := func(list []Above) (out []Above) {
		for _, p := range list {
			if math.Abs(p.Y) <= strip {
				out = append(out, Above{p.X, p.Y, p.H - s.At(p.X, p.Y)})
			}
		}
		return out
	}
	m := b.seamPiece
	for t := range m.Triangles() {
		var ends []Above
		for k := range 3 {
			p, q := m.At(m.Tri[3*t+k]), m.At(m.Tri[3*t+(k+1)%3])
			if (p.Y < 0) != (q.Y < 0) {
				x := p.AddScaled(p.Y/(p.Y-q.Y), q.Sub(p))
				ends = append(ends, Above{X: x.X, H: x.Z - s.At(x.X, 0)})
			}
		}
		if len(ends) == 2 {
			mesh = append(mesh, [2]Above{ends[0], ends[1]})
		}
	}
	return above(b.Seam.Preferred), above(b.Seam.Others), mesh
}

// Strip is half the width of the strip of a seam that holds points of all scans, mm.
func (b *Built) Strip() float64 { return seamStrip * b.Job.Mesh.Voxel }

// SeamPiece returns the fused mesh around the largest step, in the frame of Seam, and for
// each vertex which share of what is around it preferred scans saw.
func (b *Built) SeamPiece() (m *scan.Mesh, share []float32) { return b.seamPiece, b.seamShare }

// cutSeam keeps the part of the fused mesh around the largest step.
func (b *Built) cutSeam(fused *scan.Mesh) {
	if b.Seam == nil || fused == nil {
		return
	}
	step, h := b.Mesh.Fusion.Seam.Worst, b.Job.Mesh.Voxel
	to, reach := seamFrame(step), 1.3*b.Seam.Half
	m := &scan.Mesh{}
	number := map[int32]int32{}
	for t := range fused.Triangles() {
		if fused.At(fused.Tri[3*t]).Sub(step.At).Norm2() > 3*reach*reach {
			continue
		}
		p, q, s := fused.Corners(t)
		middle := to.Apply(p.Add(q).Add(s).Scale(1.0 / 3))
		if math.Abs(middle.X) > reach || math.Abs(middle.Y) > reach || math.Abs(middle.Z) > reach {
			continue
		}
		for _, v := range fused.Tri[3*t : 3*t+3] {
			id, known := number[v]
			if !known {
				id = int32(m.Vertices())
				number[v] = id
				at := to.Apply(fused.At(v))
				m.X, m.Y, m.Z = append(m.X, float32(at.X)), append(m.Y, float32(at.Y)), append(m.Z, float32(at.Z))
			}
			m.Tri = append(m.Tri, id)
		}
	}
	b.seamPiece, b.seamShare = m, shares(m, b.Seam.Preferred, h)
}

// shares returns one where a preferred point lies within a cell and a quarter, nothing where
// there is none within two, and what lies between in between.
func shares(m *scan.Mesh, points []Above, h float64) []float32 {
	out := make([]float32, m.Vertices())
	for i := range out {
		p, least := m.At(int32(i)), math.Inf(1)
		for _, q := range points {
			least = min(least, p.Sub(geom.Vec{X: q.X, Y: q.Y, Z: q.H}).Norm2())
		}
		out[i] = float32(min(max((2-math.Sqrt(least)/h)/0.75, 0), 1))
	}
	return out
}
