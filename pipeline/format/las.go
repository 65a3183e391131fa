package format

import (
	"encoding/binary"
	"errors"
	"io"
	"math"
	"slices"
)

// lasRecords turns LAS point records into points.
type lasRecords struct {
	head     lasHeader
	layout   lasLayout
	about    *About
	want     *wants
	low      [3]int32 // of what was met, in steps of the scale
	high     [3]int32
	met      int64
	withheld int64
	// How far colours are shifted to become 8 bits: 8, or 0 in a file that keeps
	// numbers of 8 bits in its 16; −1 until it is known.
	shift    int
	isBright bool // a colour above 255 in a file of the second kind
}

func newLASRecords(h *lasHeader, r *Reader) lasRecords {
	l := lasRecords{head: *h, layout: h.layout(), about: &r.about, want: &r.want, shift: -1}
	for i := range 3 {
		l.low[i], l.high[i] = math.MaxInt32, math.MinInt32
	}
	return l
}

// add appends the points of whole records to an empty batch.
func (l *lasRecords) add(b *Batch, raw []byte) {
	n := len(raw) / l.head.record
	b.X, b.Y, b.Z = slices.Grow(b.X, n)[:n], slices.Grow(b.Y, n)[:n], slices.Grow(b.Z, n)[:n]
	b.Intensity = slices.Grow(b.Intensity, n)[:n]
	marks := l.place(b, raw)
	if l.layout.rgb > 0 && l.want.colour {
		b.RGB = slices.Grow(b.RGB, 3*n)[:3*n]
		l.colour(b.RGB, raw)
	}
	l.met += int64(n)
	if marks&l.layout.withheld != 0 {
		l.withhold(b, raw)
	}
}

// place fills coordinates and intensities of whole records and returns the marks
// of all points together. The conversion keeps the product from being fused with
// the sum, which would give other last digits on other processors.
func (l *lasRecords) place(b *Batch, raw []byte) (marks byte) {
	record := l.head.record
	s, o := l.head.scale, l.head.offset
	low, high := l.low, l.high
	x := b.X
	y, z, shine := b.Y[:len(x)], b.Z[:len(x)], b.Intensity[:len(x)]
	var all uint64
	for i := range x {
		r := raw[i*record:][:16]
		head, tail := binary.LittleEndian.Uint64(r), binary.LittleEndian.Uint64(r[8:])
		vx, vy, vz := int32(head), int32(head>>32), int32(tail)
		low[0], high[0] = min(low[0], vx), max(high[0], vx)
		low[1], high[1] = min(low[1], vy), max(high[1], vy)
		low[2], high[2] = min(low[2], vz), max(high[2], vz)
		x[i] = float64(float64(vx)*s[0]) + o[0]
		y[i] = float64(float64(vy)*s[1]) + o[1]
		z[i] = float64(float64(vz)*s[2]) + o[2]
		shine[i] = float32(uint16(tail >> 32))
		all |= tail
	}
	l.low, l.high = low, high
	return byte(all >> 56)
}

func (l *lasRecords) colour(dst, raw []byte) {
	var all uint16
	at := l.layout.rgb
	for i := 0; i+3 <= len(dst); i += 3 {
		rgb := raw[at : at+6]
		for k := range 3 {
			v := binary.LittleEndian.Uint16(rgb[2*k:])
			all |= v
			dst[i+k] = byte(min(v>>l.shift, 255))
		}
		at += l.head.record
	}
	l.isBright = l.isBright || l.shift == 0 && all > 255
}

// withhold takes out the points that are marked as not to be used.
func (l *lasRecords) withhold(b *Batch, raw []byte) {
	k := 0
	for i := range b.X {
		if raw[i*l.head.record+15]&l.layout.withheld != 0 {
			continue
		}
		b.X[k], b.Y[k], b.Z[k], b.Intensity[k] = b.X[i], b.Y[i], b.Z[i], b.Intensity[i]
		if len(b.RGB) > 0 {
			copy(b.RGB[3*k:3*k+3], b.RGB[3*i:3*i+3])
		}
		k++
	}
	b.Blank += int64(len(b.X) - k)
	l.withheld += int64(len(b.X) - k)
	b.X, b.Y, b.Z, b.Intensity = b.X[:k], b.Y[:k], b.Z[:k], b.Intensity[:k]
	b.RGB = b.RGB[:min(len(b.RGB), 3*k)]
}

// hasBright reports whether a colour in the records is above 255.
func (l *lasRecords) hasBright(raw []byte) bool {
	for at := l.layout.rgb; at+6 <= len(raw); at += l.head.record {
		if raw[at+1]|raw[at+3]|raw[at+5] != 0 {
			return true
		}
	}
	return false
}

// settleColour decides how colours are kept. The specification says 16 bits;
// many files hold numbers of 8 bits all the same, and common practice (no
// source) is to take a file for one of those where no value is above 255.
func (l *lasRecords) settleColour(isBright bool) {
	l.shift = 8
	if !isBright {
		l.shift = 0
	}
}

// outside says how far the points met so far leave the bounds of the header, in
// steps of the scale, and whether the header has bounds that can be meant: some
// writers leave zeros there.
func (l *lasRecords) outside() (steps float64, isBound bool) {
	for i := range 3 {
		scale, offset := l.head.scale[i], l.head.offset[i]
		lo, hi := (l.head.min[i]-offset)/scale, (l.head.max[i]-offset)/scale
		if scale < 0 {
			lo, hi = hi, lo
		}
		if !(lo <= hi) {
			return math.Inf(1), false
		}
		// Coordinates far away have bounds that are no finer than this.
		grain := 4 * (math.Abs(l.head.min[i]) + math.Abs(l.head.max[i]) + math.Abs(offset)) * 0x1p-52 / math.Abs(scale)
		steps = max(steps, lo-float64(l.low[i])-grain, float64(l.high[i])-hi-grain)
	}
	return steps, l.head.min != l.head.max || l.head.max != [3]float64{}
}

// finish writes the notes that need all points. In a file without points there
// is nothing to compare.
func (l *lasRecords) finish() {
	if l.withheld > 0 {
		l.about.note("%d points are marked in the LAS file as withheld, not to be used; they are left out.", l.withheld)
	}
	if l.shift == 0 {
		l.about.note("No colour looked at is above 255: the LAS file is taken to keep its colours in 8 of their 16 bits.")
	}
	if l.isBright {
		l.about.note("Some colours of the LAS file are above 255 while most are not; those are shown as 255.")
	}
	if l.met == 0 {
		return
	}
	switch steps, isBound := l.outside(); {
	case steps > 1 && isBound:
		l.about.note("The bounds in the LAS header do not hold all its points (%.0f steps of the scale outside).", steps)
	case steps > 1:
		l.about.note("The LAS header gives no bounds that could hold its points.")
	}
}

// lasReader streams the records of an uncompressed file.
type lasReader struct {
	lasRecords
	reader *Reader
	src    *source
	row    uint64
}

func newLAS(r *Reader) (decoder, error) {
	h, err := readLASHeader(r.src, &r.about)
	if err != nil {
		return nil, err
	}
	r.about.Encoding = "binary little-endian"
	if h.isPacked {
		r.about.Format = "laz"
		return newLAZ(&h, r)
	}
	l := &lasReader{lasRecords: newLASRecords(&h, r), reader: r, src: r.src}
	if r.src.size != Unsaid {
		room := r.src.size - h.pointsAt
		if h.points > uint64(room/int64(h.record)) {
			return nil, l.cut(room)
		}
		if surplus := room - int64(h.points)*int64(h.record); surplus >= int64(h.record) && !h.hasTail {
			r.about.note("There are %d bytes in the LAS file behind the points that its header promises; they are left out.", surplus)
		}
	}
	return l, nil
}

func (l *lasReader) cut(room int64) error {
	return short("the LAS header promises %d points of %d bytes, %d are there (%d bytes)",
		l.head.points, l.head.record, uint64(room)/uint64(l.head.record), room)
}

func (l *lasReader) next(b *Batch) error {
	if l.row == l.head.points {
		l.finish()
		return io.EOF
	}
	if l.shift < 0 && l.layout.rgb > 0 && l.want.colour {
		if err := l.sampleColour(); err != nil {
			return err
		}
	}
	record := l.head.record
	n := int(min(l.head.points-l.row, uint64(min(batchRows, max(1, sourceBuffer/record)))))
	raw := l.src.take(n * record)
	if len(raw) < n*record {
		if fault := l.src.fault(); fault != nil {
			return fault
		}
		return l.cut(int64(l.row)*int64(record) + int64(len(raw)))
	}
	l.add(b, raw)
	l.row += uint64(n)
	return nil
}

// colourSamples blocks of colourRows records, spread evenly, decide how colours
// are kept: a scene that is dark in all of them is dark.
const (
	colourSamples = 32
	colourRows    = 256
)

// sampleColour looks at colours all over the file, or inside a compressed one at
// what is in the buffer.
func (l *lasReader) sampleColour() error {
	record := int64(l.head.record)
	if l.src.size == Unsaid {
		l.settleColour(l.hasBright(l.src.peek(int(min(l.head.points, uint64(len(l.src.buf))/uint64(record))) * int(record))))
		return nil
	}
	buf := make([]byte, min(colourRows, int64(l.head.points))*record)
	isBright := false
	for k := int64(0); k < colourSamples && !isBright; k++ {
		row := (int64(l.head.points) - int64(len(buf))/record) / (colourSamples - 1) * k
		if _, err := l.reader.at.ReadAt(buf, l.head.pointsAt+row*record); err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		isBright = l.hasBright(buf)
	}
	l.settleColour(isBright)
	return nil
}
