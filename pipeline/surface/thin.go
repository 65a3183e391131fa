package surface

import (
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// sameFace is the mean cosine of the normals in a cell about their mean below
// which the cell holds an edge: 20 degrees, above the noise of normals from single
// scans (3 to 5 degrees at the spacings of a tripod scanner).
const sameFace = 0.94

// Thin returns a cloud with one point a cell of the given size in millimetres:
// the mean of the cell's points and of their normals, cell by cell, in the order in
// which their blocks were first met. c must have normals; cells at an edge, where
// normals differ widely, are dropped: their mean lies on no face.
func Thin(c *scan.Cloud, cell float64) *scan.Cloud {
	out, _ := thin(c, cell)
	return out
}

// mostCounted keeps dense places from ruling: beyond a few points, what cells are
// off by is no longer the noise of single points.
const mostCounted = 4

// thin is Thin, and returns for each point how many stand behind it, up to
// mostCounted.
func thin(c *scan.Cloud, cell float64) (*scan.Cloud, []float32) {
	out := &scan.Cloud{Origin: c.Origin}
	if c.Len() == 0 {
		return out, nil
	}
	var counts []float32
	g := newGrid(c, cell)
	for k := range len(g.first) - 1 {
		from, to := g.first[k], g.first[k+1]
		if from == to {
			continue
		}
		p, n := mean(g.at[from:to])
		if n.Norm() < sameFace {
			continue
		}
		n = n.Unit()
		out.X, out.Y, out.Z = append(out.X, float32(p.X)), append(out.Y, float32(p.Y)), append(out.Z, float32(p.Z))
		counts = append(counts, float32(min(to-from, mostCounted)))
		out.NX, out.NY, out.NZ = append(out.NX, float32(n.X)), append(out.NY, float32(n.Y)), append(out.NZ, float32(n.Z))
	}
	return out, counts
}

// mean returns the mean place of points, relative to their cloud's origin, and of
// their normals.
func mean(spots []spot) (p, n geom.Vec) {
	for i := range spots {
		s := &spots[i]
		p.X, p.Y, p.Z = p.X+float64(s.x), p.Y+float64(s.y), p.Z+float64(s.z)
		n.X, n.Y, n.Z = n.X+float64(s.nx), n.Y+float64(s.ny), n.Z+float64(s.nz)
	}
	share := 1 / float64(len(spots))
	return p.Scale(share), n.Scale(share)
}
