package normal

import (
	"context"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// eye is a place or a direction from which a cloud may have been seen, with a frame
// for its picture: x to the right, y up, forward along the middle line of sight.
type eye struct {
	kind      Kind
	right, up geom.Vec
	forward   geom.Vec
}

// newEye returns the frame whose forward axis is the given direction.
func newEye(kind Kind, forward geom.Vec) eye {
	f := forward.Unit()
	up := geom.Vec{Z: 1}
	if math.Abs(f.Z) > 0.9 {
		up = geom.Vec{Y: 1}
	}
	up = up.AddScaled(-up.Dot(f), f).Unit()
	return eye{kind: kind, forward: f, up: up, right: f.Cross(up)}
}

// project returns the place of p in the picture: azimuth and elevation in radians for
// a station, millimetres for a parallel view.
func (e *eye) project(p geom.Vec) (u, v float64) {
	x, y, z := p.Dot(e.right), p.Dot(e.up), p.Dot(e.forward)
	if e.kind == Parallel {
		return x, y
	}
	return math.Atan2(x, z), math.Atan2(y, math.Hypot(x, z))
}

// size returns how many millimetres a unit of the picture is at p.
func (e *eye) size(p geom.Vec) float64 {
	if e.kind == Parallel {
		return 1
	}
	return p.Norm()
}

// picture bins the points of a cloud: rows of equal height in v, each cut into cells
// of about that length in u. Rows of a station's picture get shorter towards the
// poles with the cosine of the elevation, so all cells are about squares of equal
// solid angle.
type picture struct {
	eye      eye
	cell     float64
	u0, v0   float64
	width    float64 // of the picture in u
	isRound  bool    // u comes back after a full turn
	rows     []row
	first    []int32 // where each cell begins in order, and the end
	order    []int32 // points by cell, each cell's in the order of the cloud
	occupied int     // how many cells hold a point
}

// row is a row of cells: the first one's number, and how many there are.
type row struct {
	first int32
	count int32
}

// pointsPerCell makes three by three cells hold about 25 points: enough for the
// noise of a plane's slope to be a tenth of the points' noise over their spacing.
const pointsPerCell = 2.8

// newPicture chooses cells that hold about perCell points where there are any.
func newPicture(ctx context.Context, c *scan.Cloud, e eye, perCell float64) (*picture, error) {
	n := c.Len()
	us, vs := make([]float32, n), make([]float32, n)
	err := par.Blocks(ctx, n, blockSize, func(_, lo, hi int) error {
		for i := lo; i < hi; i++ {
			u, v := e.project(c.At(i))
			us[i], vs[i] = float32(u), float32(v)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	p := &picture{eye: e}
	u1, v1 := p.frame(us, vs)
	p.width = u1 - p.u0
	p.cell = math.Sqrt((p.width + 1e-9) * (v1 - p.v0 + 1e-9) * perCell / float64(n))
	for range cellTries {
		p.isRound = e.kind == Station && p.width > 2*math.Pi-4*p.cell
		if p.isRound {
			p.u0, p.width = -math.Pi, 2*math.Pi
		}
		p.layOut(v1, 4*n+1024)
		p.bin(us, vs)
		ratio := perCell / p.fill()
		if ratio > 0.8 && ratio < 1.25 {
			break
		}
		p.cell *= math.Sqrt(ratio)
	}
	return p, nil
}

// cellTries: each try corrects the cell's area by the fill it had; sparse pictures
// settle in three, and the last is taken as it is.
const cellTries = 4

// frame finds the borders of the picture among the finite points.
func (p *picture) frame(us, vs []float32) (u1, v1 float64) {
	p.u0, p.v0, u1, v1 = math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for i, u := range us {
		if d := u - u + vs[i] - vs[i]; d != 0 {
			continue
		}
		p.u0, u1 = min(p.u0, float64(u)), max(u1, float64(u))
		p.v0, v1 = min(p.v0, float64(vs[i])), max(v1, float64(vs[i]))
	}
	if u1 < p.u0 {
		p.u0, p.v0, u1, v1 = 0, 0, 0, 0
	}
	return u1, v1
}

// layOut cuts the picture into no more than most cells.
func (p *picture) layOut(v1 float64, most int) {
	for {
		p.rows = p.rows[:0]
		total := 0
		for k := 0; k < most && p.v0+float64(k)*p.cell <= v1; k++ {
			w := p.width
			if p.eye.kind == Station {
				w *= math.Cos(min(math.Pi/2, math.Abs(p.v0+(float64(k)+0.5)*p.cell)))
			}
			count := max(1, math.Ceil(w/p.cell))
			p.rows = append(p.rows, row{int32(total), int32(min(count, float64(most)))})
			total += int(p.rows[k].count)
			if total > most {
				break
			}
		}
		if total <= most {
			p.first = make([]int32, total+1)
			return
		}
		p.cell *= 1.5
	}
}

// bin sorts the points into the cells.
func (p *picture) bin(us, vs []float32) {
	cells := make([]int32, len(us))
	for i := range us {
		cells[i] = p.cellOf(float64(us[i]), float64(vs[i]))
		p.first[cells[i]+1]++
	}
	p.occupied = 0
	for i := 1; i < len(p.first); i++ {
		if p.first[i] > 0 {
			p.occupied++
		}
		p.first[i] += p.first[i-1]
	}
	p.order = make([]int32, len(us))
	at := append([]int32(nil), p.first...)
	for i, c := range cells {
		p.order[at[c]] = int32(i)
		at[c]++
	}
}

// fill returns the mean number of points in a cell that has any.
func (p *picture) fill() float64 { return float64(len(p.order)) / float64(max(p.occupied, 1)) }

func (p *picture) rowOf(v float64) int {
	return min(max(int((v-p.v0)/p.cell), 0), len(p.rows)-1)
}

func (p *picture) column(r row, u float64) int32 {
	if p.width == 0 {
		return 0
	}
	return min(max(int32((u-p.u0)/p.width*float64(r.count)), 0), r.count-1)
}

// cellOf returns the cell of a place; what is not finite goes to the first.
func (p *picture) cellOf(u, v float64) int32 {
	if u-u+v-v != 0 {
		return 0
	}
	r := p.rows[p.rowOf(v)]
	return r.first + p.column(r, u)
}

// around calls visit for the points of the three by three cells around a place.
func (p *picture) around(u, v float64, visit func(points []int32)) {
	k := p.rowOf(v)
	for _, r := range p.rows[max(k-1, 0):min(k+2, len(p.rows))] {
		c := p.column(r, u)
		lo, hi := c-1, c+1
		if p.isRound && r.count > 2 && (lo < 0 || hi >= r.count) {
			visit(p.cells(r, 0, max(hi-r.count, 0)))
			visit(p.cells(r, r.count-1+min(lo+1, 0), r.count-1))
			lo, hi = max(lo, 1), min(hi, r.count-2)
		}
		visit(p.cells(r, max(lo, 0), min(hi, r.count-1)))
	}
}

// cells returns the points of the cells lo to hi of a row.
func (p *picture) cells(r row, lo, hi int32) []int32 {
	if lo > hi {
		return nil
	}
	return p.order[p.first[r.first+lo]:p.first[r.first+hi+1]]
}
