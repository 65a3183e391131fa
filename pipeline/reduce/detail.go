package reduce

import (
	"context"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
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

// halvings says for each vertex how often the cell was halved that it came from.
func (s *surface) halvings(ctx context.Context, cell float64) ([]uint8, error) {
	share, next := make([]float32, len(s.x)), make([]float32, len(s.x))
	err := par.Blocks(ctx, len(share), blockSize, func(_, lo, hi int) error {
		var f fan
		for v := lo; v < hi; v++ {
			f.read(s, int32(v))
			share[v] = float32(f.area(s, int32(v)) / (cell * cell))
			if f.kind() == onBorder {
				share[v] *= 2 // half of the triangles are missing
			}
		}
		return nil
	})
	for range smoothings {
		if err != nil {
			return nil, err
		}
		err = par.Blocks(ctx, len(share), blockSize, func(_, lo, hi int) error {
			var f fan
			var near []int32
			for v := lo; v < hi; v++ {
				f.read(s, int32(v))
				near = f.neighbours(near[:0])
				slices.Sort(near)
				sum := share[v]
				for _, w := range near {
					sum += share[w]
				}
				next[v] = sum / float32(1+len(near))
			}
			return nil
		})
		share, next = next, share
	}
	out := make([]uint8, len(share))
	for v, a := range share {
		for most := float32(cellShare); a < most && out[v] < mostHalved; most /= 4 {
			out[v]++
		}
	}
	return out, err
}

// area is a third of that of the triangles around v, mm².
func (f *fan) area(s *surface, v int32) float64 {
	p, sum := s.at(v), 0.0
	for i, a := range f.from {
		sum += s.at(a).Sub(p).Cross(s.at(f.to[i]).Sub(p)).Norm()
	}
	return sum / 6
}
