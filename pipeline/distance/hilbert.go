package distance

import (
	"context"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

const (
	hilbertBits = 11                 // levels of the curve, each of three bits: a cube of 2048³ cells
	hilbertCell = 1<<hilbertBits - 1 // the last cell of an axis
)

// HilbertOrder returns the triangles of m in the order in which a Hilbert curve
// through a cube of 2048³ cells meets their middles; ties go to the lower index.
// Triangles that follow each other lie near each other. The mesh must pass Check.
// Beside the result it holds some megabytes, and four bytes more for each triangle of
// a crowd of more than 2¹⁷ in one of 32³ parts of the cube.
func HilbertOrder(ctx context.Context, m *scan.Mesh) ([]int32, error) {
	return curveOrder(ctx, newHilbertGrid(m.Bounds(), m.Origin), m.Triangles(), middlesOf(m))
}

// located tells where things lie, relative to the origin of their mesh.
type located func(i int32) (x, y, z float32)

// middlesOf returns where the middles of the triangles lie.
func middlesOf(m *scan.Mesh) located {
	return func(t int32) (x, y, z float32) { return middle(m, t) }
}

// middle returns the mean of the corners of a triangle.
func middle(m *scan.Mesh, t int32) (x, y, z float32) {
	tri := m.Tri[3*t : 3*t+3]
	a, b, c := tri[0], tri[1], tri[2]
	return (m.X[a] + m.X[b] + m.X[c]) / 3, (m.Y[a] + m.Y[b] + m.Y[c]) / 3, (m.Z[a] + m.Z[b] + m.Z[c]) / 3
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

// cell is a cell of the cube: the bits of x, y and z by turns, so that each three, from
// the top, name an eighth of what those before have left.
type cell uint64

// cell returns where a point lies; points outside the cube go to its nearest border cell.
func (g hilbertGrid) cell(x, y, z float32) cell {
	return cell(spread(g.step(x-g.x))<<2 | spread(g.step(y-g.y))<<1 | spread(g.step(z-g.z)))
}

func (g hilbertGrid) step(d float32) uint32 {
	c := d * g.scale
	if !(c > 0) {
		return 0
	}
	if c > hilbertCell {
		return hilbertCell
	}
	return uint32(c)
}

// eighth returns what three bits of the cell say, from the lowest ones on.
func (c cell) eighth(level int) uint16 { return uint16(c >> (3 * level) & 7) }

// along returns the place on the curve that the lower levels of the cell make, three bits
// each, of a curve that starts with a turn of turns, and the turn that is left for what
// lies below the lowest.
func (c cell) along(start uint16, levels int) (key uint64, left uint16) {
	at := start
	for l := levels - 1; l >= 0; l-- {
		at = turns[at&^7|c.eighth(l)]
		key = key<<3 | uint64(at&7)
	}
	return key, at &^ 7
}

// turns is the curve: where a turn and an eighth of its cube lead. The bits above the
// lowest three of an entry and of its index are a turn, those three are the place of the
// eighth on the curve and the eighth.
var turns = allTurns()

// turn says how the curve lies in a cube: as in the first one, but for the order of the
// axes, which of them are mirrored, and whether it runs with all its steps mirrored.
type turn struct {
	from [3]uint8 // the axis that stands in the place of each
	flip [3]uint8 // 1 where it is mirrored
	all  uint8
}

// into returns the place of an eighth on the curve, and how the curve lies in it. It is one
// step of AxestoTranspose of J. Skilling, Programming the Hilbert Curve, AIP Conf.
// Proc. 707 (2004), with what that does to all lower bits at once kept as a turn.
func (t turn) into(eighth uint16) (place uint16, next turn) {
	var v [3]uint8
	for k := range v {
		v[k] = uint8(eighth>>(2-t.from[k])&1) ^ t.flip[k]
	}
	next = t
	next.flip[0] ^= v[0]
	for k := 1; k < 3; k++ {
		if v[k] == 1 {
			next.flip[0] ^= 1
			continue
		}
		next.from[0], next.from[k] = next.from[k], next.from[0]
		next.flip[0], next.flip[k] = next.flip[k], next.flip[0]
	}
	x, y, z := v[0], v[0]^v[1], v[0]^v[1]^v[2]
	next.all ^= z
	return uint16(x^t.all)<<2 | uint16(y^t.all)<<1 | uint16(z^t.all), next
}

func allTurns() []uint16 {
	known := []turn{{from: [3]uint8{0, 1, 2}}}
	var table []uint16
	for i := 0; i < len(known); i++ {
		for eighth := range uint16(8) {
			place, next := known[i].into(eighth)
			n := slices.Index(known, next)
			if n < 0 {
				n = len(known)
				known = append(known, next)
			}
			table = append(table, uint16(n)<<3|place)
		}
	}
	return table
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
