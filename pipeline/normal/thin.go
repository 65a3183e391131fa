package normal

import (
	"context"
	"fmt"
	"math"
	"sync"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Thin returns the cloud with fewer points, with normals, and what it found out about
// the view. Points of a smooth surface that lie within size of each other, in mm, become
// their mean, of less noise, or four means further away, where they lie in cells up to
// twice as large; View.Count says how many points each stands for. Where depth is not
// smooth, or points are further apart, they stay as they are. Points at depth edges are
// left out; View.Edges says how many. The order is that of the picture. It returns the
// errors of Estimate and leaves c alone.
func Thin(ctx context.Context, c *scan.Cloud, o Options, size float64) (*scan.Cloud, View, error) {
	if c.Len() < minPoints {
		return nil, View{}, fmt.Errorf("%w: %d, at least %d are needed", ErrFew, c.Len(), minPoints)
	}
	v, pic, err := look(ctx, c, o, leastCell*size)
	if err != nil {
		return nil, View{}, err
	}
	parts := make([]thinned, par.Count(len(pic.rows), rowsPerBlock))
	residuals := make([][]float32, len(parts))
	var windows sync.Pool
	err = par.Blocks(ctx, len(pic.rows), rowsPerBlock, func(block, lo, hi int) error {
		w := worker{pic: pic, cloud: c}
		t := &parts[block]
		last := pic.rows[hi-1]
		t.grow(int(last.first + last.count - pic.rows[lo].first))
		w.visit(lo, hi, &windows, visitor{rough: func(i int32, f *fitted) { t.single(c, i, f, f.isEdge) }, smooth: func(p content, own *cell, f *facet) {
			extent := pic.cell * pic.eye.size(own.mean().Add(c.Origin)) / math.Sqrt(f.cos)
			switch isLarge := extent > mostExtent*size; {
			case isLarge && (own.n < minQuartered || extent > 2*mostExtent*size) || f.hasOff(p):
				for k, i := range p.points {
					t.single(c, i, &f.fitted, f.isOff(p.x[k], p.y[k], p.z[k]))
				}
			case isLarge:
				_, right, up := w.lineOfSight(own.mean().Add(c.Origin))
				t.quarters(p, own.mean(), right, up, f)
			default:
				m := own.mean()
				t.add(float32(m.X), float32(m.Y), float32(m.Z), &f.fitted, float32(own.n))
			}
		}})
		residuals[block] = w.residuals
		return nil
	})
	if err != nil {
		return nil, View{}, err
	}
	v.Noise, v.Edges = median(residuals), len(pic.lost())
	out := v.join(parts)
	out.Origin = c.Origin
	if v.Kind == Parallel && looksInward(out, v.Count) {
		v.turn(out)
	}
	return out, v, nil
}

const (
	// leastCell makes the three by three cells of a dense picture, which give the normal,
	// about two sizes wide.
	leastCell = 0.7
	// mostExtent: a picture of about one point a size still gains by means of three.
	mostExtent = 1.5
	// minQuartered is the least number of points of a cell too large for one mean that
	// are worth four.
	minQuartered = 8
)

// quarters adds the means of the points of a cell on either side of its middle.
func (t *thinned) quarters(p content, middle, right, up geom.Vec, f *facet) {
	var sums [4]struct{ n, x, y, z float64 }
	for k := range p.x {
		x, y, z := float64(p.x[k]), float64(p.y[k]), float64(p.z[k])
		d := geom.Vec{X: x, Y: y, Z: z}.Sub(middle)
		q := 0
		if d.Dot(right) > 0 {
			q = 1
		}
		if d.Dot(up) > 0 {
			q += 2
		}
		s := &sums[q]
		s.n, s.x, s.y, s.z = s.n+1, s.x+x, s.y+y, s.z+z
	}
	for _, s := range sums {
		if s.n > 0 {
			t.add(float32(s.x/s.n), float32(s.y/s.n), float32(s.z/s.n), &f.fitted, float32(s.n))
		}
	}
}

func (f *facet) hasOff(p content) bool {
	for k := range p.x {
		if f.isOff(p.x[k], p.y[k], p.z[k]) {
			return true
		}
	}
	return false
}

// thinned is what a block of rows leaves.
type thinned struct {
	cloud      scan.Cloud
	cos, count []float32
	edges      int
}

// grow makes room for a point a cell, which most blocks of rows need.
func (t *thinned) grow(n int) {
	for _, s := range []*[]float32{&t.cloud.X, &t.cloud.Y, &t.cloud.Z, &t.cloud.NX, &t.cloud.NY, &t.cloud.NZ, &t.cos, &t.count} {
		*s = make([]float32, 0, n)
	}
}

func (t *thinned) single(c *scan.Cloud, i int32, f *fitted, isEdge bool) {
	if isEdge {
		t.edges++
		return
	}
	t.add(c.X[i], c.Y[i], c.Z[i], f, 1)
}

func (t *thinned) add(x, y, z float32, f *fitted, count float32) {
	c := &t.cloud
	c.X, c.Y, c.Z = append(c.X, x), append(c.Y, y), append(c.Z, z)
	c.NX, c.NY, c.NZ = append(c.NX, float32(f.normal.X)), append(c.NY, float32(f.normal.Y)), append(c.NZ, float32(f.normal.Z))
	t.cos, t.count = append(t.cos, float32(f.cos)), append(t.count, count)
}

// join puts the parts one behind the other.
func (v *View) join(parts []thinned) *scan.Cloud {
	n := 0
	for i := range parts {
		n += parts[i].cloud.Len()
		v.Edges += parts[i].edges
	}
	out := &scan.Cloud{}
	gather := func(of func(t *thinned) []float32) []float32 {
		all := make([]float32, 0, n)
		for i := range parts {
			all = append(all, of(&parts[i])...)
		}
		return all
	}
	out.X = gather(func(t *thinned) []float32 { return t.cloud.X })
	out.Y = gather(func(t *thinned) []float32 { return t.cloud.Y })
	out.Z = gather(func(t *thinned) []float32 { return t.cloud.Z })
	out.NX = gather(func(t *thinned) []float32 { return t.cloud.NX })
	out.NY = gather(func(t *thinned) []float32 { return t.cloud.NY })
	out.NZ = gather(func(t *thinned) []float32 { return t.cloud.NZ })
	v.Cos = gather(func(t *thinned) []float32 { return t.cos })
	v.Count = gather(func(t *thinned) []float32 { return t.count })
	return out
}
