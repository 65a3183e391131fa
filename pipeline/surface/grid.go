package surface

import (
	"context"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// blockSide is the number of cells along a block: the cells of a block lie behind
// each other in memory, so that a question mostly stays within one block.
const (
	blockSide  = 8
	blockCells = blockSide * blockSide * blockSide
)

// grid finds the point of a cloud that is nearest to a place, within the size of
// its cells. Points are kept in the order of their cells, x fastest, so that the
// three cells of a row that a question looks at are one run of memory; cells are
// kept by blocks, and blocks in an open hash table.
type grid struct {
	cell    float64
	perCell float64 // 1/cell
	cloud   *scan.Cloud
	at      []spot
	order   []int32 // of each spot, the point of the cloud
	first   []int32 // of each cell of each block, its first spot; one more at the end
	table   []blockEntry
}

// spot is a point and its normal, relative to the cloud's origin.
type spot struct{ x, y, z, nx, ny, nz float32 }

type blockEntry struct {
	key   uint64
	block int32 // -1 where the place is free
}

// newGrid sorts the points of c, which must have normals, into cells of the given
// size in millimetres. Points that are not finite are left out.
func newGrid(c *scan.Cloud, cell float64) *grid {
	g := &grid{cell: cell, perCell: 1 / cell, cloud: c, table: freeTable(64)}
	n := c.Len()
	blocks, cells := make([]int32, n), make([]uint16, n)
	g.number(blocks, cells)
	g.sort(blocks, cells)
	return g
}

// number gives every point its block and its cell in the block; -1 to points
// without numbers.
func (g *grid) number(blocks []int32, cells []uint16) {
	keys := make([]uint64, len(blocks))
	// Blocks of work return no error, and the context is never done.
	_ = par.Blocks(context.Background(), len(blocks), 8*blockPoints, func(_, lo, hi int) error {
		for i := lo; i < hi; i++ {
			x, y, z := g.cellOf(float64(g.cloud.X[i]), float64(g.cloud.Y[i]), float64(g.cloud.Z[i]))
			keys[i], cells[i] = blockKey(x>>3, y>>3, z>>3), uint16(cellInBlock(x, y, z))
		}
		return nil
	})
	count, last, lastBlock := int32(0), uint64(0), int32(-1)
	for i, key := range keys {
		if d := g.cloud.X[i] + g.cloud.Y[i] + g.cloud.Z[i]; d-d != 0 {
			blocks[i] = -1
			continue
		}
		if lastBlock < 0 || key != last {
			last = key
			if lastBlock = g.find(key); lastBlock < 0 {
				lastBlock = count
				count++
				g.insert(key, lastBlock, count)
			}
		}
		blocks[i] = lastBlock
	}
	g.first = make([]int32, int(count)*blockCells+1)
}

// sort counts the points of every cell and puts them there, in their own order.
func (g *grid) sort(blocks []int32, cells []uint16) {
	for i, b := range blocks {
		if b >= 0 {
			g.first[int(b)*blockCells+int(cells[i])]++
		}
	}
	total := int32(0)
	for i, n := range g.first {
		g.first[i] = total
		total += n
	}
	g.at, g.order = make([]spot, total), make([]int32, total)
	c := g.cloud
	for i, b := range blocks {
		if b < 0 {
			continue
		}
		k := int(b)*blockCells + int(cells[i])
		s := g.first[k]
		g.at[s] = spot{c.X[i], c.Y[i], c.Z[i], c.NX[i], c.NY[i], c.NZ[i]}
		g.order[s] = int32(i)
		g.first[k]++
	}
	copy(g.first[1:], g.first) // every entry had moved on to the next one's
	g.first[0] = 0
}

func (g *grid) cellOf(x, y, z float64) (i, j, k int32) {
	return int32(math.Floor(x * g.perCell)), int32(math.Floor(y * g.perCell)), int32(math.Floor(z * g.perCell))
}

func cellInBlock(x, y, z int32) int32 {
	const low = blockSide - 1
	return ((z&low)*blockSide+y&low)*blockSide + x&low
}

// blockKey packs the numbers of a block. Blocks a million apart share a key; their
// points are told apart by their distance.
func blockKey(x, y, z int32) uint64 {
	const low = 1<<21 - 1
	return uint64(x&low) | uint64(y&low)<<21 | uint64(z&low)<<42
}

func freeTable(size int) []blockEntry {
	t := make([]blockEntry, size)
	for i := range t {
		t[i].block = -1
	}
	return t
}

// slot spreads keys by Fibonacci hashing (D. E. Knuth, The Art of Computer
// Programming 3, §6.4).
func slot(key uint64, size int) int { return int((key * 0x9e3779b97f4a7c15) >> 32 & uint64(size-1)) }

// find returns the block of a key, -1 when it holds no point.
func (g *grid) find(key uint64) int32 {
	for s := slot(key, len(g.table)); ; s = (s + 1) & (len(g.table) - 1) {
		if e := &g.table[s]; e.key == key || e.block < 0 {
			return e.block
		}
	}
}

// insert adds a block and keeps the table at most half full.
func (g *grid) insert(key uint64, block, count int32) {
	if 2*int(count) > len(g.table) {
		old := g.table
		g.table = freeTable(2 * len(old))
		for _, e := range old {
			if e.block >= 0 {
				g.put(e)
			}
		}
	}
	g.put(blockEntry{key, block})
}

func (g *grid) put(e blockEntry) {
	s := slot(e.key, len(g.table))
	for g.table[s].block >= 0 {
		s = (s + 1) & (len(g.table) - 1)
	}
	g.table[s] = e
}

// nearest returns the point closest to p whose normal differs from n by less
// than the angle of minCos, within the cell size; -1 when there is none.
func (g *grid) nearest(p, n geom.Vec, minCos float64) int32 {
	f := finder{grid: g}
	d := p.Sub(g.cloud.Origin)
	s := f.closest(spot{float32(d.X), float32(d.Y), float32(d.Z), float32(n.X), float32(n.Y), float32(n.Z)}, float32(minCos))
	if s < 0 {
		return -1
	}
	return g.order[s]
}

// finder asks a grid, one question after the other, and remembers the block that
// the last one was about.
type finder struct {
	grid  *grid
	key   uint64
	block int32
	known bool
}

// rows are the nine rows of cells around a place, in y and z, the middle one first:
// what it holds rules most of the others out.
var rows = [9][2]int32{{0, 0}, {-1, 0}, {1, 0}, {0, -1}, {0, 1}, {-1, -1}, {1, -1}, {-1, 1}, {1, 1}}

// closest returns the spot nearest to q among those that face the same way, within
// the size of a cell; -1 when there is none.
func (f *finder) closest(q spot, minCos float32) int32 {
	g := f.grid
	cx, cy, cz := g.cellOf(float64(q.x), float64(q.y), float64(q.z))
	cell := float32(g.cell)
	fx, fy, fz := q.x-float32(float64(cx)*g.cell), q.y-float32(float64(cy)*g.cell), q.z-float32(float64(cz)*g.cell)
	best := nearestSpot{spot: q, minCos: minCos, index: -1, dist2: cell * cell}
	for _, r := range rows {
		gap2 := gap(r[0], fy, cell) + gap(r[1], fz, cell)
		if gap2 >= best.dist2 {
			continue
		}
		x0, x1 := cx, cx
		if gap2+fx*fx < best.dist2 {
			x0--
		}
		if gap2+(cell-fx)*(cell-fx) < best.dist2 {
			x1++
		}
		f.row(&best, x0, x1, cy+r[0], cz+r[1])
	}
	return best.index
}

// gap is the squared distance of a place from the next cell in one direction.
func gap(direction int32, inCell, cell float32) float32 {
	switch {
	case direction < 0:
		return inCell * inCell
	case direction > 0:
		return (cell - inCell) * (cell - inCell)
	}
	return 0
}

// row looks at the cells x0 to x1 of a row, which lie in at most two blocks.
func (f *finder) row(best *nearestSpot, x0, x1, y, z int32) {
	for x0 <= x1 {
		end := min(x1, x0|(blockSide-1))
		if b := f.blockAt(x0>>3, y>>3, z>>3); b >= 0 {
			from := b*blockCells + cellInBlock(x0, y, z)
			first := f.grid.first
			best.look(f.grid.at, first[from], first[from+end-x0+1])
		}
		x0 = end + 1
	}
}

func (f *finder) blockAt(x, y, z int32) int32 {
	key := blockKey(x, y, z)
	if !f.known || key != f.key {
		f.key, f.block, f.known = key, f.grid.find(key), true
	}
	return f.block
}

// nearestSpot is the best answer so far to where spot is closest.
type nearestSpot struct {
	spot   spot
	minCos float32
	index  int32
	dist2  float32
}

func (s *nearestSpot) look(at []spot, from, to int32) {
	q := s.spot
	for i := from; i < to; i++ {
		a := &at[i]
		dx, dy, dz := a.x-q.x, a.y-q.y, a.z-q.z
		if d := dx*dx + dy*dy + dz*dz; d < s.dist2 && a.nx*q.nx+a.ny*q.ny+a.nz*q.nz > s.minCos {
			s.index, s.dist2 = i, d
		}
	}
}
