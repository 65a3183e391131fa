package sphere

import (
	"context"
	"math"
	"sync/atomic"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// blockSize is the number of points of one block of parallel work: large enough
// that a block's private counts cost little, small enough to keep cores busy.
const blockSize = 1 << 17

// A view is a cube of six pinhole images around the scanner, without poles, at
// several levels. Level k holds the points at depths (coordinates along the
// face's axis) from D·2^k to D·2^(k+1), D being the diameter looked for, plus R to
// either side so that no sphere is cut by a border. Its cells are 1/(16·2^k) of the
// unit plane, hence between D/16 and D/8 across at the points that they hold: a
// sphere always covers 50 to 200 cells, however near it stands and however fine
// the scan is. A cell keeps its point of lowest index.
type view struct {
	levels [maxLevels][6][]atomic.Pointer[tile]
}

// maxLevels covers depths up to 2^11 diameters: 300 m for a sphere of 145 mm, far
// beyond what a scanner resolves it at.
const maxLevels = 11

const (
	tileBits = 6
	tileSide = 1 << tileBits
)

// tile is a block of cells; a cell holds a point's index plus one, 0 is empty.
type tile [tileSide * tileSide]uint32

// tilesAcross returns the number of tiles along a side of a face of level k.
func tilesAcross(k int) int { return max(1, 32<<k>>tileBits) }

// coarse is the number of cells along a side of a face of the density map: cells
// of 1/32 of the unit plane, about a sphere's size at 5 m.
const coarse = 64

// face returns the cube face that a point lies on, its depth along the face's
// axis and its two coordinates across, so that u = across/depth is in [-1, 1].
func face(x, y, z float64) (f int, depth, a, b float64) {
	ax, ay, az := math.Abs(x), math.Abs(y), math.Abs(z)
	switch {
	case ax >= ay && ax >= az:
		f, depth, a, b = 0, x, y, z
	case ay >= az:
		f, depth, a, b = 1, y, z, x
	default:
		f, depth, a, b = 2, z, x, y
	}
	if depth < 0 {
		return f + 3, -depth, a, b
	}
	return f, depth, a, b
}

// onFace turns v into the coordinates (a, b, depth) of face f.
func onFace(v geom.Vec, f int) (a, b, depth float64) {
	switch f % 3 {
	case 0:
		a, b, depth = v.Y, v.Z, v.X
	case 1:
		a, b, depth = v.Z, v.X, v.Y
	default:
		a, b, depth = v.X, v.Y, v.Z
	}
	if f >= 3 {
		depth = -depth
	}
	return a, b, depth
}

// cellOf returns the cell of the coordinate u in [-1, 1] among n cells.
func cellOf(u float64, n int) int { return min(max(0, int((u+1)*0.5*float64(n))), n-1) }

// pointsOnSphere is the number of rays on a sphere below which it is not looked
// for: with fewer, three unknowns and an outline cannot be told from chance.
const pointsOnSphere = 30

// measureReach returns, for each cell of a coarse cube map, the depth up to which
// a sphere would still get pointsOnSphere rays. Only points nearer than that are
// searched: it bounds the images' memory by the number of points.
func measureReach(ctx context.Context, c *scan.Cloud, diameter float64) ([]float64, error) {
	counts := make([][]int32, par.Count(c.Len(), blockSize))
	err := par.Blocks(ctx, c.Len(), blockSize, func(block, lo, hi int) error {
		counts[block] = countRays(c, lo, hi)
		return nil
	})
	if err != nil {
		return nil, err
	}
	total := make([]float64, 6*coarse*coarse)
	for _, n := range counts {
		for i, k := range n {
			total[i] += float64(k)
		}
	}
	perRay := math.Pi * diameter * diameter / 4 * (coarse * coarse / 4) / pointsOnSphere
	reach := make([]float64, len(total))
	for i := range reach {
		reach[i] = math.Sqrt(densest(total, i) * perRay)
	}
	return reach, nil
}

func countRays(c *scan.Cloud, lo, hi int) []int32 {
	n := make([]int32, 6*coarse*coarse)
	ox, oy, oz := c.Origin.X, c.Origin.Y, c.Origin.Z
	xs, ys, zs := c.X[lo:hi], c.Y[lo:hi], c.Z[lo:hi]
	for i := range xs {
		f, depth, a, b := face(ox+float64(xs[i]), oy+float64(ys[i]), oz+float64(zs[i]))
		if !(depth > 0) || a-a != 0 || b-b != 0 || math.IsInf(depth, 0) {
			continue
		}
		w := 1 / depth
		n[(f*coarse+cellOf(a*w, coarse))*coarse+cellOf(b*w, coarse)]++
	}
	return n
}

// densest returns the largest count in the 3×3 cells around cell i of its face: a
// cell that the scan's border cuts is judged by its full neighbour.
func densest(total []float64, i int) float64 {
	u, v := i/coarse%coarse, i%coarse
	base := i - u*coarse - v
	var m float64
	for p := max(0, u-1); p <= min(coarse-1, u+1); p++ {
		for q := max(0, v-1); q <= min(coarse-1, v+1); q++ {
			m = max(m, total[base+p*coarse+q])
		}
	}
	return m
}

// render enters every point within reach into the view.
func render(ctx context.Context, c *scan.Cloud, diameter float64, reach []float64) (*view, error) {
	v := &view{}
	for k := range v.levels {
		if diameter*math.Ldexp(1, k) > maxOf(reach) {
			break
		}
		for f := range 6 {
			v.levels[k][f] = make([]atomic.Pointer[tile], tilesAcross(k)*tilesAcross(k))
		}
	}
	err := par.Blocks(ctx, c.Len(), blockSize, func(_, lo, hi int) error {
		v.enter(c, lo, hi, diameter, reach)
		return nil
	})
	return v, err
}

func maxOf(v []float64) float64 {
	var m float64
	for _, x := range v {
		m = max(m, x)
	}
	return m
}

func (v *view) enter(c *scan.Cloud, lo, hi int, diameter float64, reach []float64) {
	ox, oy, oz := c.Origin.X, c.Origin.Y, c.Origin.Z
	xs, ys, zs := c.X[lo:hi], c.Y[lo:hi], c.Z[lo:hi]
	perDiameter := 1 / diameter
	for i := range xs {
		f, depth, a, b := face(ox+float64(xs[i]), oy+float64(ys[i]), oz+float64(zs[i]))
		if !(depth >= diameter) || a-a != 0 || b-b != 0 {
			continue
		}
		w := 1 / depth
		a, b = a*w, b*w
		if depth > reach[(f*coarse+cellOf(a, coarse))*coarse+cellOf(b, coarse)] {
			continue
		}
		q := depth * perDiameter
		k := int(math.Float64bits(q)>>52) - 1023 // the exponent: q is in [2^k, 2^(k+1))
		if k >= maxLevels {
			continue
		}
		index := uint32(lo+i) + 1
		v.put(k, f, a, b, index)
		start := math.Float64frombits(uint64(k+1023) << 52)
		if k > 0 && q-start < 0.5 {
			v.put(k-1, f, a, b, index)
		}
		if 2*start-q < 0.5 {
			v.put(k+1, f, a, b, index)
		}
	}
}

// put keeps the lowest index in the cell, whichever worker comes first.
func (v *view) put(k, f int, a, b float64, index uint32) {
	if k >= maxLevels || v.levels[k][f] == nil {
		return
	}
	n := 32 << k
	u, w := cellOf(a, n), cellOf(b, n)
	slot := &v.levels[k][f][(u>>tileBits)*tilesAcross(k)+w>>tileBits]
	t := slot.Load()
	if t == nil {
		slot.CompareAndSwap(nil, new(tile))
		t = slot.Load()
	}
	cell := &t[(u&(tileSide-1))<<tileBits|w&(tileSide-1)]
	for {
		old := atomic.LoadUint32(cell)
		if old != 0 && old <= index || atomic.CompareAndSwapUint32(cell, old, index) {
			return
		}
	}
}
