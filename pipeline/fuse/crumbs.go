package fuse

import (
	"cmp"
	"context"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Piece is a floating piece of surface that was left out.
type Piece struct {
	At   geom.Vec // one of its vertices, in the frame of the result
	Area float64  // mm²
}

const (
	// crumb is the area in faces of a cell below which a floating piece is left out: eight
	// by eight.
	crumb = 64
	// mostPieces is how many pieces are listed, the largest ones.
	mostPieces = 20
)

// dropCrumbs leaves out floating pieces that are too small, and vertices that no
// triangle uses. It works in place.
func dropCrumbs(ctx context.Context, m *scan.Mesh, voxel float64, stats *Stats) error {
	root := components(m)
	area, err := areas(ctx, m, root)
	if err != nil {
		return err
	}
	least := crumb * voxel * voxel
	for v, x := range area {
		if root[v] == int32(v) && x > 0 && x < least {
			stats.Crumbs++
			stats.Area += x
			stats.Pieces = append(stats.Pieces, Piece{At: m.At(int32(v)), Area: x})
		}
	}
	slices.SortStableFunc(stats.Pieces, func(a, b Piece) int { return cmp.Compare(b.Area, a.Area) })
	stats.Pieces = slices.Clone(stats.Pieces[:min(len(stats.Pieces), mostPieces)])
	compact(m, func(v int32) bool { return area[root[v]] >= least })
	return nil
}

// areas sums up the triangles of every component, at its root.
func areas(ctx context.Context, m *scan.Mesh, root []int32) ([]float64, error) {
	type part struct {
		root int32
		area float64
	}
	parts := make([][]part, par.Count(m.Triangles(), chunk))
	if err := par.Blocks(ctx, m.Triangles(), chunk, func(block, lo, hi int) error {
		var of []part // of runs of triangles of one component
		for t := lo; t < hi; t++ {
			a, b, c := m.Corners(t)
			if r := root[m.Tri[3*t]]; len(of) == 0 || of[len(of)-1].root != r {
				of = append(of, part{root: r})
			}
			of[len(of)-1].area += b.Sub(a).Cross(c.Sub(a)).Norm() / 2
		}
		parts[block] = of
		return nil
	}); err != nil {
		return nil, err
	}
	area := make([]float64, m.Vertices())
	for _, of := range parts {
		for _, p := range of {
			area[p.root] += p.area
		}
	}
	return area, nil
}

// components returns for every vertex the smallest vertex that it is joined to.
func components(m *scan.Mesh) []int32 {
	root := make([]int32, m.Vertices())
	for i := range root {
		root[i] = int32(i)
	}
	find := func(i int32) int32 {
		for root[i] != i {
			root[i] = root[root[i]]
			i = root[i]
		}
		return i
	}
	for t := range m.Triangles() {
		a := find(m.Tri[3*t])
		for _, v := range m.Tri[3*t+1 : 3*t+3] {
			b := find(v)
			root[max(a, b)] = min(a, b)
			a = min(a, b)
		}
	}
	for i := range root {
		root[i] = find(int32(i))
	}
	return root
}

// compact keeps the triangles whose vertices keep accepts and the vertices that they
// use, in their order.
func compact(m *scan.Mesh, keep func(v int32) bool) {
	number := make([]int32, m.Vertices())
	kept := m.Tri[:0]
	for t := 0; t < len(m.Tri); t += 3 {
		if a, b, c := m.Tri[t], m.Tri[t+1], m.Tri[t+2]; keep(a) {
			number[a], number[b], number[c] = 1, 1, 1
			kept = append(kept, a, b, c)
		}
	}
	n := int32(0)
	for v, used := range number {
		if used != 0 {
			m.X[n], m.Y[n], m.Z[n] = m.X[v], m.Y[v], m.Z[v]
			number[v] = n
			n++
		}
	}
	m.X, m.Y, m.Z, m.Tri = m.X[:n], m.Y[:n], m.Z[:n], kept
	for i, v := range m.Tri {
		m.Tri[i] = number[v]
	}
}
