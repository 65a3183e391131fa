package reduce

import (
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// factorAt returns by how much errors at p shall be smaller than elsewhere.
func factorAt(regions []Region, p geom.Vec) float64 {
	f := 1.0
	for _, r := range regions {
		if r.Factor > f && r.Box.Contains(p) {
			f = r.Factor
		}
	}
	return f
}

// demand says how exact the result has to be, before anything was measured.
type demand struct {
	regions []Region
	limit   float64 // mm, root mean square distance to the planes of a vertex where the factor is 1; 0 for none
	halved  []uint8 // how often the cell of each vertex of the input was halved; nil for not at all
	boosts  bool    // some places have to be more exact than others
}

// demand is what the options ask for of m.
func (o *Options) demand(m *scan.Mesh) *demand {
	d := &demand{regions: o.Finer, limit: startShare * o.Deviation}
	if o.Cell > 0 {
		d.halved = halvings(m, o.Cell)
	}
	d.boosts = len(d.regions) > 0 || slices.ContainsFunc(d.halved, func(n uint8) bool { return n > 0 })
	return d
}

// prepare gives a surface the lists that set fills.
func (d *demand) prepare(s *surface) {
	if d.boosts {
		s.boost = make([]float32, len(s.x))
	}
	if d.limit > 0 {
		s.limit = make([]float32, len(s.x))
	}
}

// set fills how exact each vertex has to be. At one cost for all, an edge of length l
// has the error l² and the cost l⁴ times the area l²: an error smaller by f needs a cost
// larger by f³.
// Of a cell halved n times that is 4ⁿ: the errors of a surface fall with the square of it.
func (d *demand) set(s *surface, v int32, halved uint8) {
	f := max(factorAt(d.regions, s.at(v).Add(s.origin)), float64(uint(1)<<(2*halved)))
	if s.boost != nil {
		s.boost[v] = float32(f * f * f)
	}
	if s.limit != nil {
		s.limit[v] = float32(d.limit / f)
	}
}

const (
	// cellShare is the area that a vertex stands for, as a share of the square of a cell,
	// below which the cell was halved. A plane with the normal n crosses |nx|+|ny|+|nz|
	// edges of the grid an area of one cell squared, 1 to 1.73, and each is a vertex: whole
	// cells have shares of 0.58 to 1, halved ones of 0.14 to 0.25. This is between.
	cellShare = 0.38
	// smoothings: triangles of marching cubes differ much, their mean over two rings little.
	smoothings = 2
	// mostHalved ends that: four times is a sixteenth of the cell.
	mostHalved = 4
)

// halvings says for each vertex of m how often the cell was halved that it came from; cell
// is the largest of those that m was made of.
func halvings(m *scan.Mesh, cell float64) []uint8 {
	share, around := shares(m, cell)
	sum := make([]float32, len(share))
	for range smoothings {
		clear(sum)
		for k := 0; k+2 < len(m.Tri); k += 3 {
			a, b, c := m.Tri[k], m.Tri[k+1], m.Tri[k+2]
			if a == b || b == c || c == a {
				continue
			}
			sum[a] += share[b] + share[c]
			sum[b] += share[c] + share[a]
			sum[c] += share[a] + share[b]
		}
		for v := range share { // each neighbour came twice
			share[v] = (share[v] + sum[v]/2) / float32(1+around[v])
		}
	}
	out := make([]uint8, len(share))
	for v, a := range share {
		for most := float32(cellShare); around[v] > 0 && a < most && out[v] < mostHalved; most /= 4 {
			out[v]++
		}
	}
	return out
}

// shares returns the area that each vertex stands for, a third of that of its triangles, as a
// share of the square of a cell, and the number of these triangles.
func shares(m *scan.Mesh, cell float64) (share []float32, around []int32) {
	share, around = make([]float32, m.Vertices()), make([]int32, m.Vertices())
	ends := make([]int32, m.Vertices()) // the ways around a vertex cancel out, unless they have two ends
	for t := range m.Triangles() {
		a, b, c := m.Tri[3*t], m.Tri[3*t+1], m.Tri[3*t+2]
		if a == b || b == c || c == a {
			continue
		}
		p, q, r := m.Corners(t)
		third := float32(q.Sub(p).Cross(r.Sub(p)).Norm() / (6 * cell * cell))
		for _, v := range [3]int32{a, b, c} {
			share[v] += third
			around[v]++
		}
		ends[a] += b - c
		ends[b] += c - a
		ends[c] += a - b
	}
	for v, e := range ends {
		if e != 0 {
			share[v] *= 2 // on the border half of the triangles are missing
		}
	}
	return share, around
}
