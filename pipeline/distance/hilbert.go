package distance

import (
	"context"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

const (
	hilbertBits = 11                 // bits an axis: 33 bits of key beside 31 bits of index
	indexBits   = 31                 // enough for every int32 index
	hilbertCell = 1<<hilbertBits - 1 // the last cell of an axis
	digitBits   = 11                 // bits sorted in one pass: 2048 counters stay in the fastest cache
	digits      = 3 * hilbertBits / digitBits
)

// HilbertOrder returns the triangles of m in the order in which a Hilbert curve
// through a cube of 2048³ cells meets their middles; ties go to the lower index.
// Triangles that follow each other lie near each other. The mesh must pass Check.
func HilbertOrder(ctx context.Context, m *scan.Mesh) ([]int32, error) {
	grid := newHilbertGrid(m.Bounds(), m.Origin)
	keys := make([]uint64, m.Triangles())
	err := par.Blocks(ctx, len(keys), blockSize, func(_, lo, hi int) error {
		for t := lo; t < hi; t++ {
			c := cornersOf(m, int32(t))
			keys[t] = grid.key((c[0]+c[3]+c[6])/3, (c[1]+c[4]+c[7])/3, (c[2]+c[5]+c[8])/3)<<indexBits | uint64(t)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return sortedIndices(keys), ctx.Err()
}

// hilbertGrid maps coordinates to cells of a cube.
type hilbertGrid struct {
	x, y, z, scale float32
}

func newHilbertGrid(b geom.Box, origin geom.Vec) hilbertGrid {
	if b.IsEmpty() {
		return hilbertGrid{}
	}
	lo, size := b.Min.Sub(origin), b.Size()
	g := hilbertGrid{x: float32(lo.X), y: float32(lo.Y), z: float32(lo.Z)}
	if longest := max(size.X, size.Y, size.Z); longest > 0 {
		g.scale = float32(hilbertCell / longest)
	}
	return g
}

// key returns the place of a point on the curve; points outside the cube go to
// its nearest border cell.
func (g hilbertGrid) key(x, y, z float32) uint64 {
	return hilbertKey(g.cell(x-g.x), g.cell(y-g.y), g.cell(z-g.z))
}

func (g hilbertGrid) cell(d float32) uint32 {
	c := d * g.scale
	if !(c > 0) {
		return 0
	}
	if c > hilbertCell {
		return hilbertCell
	}
	return uint32(c)
}

// hilbertKey returns the index of a cell along the Hilbert curve.
// After J. Skilling, Programming the Hilbert Curve, AIP Conf. Proc. 707 (2004),
// AxestoTranspose, with the transposed bits gathered into one number.
func hilbertKey(x, y, z uint32) uint64 {
	for q := uint32(1) << (hilbertBits - 1); q > 1; q >>= 1 {
		p := q - 1
		if x&q != 0 {
			x ^= p
		}
		x, y = hilbertTurn(x, y, q)
		x, z = hilbertTurn(x, z, q)
	}
	y ^= x
	z ^= y
	var t uint32
	for q := uint32(1) << (hilbertBits - 1); q > 1; q >>= 1 {
		if z&q != 0 {
			t ^= q - 1
		}
	}
	return spread(x^t)<<2 | spread(y^t)<<1 | spread(z^t)
}

// hilbertTurn inverts the low bits of x where v has bit q, else exchanges them
// with those of v.
func hilbertTurn(x, v, q uint32) (nx, nv uint32) {
	p := q - 1
	if v&q != 0 {
		return x ^ p, v
	}
	t := (x ^ v) & p
	return x ^ t, v ^ t
}

// spread puts two zero bits between the bits of an 11-bit number.
func spread(v uint32) uint64 {
	x := uint64(v)
	x = (x | x<<16) & 0x0000ff0000ff
	x = (x | x<<8) & 0x00f00f00f00f
	x = (x | x<<4) & 0x0c30c30c30c3
	x = (x | x<<2) & 0x249249249249
	return x
}

// sortedIndices sorts keys by their upper bits and returns their lower bits. A
// radix sort from the lowest digit is stable, so equal keys keep their order.
func sortedIndices(keys []uint64) []int32 {
	other := make([]uint64, len(keys))
	for d := range digits {
		radixPass(other, keys, indexBits+digitBits*d)
		keys, other = other, keys
	}
	order := make([]int32, len(keys))
	for i, k := range keys {
		order[i] = int32(k & (1<<indexBits - 1))
	}
	return order
}

// radixPass copies src to dst in the order of the digit at bit shift.
func radixPass(dst, src []uint64, shift int) {
	var at [1 << digitBits]int
	for _, k := range src {
		at[k>>shift&(1<<digitBits-1)]++
	}
	sum := 0
	for d, n := range at {
		at[d] = sum
		sum += n
	}
	for _, k := range src {
		d := k >> shift & (1<<digitBits - 1)
		dst[at[d]] = k
		at[d]++
	}
}
