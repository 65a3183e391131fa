package coverage

import (
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

const (
	// nearCells is how near, in cells of the mesh, the edges of two openings must lie to
	// belong together: the fusion rounds edges off by about a cell on either side.
	nearCells = 3
	// facingShare is the share of the shorter edge that must lie so near.
	facingShare = 0.5
)

// Cluster is openings that one surface may close, such as the hole in a plate and the end
// of the pipe that stands in it.
type Cluster struct {
	Gaps  []int   // indices
	Least float64 // area that is missing at the least, mm²
	Whole float64 // of all closing faces, mm²
}

// Least joins the openings that are not open to clusters, cell being that of the mesh. The
// vector area of a surface depends on its edge alone, and no surface has less area than the
// length of it: so much is missing of each cluster at the least.
func Least(gaps []Gap, cell float64) []Cluster {
	root := make([]int, len(gaps))
	for i := range root {
		root[i] = i
		if gaps[i].Reason == Open {
			continue
		}
		for k := range i {
			if gaps[k].Reason != Open && near(&gaps[i], &gaps[k], nearCells*cell) {
				a, b := top(root, i), top(root, k)
				root[max(a, b)] = min(a, b)
			}
		}
	}
	var out []Cluster
	index := map[int]int{}
	sums := map[int]geom.Vec{}
	for i := range gaps {
		if gaps[i].Reason == Open {
			continue
		}
		r := top(root, i)
		k, ok := index[r]
		if !ok {
			k = len(out)
			index[r], out = k, append(out, Cluster{})
		}
		out[k].Gaps = append(out[k].Gaps, i)
		sums[k] = sums[k].AddScaled(gaps[i].Area, gaps[i].Normal)
		for _, p := range gaps[i].Places {
			out[k].Whole += p.Area
		}
	}
	for k := range out {
		out[k].Least = sums[k].Norm()
	}
	return out
}

func top(root []int, i int) int {
	for root[i] != i {
		i = root[i]
	}
	return i
}

// near reports whether the edges of two openings run along each other.
func near(a, b *Gap, reach float64) bool {
	if len(a.Loop) > len(b.Loop) {
		a, b = b, a
	}
	if a.Center.Dist(b.Center) > (a.Extent()+b.Extent())/2+reach {
		return false
	}
	s := &solid{cell: reach, cells: map[[3]int32]struct{}{}}
	for _, p := range b.Loop {
		s.cells[s.of(p)] = struct{}{}
	}
	close := 0
	for _, p := range a.Loop {
		if s.isNear(p) && leastDistance(p, b.Loop) <= reach {
			close++
		}
	}
	return float64(close) >= facingShare*float64(len(a.Loop))
}

// isNear reports whether one of the 27 cells around a place is taken.
func (s *solid) isNear(p geom.Vec) bool {
	k := s.of(p)
	for i := range 27 {
		if _, ok := s.cells[[3]int32{k[0] + int32(i%3) - 1, k[1] + int32(i/3%3) - 1, k[2] + int32(i/9) - 1}]; ok {
			return true
		}
	}
	return false
}

func leastDistance(p geom.Vec, list []geom.Vec) float64 {
	least := math.Inf(1)
	for _, q := range list {
		least = math.Min(least, p.Sub(q).Norm2())
	}
	return math.Sqrt(least)
}

// Backs tells closing faces that lie on the back of surface that was seen: a plate that was
// seen from one side has another one, but it lies elsewhere.
type Backs struct {
	cell    float64
	normals map[[3]int32]geom.Vec
}

// NewBacks gathers the normals of a mesh by cells.
func NewBacks(m *scan.Mesh, cell float64) *Backs {
	b := &Backs{cell: 1.5 * cell, normals: map[[3]int32]geom.Vec{}}
	s := solid{cell: b.cell}
	for t := range m.Triangles() {
		p, q, r := m.Corners(t)
		k := s.of(p.Add(q).Add(r).Scale(1.0 / 3))
		b.normals[k] = b.normals[k].Add(q.Sub(p).Cross(r.Sub(p)))
	}
	return b
}

// Behind reports whether a closing face lies along surface that looks the other way.
func (b *Backs) Behind(p Place) bool {
	s := solid{cell: b.cell}
	n, ok := b.normals[s.of(p.At)]
	return ok && n.Unit().Dot(p.Normal) < -0.5
}
