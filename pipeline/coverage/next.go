package coverage

import (
	"context"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Candidate is a place where the scanner could stand, and what it would add.
type Candidate struct {
	At   geom.Vec
	Adds float64 // mm² of the gaps' closing faces that it would see
}

// Next returns the candidates with the area that each would see of the gaps that are
// not open, in the order given. The mesh and boxes, such as the floor, stand in the way; a
// place counts where it is met no flatter than 75° and no farther than reach, mm.
func Next(ctx context.Context, m *scan.Mesh, cell float64, gaps []Gap, places []geom.Vec, reach float64) ([]Candidate, error) {
	solid := newSolid(m, cell)
	out := make([]Candidate, len(places))
	err := par.Each(ctx, len(places), func(i int) error {
		out[i].At = places[i]
		for _, g := range gaps {
			if g.Reason == Open {
				continue
			}
			for _, p := range g.Places {
				d := places[i].Sub(p.At)
				if dist := d.Norm(); dist <= reach && d.Dot(p.Normal) > flattest*dist && !solid.between(p.At, places[i]) {
					out[i].Adds += p.Area
				}
			}
		}
		return nil
	})
	return out, err
}

// solid knows which cells of space hold surface.
type solid struct {
	cell  float64
	cells map[[3]int32]struct{}
}

func newSolid(m *scan.Mesh, cell float64) *solid {
	s := &solid{cell: cell, cells: map[[3]int32]struct{}{}}
	for i := range m.Vertices() {
		s.cells[s.of(m.At(int32(i)))] = struct{}{}
	}
	return s
}

func (s *solid) of(p geom.Vec) [3]int32 {
	f := func(x float64) int32 { return int32(math.Floor(x / s.cell)) }
	return [3]int32{f(p.X), f(p.Y), f(p.Z)}
}

// between reports whether surface stands in the way from a place to an eye. The first
// three cells belong to the surface around the place itself.
func (s *solid) between(at, eye geom.Vec) bool {
	d := eye.Sub(at)
	n := int(d.Norm()/s.cell) + 1
	step := d.Scale(1 / float64(n))
	for k := 3; k < n; k++ {
		if _, ok := s.cells[s.of(at.AddScaled(float64(k), step))]; ok {
			return true
		}
	}
	return false
}
