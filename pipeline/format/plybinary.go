package format

import (
	"encoding/binary"
	"math"
	"slices"
)

// binaryVertices reads up to n vertices of fixed width column by column: the
// type is looked at once a column instead of once a number.
func (p *plyReader) binaryVertices(b *Batch, e *plyElement, n int) error {
	n = min(n, max(1, sourceBuffer/e.width))
	raw := p.src.take(n * e.width)
	if len(raw) < n*e.width {
		return p.cutFixed(e, len(raw))
	}
	c := &p.columns
	b.X = p.column64(b.X, raw, e, c.xyz[0], n)
	b.Y = p.column64(b.Y, raw, e, c.xyz[1], n)
	b.Z = p.column64(b.Z, raw, e, c.xyz[2], n)
	if c.normal[0] >= 0 {
		b.NX = p.column32(b.NX, raw, e, c.normal[0], n)
		b.NY = p.column32(b.NY, raw, e, c.normal[1], n)
		b.NZ = p.column32(b.NZ, raw, e, c.normal[2], n)
	}
	if c.colour[0] >= 0 && p.want.colour {
		p.colours(b, raw, e, n)
	}
	if c.intensity >= 0 {
		b.Intensity = p.column32(b.Intensity, raw, e, c.intensity, n)
	}
	p.row += int64(n)
	return nil
}

func (p *plyReader) column64(dst []float64, raw []byte, e *plyElement, property, n int) []float64 {
	q := e.properties[property]
	dst = slices.Grow(dst, n)[:n]
	if q.kind == float32s && !p.big {
		for i := range dst {
			dst[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(raw[i*e.width+q.at:])))
		}
		return dst
	}
	for i := range dst {
		dst[i] = load(raw[i*e.width+q.at:], q.kind, p.big)
	}
	return dst
}

func (p *plyReader) column32(dst []float32, raw []byte, e *plyElement, property, n int) []float32 {
	q := e.properties[property]
	dst = slices.Grow(dst, n)[:n]
	if q.kind == float32s && !p.big {
		for i := range dst {
			dst[i] = math.Float32frombits(binary.LittleEndian.Uint32(raw[i*e.width+q.at:]))
		}
		return dst
	}
	for i := range dst {
		dst[i] = float32(load(raw[i*e.width+q.at:], q.kind, p.big))
	}
	return dst
}

// colours turns three columns into the bytes of the batch.
func (p *plyReader) colours(b *Batch, raw []byte, e *plyElement, n int) {
	b.RGB = slices.Grow(b.RGB, 3*n)[:3*n]
	for k, property := range p.columns.colour {
		q := e.properties[property]
		for i := range n {
			if v := raw[i*e.width+q.at:]; q.kind == uint8s {
				b.RGB[3*i+k] = v[0]
			} else {
				b.RGB[3*i+k] = p.shade.of(load(v, q.kind, p.big))
			}
		}
	}
}

func (p *plyReader) cutFixed(e *plyElement, got int) error {
	if fault := p.src.fault(); fault != nil {
		return fault
	}
	rows := p.row + int64(got/e.width)
	return short("the PLY header promises %d rows of %q (%.0f bytes), %d are there (%d bytes)",
		e.rows, clip(e.name), float64(e.rows)*float64(e.width), rows, p.row*int64(e.width)+int64(got))
}

// skipFixed passes over all rows of an element that is not wanted.
func (p *plyReader) skipFixed(e *plyElement) error {
	if e.rows > math.MaxInt64/int64(e.width) {
		return p.cutFixed(e, 0)
	}
	want := e.rows * int64(e.width)
	if got := p.src.skip(want); got < want {
		return p.cutFixed(e, int(min(got, math.MaxInt32)))
	}
	p.row = e.rows
	return nil
}

// isPlainFace reports whether the faces are what nearly all files have: one list
// of 32-bit indices behind an 8-bit count.
func (p *plyReader) isPlainFace(e *plyElement) bool {
	if len(e.properties) != 1 || p.face != 0 {
		return false
	}
	q := e.properties[0]
	return q.count.bytes() == 1 && (q.kind == int32s || q.kind == uint32s)
}

// plainFaces reads up to n such faces out of one stretch of the buffer.
func (p *plyReader) plainFaces(b *Batch, e *plyElement, n int) error {
	const widest = 1 + 4*255
	raw := p.src.peek(min(len(p.src.buf), max(widest, 13*n)))
	b.Tri = slices.Grow(b.Tri, 3*n)
	at, done := 0, 0
	for done < n && at < len(raw) && len(b.Tri) <= mostCorners {
		size := 1 + 4*int(raw[at])
		if at+size > len(raw) {
			break
		}
		if size == 13 && !p.big {
			r := raw[at+1 : at+13]
			b.Tri = append(b.Tri, int64(binary.LittleEndian.Uint32(r)), int64(binary.LittleEndian.Uint32(r[4:])), int64(binary.LittleEndian.Uint32(r[8:])))
		} else {
			p.polygon(b, raw[at+1:at+size])
		}
		at += size
		done++
	}
	p.src.advance(at)
	p.row += int64(done)
	if done == 0 {
		p.src.take(len(p.src.buf))
		return p.cut(e, nil)
	}
	return nil
}

func (p *plyReader) polygon(b *Batch, raw []byte) {
	p.corners = p.corners[:0]
	for i := 0; i < len(raw); i += 4 {
		p.corners = append(p.corners, int64(load32(raw[i:], p.big)))
	}
	b.fan(p.corners)
}
