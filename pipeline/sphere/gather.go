package sphere

import (
	"context"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// ray is one measurement: a unit direction from the scanner and a range.
type ray struct {
	dir  geom.Vec
	dist float64
}

// outside is how far beyond the silhouette rays are gathered, in radii.
const outside = 1.4

// fine is the number of cells along a side of a face of the candidates' map.
const fine = 128

// gather returns, for each centre, all rays that pass it within outside radii,
// wherever they end, in the order of the cloud.
func gather(ctx context.Context, c *scan.Cloud, centers []geom.Vec, radius float64) ([][]ray, error) {
	m := mapCandidates(centers, outside*radius)
	slots := make([][]hit, par.Count(c.Len(), blockSize))
	err := par.Blocks(ctx, c.Len(), blockSize, func(block, lo, hi int) error {
		slots[block] = m.hits(c, lo, hi)
		return nil
	})
	if err != nil {
		return nil, err
	}
	rays := make([][]ray, len(centers))
	for _, hits := range slots {
		for _, h := range hits {
			rays[h.candidate] = append(rays[h.candidate], h.ray)
		}
	}
	return rays, nil
}

type hit struct {
	candidate int
	ray       ray
}

// candidateMap lists, for each cell of a cube map, the centres that a ray there
// may pass within reach.
type candidateMap struct {
	centers []geom.Vec
	reach   float64
	cells   [][]int32
}

func mapCandidates(centers []geom.Vec, reach float64) candidateMap {
	m := candidateMap{centers, reach, make([][]int32, 6*fine*fine)}
	for i, c := range centers {
		for f := range 6 {
			a, b, depth := onFace(c, f)
			u0, u1, ok := shadow(a, depth, reach)
			w0, w1, ok2 := shadow(b, depth, reach)
			if !ok || !ok2 {
				continue
			}
			for u := cellOf(u0, fine); u <= cellOf(u1, fine); u++ {
				for w := cellOf(w0, fine); w <= cellOf(w1, fine); w++ {
					cell := &m.cells[(f*fine+u)*fine+w]
					*cell = append(*cell, int32(i))
				}
			}
		}
	}
	return m
}

// shadow returns the interval of a/depth that a disc of the given radius around
// (a, depth) covers, seen from zero; ok is false where none of it is in [-1, 1].
func shadow(a, depth, radius float64) (lo, hi float64, ok bool) {
	if depth <= radius {
		// The disc reaches behind the face: it fills the view when it is near, and cannot be in it when it is four radii off.
		return -1, 1, math.Hypot(a, depth) < 4*radius
	}
	q := depth*depth - radius*radius
	s := radius * math.Sqrt(a*a+q)
	lo, hi = (a*depth-s)/q, (a*depth+s)/q
	return lo, hi, lo <= 1 && hi >= -1
}

func (m candidateMap) hits(c *scan.Cloud, lo, hi int) []hit {
	var list []hit
	ox, oy, oz := c.Origin.X, c.Origin.Y, c.Origin.Z
	xs, ys, zs := c.X[lo:hi], c.Y[lo:hi], c.Z[lo:hi]
	for i := range xs {
		p := geom.Vec{X: ox + float64(xs[i]), Y: oy + float64(ys[i]), Z: oz + float64(zs[i])}
		f, depth, a, b := face(p.X, p.Y, p.Z)
		if !(depth > 0) || a-a != 0 || b-b != 0 || math.IsInf(depth, 0) {
			continue
		}
		w := 1 / depth
		cell := m.cells[(f*fine+cellOf(a*w, fine))*fine+cellOf(b*w, fine)]
		if len(cell) == 0 {
			continue
		}
		dist := p.Norm()
		r := ray{p.Scale(1 / dist), dist}
		for _, k := range cell {
			if t := r.dir.Dot(m.centers[k]); t > 0 && m.centers[k].AddScaled(-t, r.dir).Norm2() < m.reach*m.reach {
				list = append(list, hit{int(k), r})
			}
		}
	}
	return list
}
