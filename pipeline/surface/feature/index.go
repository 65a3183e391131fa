package feature

import (
	"math"

	"trammel/pipeline/geom"
)

// Index finds the points near a place. It may be used from several goroutines.
type Index struct {
	cell   float64
	origin geom.Vec
	points []geom.Vec
	order  []int32 // point numbers, cell by cell
	table  []bucket
}

// bucket is a cell in an open hash table; it is free while end is 0.
type bucket struct {
	key        cellKey
	start, end int32 // into order
}

type cellKey struct{ x, y, z int32 }

// NewIndex sorts the points, which are kept and must be finite, into cells of the
// given size in millimetres. Questions are fastest for distances near that size.
func NewIndex(points []geom.Vec, cell float64) *Index {
	x := &Index{cell: cell, points: points, order: make([]int32, len(points))}
	if len(points) > 0 {
		x.origin = points[0]
	}
	size := 16
	for size < 2*len(points) {
		size *= 2
	}
	x.table = make([]bucket, size)
	at := make([]int32, len(points))
	for i, p := range points {
		s := x.claim(x.keyOf(p))
		x.table[s].end++
		at[i] = int32(s)
	}
	start := int32(0)
	for i := range x.table {
		if n := x.table[i].end; n > 0 {
			x.table[i].start, x.table[i].end = start, start // end grows below, point by point
			start += n
		}
	}
	for i, s := range at {
		x.order[x.table[s].end] = int32(i)
		x.table[s].end++
	}
	return x
}

func (x *Index) keyOf(p geom.Vec) cellKey {
	d := p.Sub(x.origin)
	return cellKey{int32(math.Floor(d.X / x.cell)), int32(math.Floor(d.Y / x.cell)), int32(math.Floor(d.Z / x.cell))}
}

// claim returns the slot of a cell, a free one where the cell has none yet.
func (x *Index) claim(k cellKey) int {
	mask := len(x.table) - 1
	s := k.hash() & mask
	for x.table[s].end > 0 && x.table[s].key != k {
		s = (s + 1) & mask
	}
	x.table[s].key = k
	return s
}

// hash mixes the coordinates with the constants of M. Teschner and others,
// Optimized spatial hashing for collision detection of deformable objects (2003).
func (k cellKey) hash() int {
	h := uint64(uint32(k.x)*73856093) ^ uint64(uint32(k.y)*19349663)<<7 ^ uint64(uint32(k.z)*83492791)<<13
	return int(h * 0x9e3779b97f4a7c15 >> 33)
}

// members returns the points of a cell.
func (x *Index) members(k cellKey) []int32 {
	mask := len(x.table) - 1
	for s := k.hash() & mask; x.table[s].end > 0; s = (s + 1) & mask {
		if x.table[s].key == k {
			return x.order[x.table[s].start:x.table[s].end]
		}
	}
	return nil
}

// Within appends to buf the numbers of the points nearer to p than radius, in an
// order that depends on the points alone.
func (x *Index) Within(p geom.Vec, radius float64, buf []int32) []int32 {
	r := geom.Vec{X: radius, Y: radius, Z: radius}
	lo, hi := x.keyOf(p.Sub(r)), x.keyOf(p.Add(r))
	for i := lo.x; i <= hi.x; i++ {
		for j := lo.y; j <= hi.y; j++ {
			for k := lo.z; k <= hi.z; k++ {
				for _, m := range x.members(cellKey{i, j, k}) {
					if x.points[m].Sub(p).Norm2() < radius*radius {
						buf = append(buf, m)
					}
				}
			}
		}
	}
	return buf
}

// Nearest returns the number of the point next to p that is nearer than radius,
// and its distance; -1 when there is none.
func (x *Index) Nearest(p geom.Vec, radius float64) (int32, float64) {
	r := geom.Vec{X: radius, Y: radius, Z: radius}
	lo, hi := x.keyOf(p.Sub(r)), x.keyOf(p.Add(r))
	best, dist2 := int32(-1), radius*radius
	for i := lo.x; i <= hi.x; i++ {
		for j := lo.y; j <= hi.y; j++ {
			for k := lo.z; k <= hi.z; k++ {
				for _, m := range x.members(cellKey{i, j, k}) {
					if d := x.points[m].Sub(p).Norm2(); d < dist2 {
						best, dist2 = m, d
					}
				}
			}
		}
	}
	return best, math.Sqrt(dist2)
}
