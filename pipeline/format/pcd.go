package format

import (
	"encoding/binary"
	"io"
	"math"
	"slices"
)

// pcdReader decodes the points of a PCD file of version 0.5 to 0.7. Source: R. B.
// Rusu, The PCD (Point Cloud Data) file format, documentation of the Point Cloud
// Library (from memory).
type pcdReader struct {
	src   *source
	about *About
	want  *wants
	head  pcdHeader
	row   int64
	line  []float64    // scratch of the ascii form
	block []byte       // the unpacked content of the compressed form, field after field
	place [3]*pcdField // x, y, z
	turn  [3]*pcdField // normal, or nil
	shine *pcdField    // intensity, or nil
	tint  *pcdField    // packed colour, or nil
}

func newPCD(r *Reader) (decoder, error) {
	p := &pcdReader{src: r.src, about: &r.about, want: &r.want}
	if err := p.readHeader(); err != nil {
		return nil, err
	}
	h := &p.head
	r.about.Points = h.points
	s := ScanAbout{Points: h.points, Pose: h.pose}
	if h.height > 1 {
		s.Rows, s.Columns = int(min(h.height, math.MaxInt32)), int(min(h.width, math.MaxInt32))
	}
	r.about.Scans = []ScanAbout{s}
	r.about.Encoding = "binary little-endian"
	switch h.data {
	case "ascii":
		r.about.Encoding = "ascii"
	case "binary_compressed":
		if err := p.inflate(r.size); err != nil {
			return nil, err
		}
	case "binary":
		if room := r.src.left(math.MaxInt64); h.points > room/int64(max(1, h.record)) {
			return nil, p.cut(room / int64(max(1, h.record)))
		}
	default:
		return nil, broken("the PCD header says DATA %s; ascii, binary and binary_compressed are read", clip(h.data))
	}
	return p, nil
}

func (p *pcdReader) cut(have int64) error {
	return short("the PCD header promises %d points of %d bytes, %d are there", p.head.points, p.head.record, have)
}

// leastBlock and blockPerByte bound what the compressed form may unpack to: a
// measured cloud shrinks to half at best.
const (
	leastBlock   = 16 << 20
	blockPerByte = 3
)

// inflate unpacks the compressed form, in which all values of a field stand
// together.
func (p *pcdReader) inflate(size int64) error {
	h := &p.head
	head := p.src.take(8)
	if len(head) < 8 {
		if fault := p.src.fault(); fault != nil {
			return fault
		}
		return short("the compressed PCD data begins with 8 bytes of sizes, %d are there", len(head))
	}
	packed, unpacked := int64(binary.LittleEndian.Uint32(head)), int64(binary.LittleEndian.Uint32(head[4:]))
	if h.points > math.MaxUint32 || unpacked != h.points*int64(h.record) {
		return broken("the compressed PCD data unpacks to %d bytes, but %d points of %d bytes are promised", unpacked, h.points, h.record)
	}
	if left := p.src.left(math.MaxInt64); packed > left {
		return short("the compressed PCD data has %d bytes, %d are there", packed, left)
	}
	if unpacked > leastBlock+blockPerByte*size {
		return broken("the compressed PCD data unpacks to %d bytes, more than a measured file of %d bytes can hold", unpacked, size)
	}
	raw := p.src.take(int(packed))
	if int64(len(raw)) < packed {
		if fault := p.src.fault(); fault != nil {
			return fault
		}
		return short("the compressed PCD data has %d bytes, %d are there", packed, len(raw))
	}
	p.block = make([]byte, unpacked)
	if err := unpackLZF(p.block, raw); err != nil {
		return err
	}
	at := int64(0)
	for i := range h.fields {
		f := &h.fields[i]
		f.stride = f.size * h.counts[i]
		f.at = at
		at += int64(f.stride) * h.points
	}
	return nil
}

func (p *pcdReader) next(b *Batch) error {
	n := int(min(batchRows, p.head.points-p.row))
	if n == 0 {
		return io.EOF
	}
	if p.head.data == "ascii" {
		return p.rows(b, n)
	}
	raw, start := p.block, p.row
	if p.block == nil {
		n = min(n, max(1, sourceBuffer/max(1, p.head.record)))
		raw, start = p.src.take(n*p.head.record), 0
		if len(raw) < n*p.head.record {
			if fault := p.src.fault(); fault != nil {
				return fault
			}
			return p.cut(p.row + int64(len(raw)/p.head.record))
		}
	}
	p.columns(b, raw, start, n)
	p.settle(b, n)
	return nil
}

// columns takes n points from raw, the first being the start-th there.
func (p *pcdReader) columns(b *Batch, raw []byte, start int64, n int) {
	for k, dst := range []*[]float64{&b.X, &b.Y, &b.Z} {
		*dst = slices.Grow(*dst, n)[:n]
		p.place[k].load64(*dst, raw, start)
	}
	if p.turn[0] != nil {
		for k, dst := range []*[]float32{&b.NX, &b.NY, &b.NZ} {
			*dst = slices.Grow(*dst, n)[:n]
			p.turn[k].load32(*dst, raw, start)
		}
	}
	if p.shine != nil {
		b.Intensity = slices.Grow(b.Intensity, n)[:n]
		p.shine.load32(b.Intensity, raw, start)
	}
	if p.tint != nil && p.want.colour {
		for i := range n {
			b.RGB = appendPacked(b.RGB, binary.LittleEndian.Uint32(raw[p.tint.at+(start+int64(i))*int64(p.tint.stride):]))
		}
	}
}

// appendPacked takes a colour apart that is packed into 32 bits, whatever type
// the field claims.
func appendPacked(rgb []uint8, v uint32) []uint8 {
	return append(rgb, uint8(v>>16), uint8(v>>8), uint8(v))
}

func (f *pcdField) load64(dst []float64, raw []byte, start int64) {
	raw = raw[f.at+start*int64(f.stride):]
	if f.kind == float32s {
		for i := range dst {
			dst[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(raw[i*f.stride:])))
		}
		return
	}
	for i := range dst {
		dst[i] = load(raw[i*f.stride:], f.kind, false)
	}
}

func (f *pcdField) load32(dst []float32, raw []byte, start int64) {
	raw = raw[f.at+start*int64(f.stride):]
	if f.kind == float32s {
		for i := range dst {
			dst[i] = math.Float32frombits(binary.LittleEndian.Uint32(raw[i*f.stride:]))
		}
		return
	}
	for i := range dst {
		dst[i] = float32(load(raw[i*f.stride:], f.kind, false))
	}
}

// rows reads up to n points of the ascii form.
func (p *pcdReader) rows(b *Batch, n int) error {
	done := 0
	for done < n {
		line, err := p.src.line()
		if err == io.EOF { //nolint:errorlint // line returns the bare io.EOF
			return p.cut(p.row + int64(done))
		}
		if err != nil {
			return err
		}
		if line = skipBlanks(line); len(line) == 0 {
			continue
		}
		p.line = p.line[:0]
		for range p.head.columns {
			v, rest, ok := number(line)
			if !ok {
				return broken("row %d of the PCD data has %d numbers, %d are promised", p.row+int64(done)+1, len(p.line), p.head.columns)
			}
			p.line, line = append(p.line, v), rest
		}
		p.addRow(b)
		done++
	}
	p.settle(b, done)
	return nil
}

func (p *pcdReader) addRow(b *Batch) {
	b.X, b.Y, b.Z = append(b.X, p.line[p.place[0].column]), append(b.Y, p.line[p.place[1].column]), append(b.Z, p.line[p.place[2].column])
	if p.turn[0] != nil {
		b.NX, b.NY, b.NZ = append(b.NX, float32(p.line[p.turn[0].column])), append(b.NY, float32(p.line[p.turn[1].column])), append(b.NZ, float32(p.line[p.turn[2].column]))
	}
	if p.shine != nil {
		b.Intensity = append(b.Intensity, float32(p.line[p.shine.column]))
	}
	if p.tint != nil && p.want.colour {
		v := p.line[p.tint.column]
		packed := math.Float32bits(float32(v))
		if p.tint.kind != float32s {
			packed = uint32(int64(v))
		}
		b.RGB = appendPacked(b.RGB, packed)
	}
}

// settle gives the n points of a batch their places in the grid, and takes those
// out that are directions without a return: in a grid they are not numbers.
func (p *pcdReader) settle(b *Batch, n int) {
	first := p.row
	p.row += int64(n)
	if p.head.height <= 1 {
		return
	}
	k := 0
	for i := range n {
		if math.IsNaN(b.X[i]) || math.IsNaN(b.Y[i]) || math.IsNaN(b.Z[i]) {
			b.Blank++
			continue
		}
		b.move(k, i)
		at := first + int64(i)
		b.Row, b.Column = append(b.Row, int32(at/p.head.width)), append(b.Column, int32(at%p.head.width))
		k++
	}
	b.cutTo(k)
}

// move puts point i of a batch in the place of point k.
func (b *Batch) move(k, i int) {
	b.X[k], b.Y[k], b.Z[k] = b.X[i], b.Y[i], b.Z[i]
	if len(b.NX) > 0 {
		b.NX[k], b.NY[k], b.NZ[k] = b.NX[i], b.NY[i], b.NZ[i]
	}
	if len(b.Intensity) > 0 {
		b.Intensity[k] = b.Intensity[i]
	}
	if len(b.RGB) > 0 {
		copy(b.RGB[3*k:3*k+3], b.RGB[3*i:3*i+3])
	}
}

// cutTo leaves the first k points of a batch.
func (b *Batch) cutTo(k int) {
	b.X, b.Y, b.Z = b.X[:k], b.Y[:k], b.Z[:k]
	if len(b.NX) > 0 {
		b.NX, b.NY, b.NZ = b.NX[:k], b.NY[:k], b.NZ[:k]
	}
	b.Intensity, b.RGB = b.Intensity[:min(k, len(b.Intensity))], b.RGB[:min(3*k, len(b.RGB))]
}
