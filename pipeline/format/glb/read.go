package glb

import (
	"io"
	"math"
	"slices"
)

// portionRows is the number of points or corners a portion aims at.
const portionRows = 8192

// Portion is a stretch of the scene. The slices are used again by each Next.
type Portion struct {
	X, Y, Z    []float64 // points in metres after the nodes' transforms, +Y up
	NX, NY, NZ []float32 // unit normals; empty, or as long as X
	RGB        []uint8   // sRGB, three a point; empty, or three times as long as X
	Tri        []int64   // three point numbers a triangle, from 0 over the whole file
}

func (p *Portion) reset() {
	p.X, p.Y, p.Z = p.X[:0], p.Y[:0], p.Z[:0]
	p.NX, p.NY, p.NZ, p.RGB, p.Tri = p.NX[:0], p.NY[:0], p.NZ[:0], p.RGB[:0], p.Tri[:0]
}

// cursor is where the reading stands, with its scratch buffers.
type cursor struct {
	part    int
	point   int64 // points of the part that were handed out
	corner  int64 // corners of the part that were taken
	a, b    int64 // the strip's or fan's corners before
	raw     []byte
	numbers []float64
}

// Next fills p with the next portion, or returns io.EOF after the last.
func (f *File) Next(p *Portion) error {
	p.reset()
	c := &f.cursor
	for c.part < len(f.parts) {
		one := &f.parts[c.part]
		switch {
		case c.point < one.points:
			return f.nextPoints(one, p)
		case one.mode != modePoints && c.corner < one.corners():
			return f.nextTriangles(one, p)
		}
		f.leave(one)
	}
	return io.EOF
}

// leave goes on to the next part and lets go of what only this one needed.
func (f *File) leave(one *part) {
	for _, r := range []*reader{one.positions, one.normals, one.colours, one.indices} {
		if r != nil && r.sparse != nil {
			r.sparse.indices = nil
		}
	}
	f.cursor = cursor{part: f.cursor.part + 1, raw: f.cursor.raw, numbers: f.cursor.numbers}
}

func (one *part) corners() int64 {
	if one.indices != nil {
		return one.indices.count
	}
	return one.points
}

func (f *File) nextPoints(one *part, p *Portion) (err error) {
	c := &f.cursor
	lo, hi := c.point, min(c.point+portionRows, one.points)
	c.point = hi
	if c.numbers, err = f.floats(one.positions, lo, hi, c.numbers); err != nil {
		return err
	}
	place(p, c.numbers, one.to)
	if f.columns.normals {
		if c.numbers, err = f.floats(one.normals, lo, hi, c.numbers); err != nil {
			return err
		}
		turn(p, c.numbers, one.to)
	}
	if f.columns.colours {
		if c.numbers, err = f.floats(one.colours, lo, hi, c.numbers); err != nil {
			return err
		}
		paint(p, c.numbers, one.colours)
	}
	return nil
}

// place puts the transformed points into the portion.
func place(p *Portion, v []float64, m affine) {
	n := len(v) / 3
	p.X, p.Y, p.Z = slices.Grow(p.X, n)[:n], slices.Grow(p.Y, n)[:n], slices.Grow(p.Z, n)[:n]
	if m.isIdentity() { // keeps -0, NaN and infinities as they are
		for i := range p.X {
			p.X[i], p.Y[i], p.Z[i] = v[3*i], v[3*i+1], v[3*i+2]
		}
		return
	}
	for i := range p.X {
		x, y, z := v[3*i], v[3*i+1], v[3*i+2]
		p.X[i] = m[0]*x + m[1]*y + m[2]*z + m[3]
		p.Y[i] = m[4]*x + m[5]*y + m[6]*z + m[7]
		p.Z[i] = m[8]*x + m[9]*y + m[10]*z + m[11]
	}
}

// turn puts the normals into the portion, turned and brought to length one.
func turn(p *Portion, v []float64, m affine) {
	n := len(v) / 3
	p.NX, p.NY, p.NZ = slices.Grow(p.NX, n)[:n], slices.Grow(p.NY, n)[:n], slices.Grow(p.NZ, n)[:n]
	c := m.cofactors()
	sign := 1.0
	if m.det() < 0 {
		sign = -1
	}
	for i := range p.NX {
		x, y, z := v[3*i], v[3*i+1], v[3*i+2]
		a := sign * (c[0]*x + c[1]*y + c[2]*z)
		b := sign * (c[3]*x + c[4]*y + c[5]*z)
		d := sign * (c[6]*x + c[7]*y + c[8]*z)
		length := math.Sqrt(a*a + b*b + d*d)
		if !(length > 0) || math.IsInf(length, 0) {
			a, b, d, length = 0, 0, 0, 1
		}
		p.NX[i], p.NY[i], p.NZ[i] = float32(a/length), float32(b/length), float32(d/length)
	}
}

// paint puts the colours into the portion. Files hold them linear in light.
func paint(p *Portion, v []float64, r *reader) {
	n := len(v) / r.components
	p.RGB = slices.Grow(p.RGB, 3*n)[:3*n]
	if r.kind == kindUByte && r.normalized {
		table := screenTable()
		for i := range n {
			for k := range 3 {
				p.RGB[3*i+k] = table[uint8(math.Round(255*v[i*r.components+k]))]
			}
		}
		return
	}
	for i := range n {
		for k := range 3 {
			p.RGB[3*i+k] = encodeSRGB(v[i*r.components+k])
		}
	}
}

func (f *File) nextTriangles(one *part, p *Portion) (err error) {
	c := &f.cursor
	lo, hi := c.corner, min(c.corner+3*portionRows, one.corners())
	c.corner = hi
	if one.indices == nil {
		c.numbers = slices.Grow(c.numbers[:0], int(hi-lo))[:hi-lo]
		for i := range c.numbers {
			c.numbers[i] = float64(lo + int64(i))
		}
	} else if c.numbers, err = f.floats(one.indices, lo, hi, c.numbers); err != nil {
		return err
	}
	for _, v := range c.numbers {
		if v >= float64(one.points) {
			return broken("a triangle refers to point %.0f of %d", v, one.points)
		}
	}
	if one.mode == modeTriangles {
		f.plain(one, p)
	} else {
		f.chain(one, p, lo)
	}
	return nil
}

// plain takes three corners a triangle. A transform that mirrors turns their
// order around, so that they stay counter-clockwise from outside.
func (f *File) plain(one *part, p *Portion) {
	v := f.cursor.numbers
	p.Tri = slices.Grow(p.Tri, len(v))[:len(v)]
	for i, x := range v {
		p.Tri[i] = one.first + int64(x)
	}
	if one.mirrored {
		for i := 0; i+2 < len(p.Tri); i += 3 {
			p.Tri[i+1], p.Tri[i+2] = p.Tri[i+2], p.Tri[i+1]
		}
	}
}

// chain takes a strip or a fan. Of a strip every second triangle is turned
// around; the corners before are kept in a and b.
func (f *File) chain(one *part, p *Portion, lo int64) {
	c := &f.cursor
	for k, v := range c.numbers {
		i, corner := lo+int64(k), one.first+int64(v)
		switch i {
		case 0:
			c.a = corner
		case 1:
			c.b = corner
		default:
			if a, b := c.a, c.b; (one.mode == modeStrip && i%2 == 1) != one.mirrored {
				p.Tri = append(p.Tri, a, corner, b)
			} else {
				p.Tri = append(p.Tri, a, b, corner)
			}
			if one.mode == modeStrip {
				c.a = c.b
			}
			c.b = corner
		}
	}
}
