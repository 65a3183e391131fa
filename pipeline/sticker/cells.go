package sticker

import (
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// cells finds the points around a place, in cells of the reach.
type cells struct {
	cloud *scan.Cloud
	size  float64
	first map[[3]int32][2]int32 // range in order
	order []int32
}

func newCells(c *scan.Cloud, size float64) *cells {
	g := &cells{cloud: c, size: size, first: map[[3]int32][2]int32{}, order: make([]int32, c.Len())}
	of := make([][3]int32, c.Len())
	var met [][3]int32
	for i := range of {
		of[i] = g.of(c.At(i))
		r, ok := g.first[of[i]]
		if !ok {
			met = append(met, of[i])
		}
		r[1]++
		g.first[of[i]] = r
	}
	at := int32(0)
	for _, k := range met {
		n := g.first[k][1]
		g.first[k] = [2]int32{at, at}
		at += n
	}
	for i, k := range of {
		r := g.first[k]
		g.order[r[1]] = int32(i)
		r[1]++
		g.first[k] = r
	}
	return g
}

func (g *cells) of(p geom.Vec) [3]int32 {
	f := func(x float64) int32 { return int32(math.Floor(x / g.size)) }
	return [3]int32{f(p.X), f(p.Y), f(p.Z)}
}

// around calls f for the points of each of the 27 cells around a place.
func (g *cells) around(p geom.Vec, f func(list []int32)) {
	k := g.of(p)
	for dz := int32(-1); dz <= 1; dz++ {
		for dy := int32(-1); dy <= 1; dy++ {
			for dx := int32(-1); dx <= 1; dx++ {
				if r, ok := g.first[[3]int32{k[0] + dx, k[1] + dy, k[2] + dz}]; ok {
					f(g.order[r[0]:r[1]])
				}
			}
		}
	}
}

// means returns the mean point and normal of every cell of a size, in the order in
// which they were first met, and the number of points behind each. Cells whose normals
// look apart hold an edge and are left out.
func means(c *scan.Cloud, size float64) (*scan.Cloud, []float64) {
	type sums struct {
		p, n  geom.Vec
		count float64
	}
	number := map[[3]int32]int{}
	g := cells{size: size}
	var all []sums
	for i := range c.Len() {
		p, n := c.At(i), c.Normal(i)
		if !p.IsFinite() || !n.IsFinite() {
			continue
		}
		key := g.of(p)
		k, ok := number[key]
		if !ok {
			k = len(all)
			number[key], all = k, append(all, sums{})
		}
		s := &all[k]
		s.p, s.n, s.count = s.p.Add(p), s.n.Add(n), s.count+1
	}
	out, weight := &scan.Cloud{Origin: c.Origin}, []float64{}
	for _, s := range all {
		if s.n.Norm() < leastCos*s.count {
			continue
		}
		n := s.n.Unit()
		out.Append(s.p.Scale(1 / s.count))
		out.NX, out.NY, out.NZ = append(out.NX, float32(n.X)), append(out.NY, float32(n.Y)), append(out.NZ, float32(n.Z))
		weight = append(weight, s.count)
	}
	return out, weight
}
