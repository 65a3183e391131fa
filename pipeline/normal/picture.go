package normal

import (
	"context"
	"math"
	"slices"

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
	return angle(x, z), angle(y, math.Sqrt(x*x+z*z))
}

// angle returns the angle whose tangent is y/x, in (-π, π], to 3e-8. Cells are wider
// than that by a thousand times; it takes a third of the time of math.Atan2. It is
// equation 4.4.49 of M. Abramowitz & I. A. Stegun, Handbook of Mathematical Functions
// (1964), from memory; TestAngle compares it.
func angle(y, x float64) float64 {
	a, b := math.Abs(y), math.Abs(x)
	lo, hi := min(a, b), max(a, b)
	if hi == 0 {
		return 0
	}
	t := lo / hi
	s := t * t
	r := t * (1 + s*(-0.3333314528+s*(0.1999355085+s*(-0.1420889944+s*(0.1065626393+s*(-0.0752896400+s*(0.0429096138+s*(-0.0161657367+s*0.0028662257))))))))
	if a > b {
		r = math.Pi/2 - r
	}
	if x < 0 {
		r = math.Pi - r
	}
	return math.Copysign(r, y)
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

// newPicture chooses cells that hold about perCell points where there are any, or more
// where cells would be smaller than least, mm at the median distance.
func newPicture(ctx context.Context, c *scan.Cloud, e eye, perCell, least float64) (*picture, error) {
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
	v1 := p.chooseCell(us, vs, perCell)
	if floor := least / p.usualSize(c); floor > p.cell && p.usualSize(c) > 0 {
		p.cell, perCell = floor, perCell*floor*floor/(p.cell*p.cell)
		p.close()
	}
	for range cellTries {
		p.layOut(v1, 4*n+1024)
		if err := p.bin(ctx, us, vs); err != nil {
			return nil, err
		}
		ratio := perCell / p.fill()
		if ratio > 0.7 && ratio < 1.4 {
			break
		}
		p.cell *= math.Sqrt(ratio)
		p.close()
	}
	return p, nil
}

const (
	// cellTries: each try corrects the cell's area by the fill it had; sparse pictures
	// settle in three, and the last is taken as it is.
	cellTries = 4
	// sampled is the number of points that the size of a cell is first chosen by.
	sampled = 1 << 16
)

// chooseCell sets the borders of the picture and the size of its cells, by a sample of
// the points in cells larger by as much as the points are fewer. It returns the upper
// border.
func (p *picture) chooseCell(us, vs []float32, perCell float64) (v1 float64) {
	u1, v1 := p.frame(us, vs)
	p.width = u1 - p.u0
	step := max(1, (len(us)+sampled-1)/sampled)
	var su, sv []float32
	for i := range len(us) / step { // every step-th on average: a fixed step could fall in with the columns of a grid
		k := i*step + int(uint32(i)*2654435761>>8)%step
		su, sv = append(su, us[k]), append(sv, vs[k])
	}
	p.cell = math.Sqrt((p.width + 1e-9) * (v1 - p.v0 + 1e-9) * perCell / float64(max(len(su), 1)))
	p.close()
	for range cellTries {
		p.layOut(v1, 4*len(su)+1024)
		ratio := perCell * float64(p.occupiedBy(su, sv)) / float64(max(len(su), 1))
		if ratio == 0 || ratio > 0.95 && ratio < 1.05 {
			break
		}
		p.cell *= math.Sqrt(ratio)
		p.close()
	}
	p.cell /= math.Sqrt(float64(step))
	p.close()
	return v1
}

// usualSize returns the median of size over a sample of the points.
func (p *picture) usualSize(c *scan.Cloud) float64 {
	var v []float64
	for i := 0; i < c.Len(); i += max(1, c.Len()/1024) {
		if s := p.eye.size(c.At(i)); s > 0 {
			v = append(v, s)
		}
	}
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)/2]
}

// close finds out whether the picture goes all around, give or take the cells at its
// ends.
func (p *picture) close() {
	if p.eye.kind == Station && p.width > 2*math.Pi-4*p.cell {
		p.isRound, p.u0, p.width = true, -math.Pi, 2*math.Pi
	}
}

// occupiedBy counts the cells that hold some of the points.
func (p *picture) occupiedBy(us, vs []float32) int {
	seen := make([]bool, len(p.first))
	n := 0
	for i := range us {
		if c := p.cellOf(float64(us[i]), float64(vs[i])); !seen[c] {
			seen[c] = true
			n++
		}
	}
	return n
}

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
func (p *picture) bin(ctx context.Context, us, vs []float32) error {
	cells := make([]int32, len(us))
	err := par.Blocks(ctx, len(us), blockSize, func(_, lo, hi int) error {
		for i := lo; i < hi; i++ {
			cells[i] = p.cellOf(float64(us[i]), float64(vs[i]))
		}
		return nil
	})
	for _, c := range cells {
		p.first[c+1]++
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
	return err
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
