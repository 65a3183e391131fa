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
	perUnit  float32 // rows to a unit of v
	isRound  bool    // u comes back after a full turn
	rows     []row
	first    []int32 // where each cell begins in order; then where the points that are not finite do, and the end
	order    []int32 // points by cell, each cell's in the order of the cloud
	occupied int     // how many cells hold a point
	inside   int     // how many points are in cells
}

// row is a row of cells: the first one's number, how many there are, and how many to a
// unit of u.
type row struct {
	first, count int32
	perUnit      float32
}

// pointsPerCell makes three by three cells hold about 25 points: enough for the
// noise of a plane's slope to be a tenth of the points' noise over their spacing.
const pointsPerCell = 2.8

// newPicture chooses cells that hold about perCell points where there are any, or more
// where cells would be smaller than least, mm at the median distance.
func newPicture(ctx context.Context, c *scan.Cloud, e eye, perCell, least float64) (*picture, error) {
	n := c.Len()
	p := &picture{eye: e}
	us, vs, v1, err := p.project(ctx, c)
	if err != nil {
		return nil, err
	}
	p.chooseCell(us, vs, v1, perCell)
	if floor := least / p.usualSize(c); floor > p.cell && p.usualSize(c) > 0 {
		p.cell, perCell = floor, perCell*floor*floor/(p.cell*p.cell)
		p.close()
	}
	cells := make([]int32, n)
	for range cellTries {
		p.layOut(v1, 4*n+1024)
		if err := p.bin(ctx, us, vs, cells); err != nil {
			return nil, err
		}
		ratio := perCell / p.fill()
		if ratio > 0.7 && ratio < 1.4 {
			break
		}
		p.cell *= math.Sqrt(ratio)
		p.close()
	}
	p.sort(cells)
	return p, nil
}

const (
	// cellTries: each try corrects the cell's area by the fill it had; sparse pictures
	// settle in three, and the last is taken as it is.
	cellTries = 4
	// sampled is the number of points that the size of a cell is first chosen by.
	sampled = 1 << 16
)

// project returns the places of the points in the picture, NaN for what is not finite,
// and sets the borders of the picture around them, of which it returns the upper.
func (p *picture) project(ctx context.Context, c *scan.Cloud) (us, vs []float32, v1 float64, err error) {
	n := c.Len()
	us, vs = make([]float32, n), make([]float32, n)
	borders := make([]border, par.Count(n, blockSize))
	l := p.eye.lens(c.Origin)
	err = par.Blocks(ctx, n, blockSize, func(block, lo, hi int) error {
		borders[block] = l.project(us[lo:hi], vs[lo:hi], c.X[lo:hi], c.Y[lo:hi], c.Z[lo:hi])
		return nil
	})
	all := noBorder
	for _, b := range borders {
		all = all.union(b)
	}
	if all.u1 < all.u0 {
		all = border{}
	}
	p.u0, p.v0, p.width = float64(all.u0), float64(all.v0), float64(all.u1)-float64(all.u0)
	return us, vs, float64(all.v1), err
}

// chooseCell sets the size of the cells, by a sample of the points in cells larger by as
// much as the points are fewer.
func (p *picture) chooseCell(us, vs []float32, v1, perCell float64) {
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
		if c := p.cellOf(us[i], vs[i]); !seen[c] {
			seen[c] = true
			n++
		}
	}
	return n
}

// layOut cuts the picture into no more than most cells.
func (p *picture) layOut(v1 float64, most int) {
	for {
		p.rows, p.perUnit = p.rows[:0], float32(1/p.cell)
		total := 0
		for k := 0; k < most && p.v0+float64(k)*p.cell <= v1; k++ {
			w := p.width
			if p.eye.kind == Station {
				w *= math.Cos(min(math.Pi/2, math.Abs(p.v0+(float64(k)+0.5)*p.cell)))
			}
			count := min(max(1, math.Ceil(w/p.cell)), float64(most))
			p.rows = append(p.rows, row{int32(total), int32(count), float32(count / max(p.width, 1e-30))})
			total += int(count)
			if total > most {
				break
			}
		}
		if total <= most {
			p.first = make([]int32, total+2)
			return
		}
		p.cell *= 1.5
	}
}

// bin finds the cells of the points and leaves in first how many points each holds, one
// place further on.
func (p *picture) bin(ctx context.Context, us, vs []float32, cells []int32) error {
	err := par.Blocks(ctx, len(us), blockSize, func(_, lo, hi int) error {
		us, vs, cells := us[lo:hi], vs[lo:hi], cells[lo:hi]
		for i, u := range us {
			cells[i] = p.cellOf(u, vs[i])
		}
		return nil
	})
	for _, c := range cells {
		p.first[c+1]++
	}
	last := len(p.first) - 1
	p.occupied, p.inside = 0, len(us)-int(p.first[last])
	for _, n := range p.first[:last] {
		if n > 0 {
			p.occupied++
		}
	}
	return err
}

// sort puts the points of each cell one behind the other.
func (p *picture) sort(cells []int32) {
	sum := int32(0)
	for k := 1; k < len(p.first); k++ { // first[k+1], where cell k begins, moves to its end
		n := p.first[k]
		p.first[k] = sum
		sum += n
	}
	p.order = make([]int32, len(cells))
	for i, c := range cells {
		at := p.first[c+1]
		p.order[at] = int32(i)
		p.first[c+1] = at + 1
	}
}

// fill returns the mean number of points in a cell that has any.
func (p *picture) fill() float64 { return float64(p.inside) / float64(max(p.occupied, 1)) }

// cellOf returns the cell of a place; what is not finite goes behind the last.
func (p *picture) cellOf(u, v float32) int32 {
	if u-u+v-v != 0 {
		return int32(len(p.first) - 2)
	}
	k := min(max(int((v-float32(p.v0))*p.perUnit), 0), len(p.rows)-1)
	r := &p.rows[k]
	return r.first + min(max(int32((u-float32(p.u0))*r.perUnit), 0), r.count-1)
}

// cells returns the points of the cells lo to hi of a row.
func (p *picture) cells(r row, lo, hi int32) []int32 {
	if lo > hi {
		return nil
	}
	return p.order[p.first[r.first+lo]:p.first[r.first+hi+1]]
}

// lost returns the points that are not finite.
func (p *picture) lost() []int32 { return p.order[p.first[len(p.first)-2]:] }
