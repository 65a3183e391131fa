package e57

import (
	"encoding/binary"
	"errors"
	"io"
	"math"
	"slices"
)

// Sections and packets.
const (
	sectionPoints = 1
	sectionHeader = 32

	packetIndex   = 0
	packetData    = 1
	packetIgnored = 2
	packetHeader  = 6 // of a data packet, without the streams' lengths
	mostPacket    = 1 << 16
)

// batchRecords is the number of records a batch aims at: 8192 points of 24 bytes
// are 196 kB, which stays in a second-level cache.
const batchRecords = 8192

// Want says which columns a reader needs beside the coordinates; the streams of
// all others are passed over.
type Want struct{ Intensity, Colour, Grid bool }

// Batch is a portion of a scan. The slices are used again by each Next; those
// not wanted or not in the file are empty.
type Batch struct {
	X, Y, Z     []float64 // metres, in the scan's own frame
	Intensity   []float32 // in the file's own scale; 0 where the file calls it invalid
	RGB         []uint8   // three a point, brought to 0 … 255; 0 where the file calls it invalid
	Row, Column []int32   // places in the grid of the capture, counted from 0
	Blank       int64     // records met that are directions without a return

	column []float64 // scratch
	absent []bool    // scratch: records without a return
}

// Points streams the points of one scan. It is not safe for concurrent use.
type Points struct {
	scan  *Scan
	pages *pages
	left  int64 // records to come

	streams   []*stream // a packet's streams in order; nil is passed over
	place     [3]*stream
	spherical bool
	state     *stream // whether a point is there at all
	intensity optional
	colour    [3]*stream
	noColour  *stream
	limits    [3]Limits // of colour
	grid      [2]*stream
}

// optional is a stream and the stream that says where its values are invalid.
type optional struct{ values, invalid *stream }

// Points starts to read the scan numbered k, counted from 0.
func (f *File) Points(k int, w Want) (*Points, error) {
	s := &f.Scans[k]
	p := &Points{scan: s, left: s.Records, streams: make([]*stream, len(s.Fields))}
	if err := p.choosePlace(); err != nil {
		return nil, err
	}
	if w.Intensity {
		p.intensity = optional{p.use("intensity"), p.use("isIntensityInvalid")}
	}
	if rgb := s.has("colorRed", "colorGreen", "colorBlue"); w.Colour && rgb != nil {
		for i, said := range []Limits{s.Red, s.Green, s.Blue} {
			p.colour[i] = p.useField(rgb[i])
			p.limits[i] = colourLimits(said, &s.Fields[rgb[i]])
		}
		p.noColour = p.use("isColorInvalid")
	}
	if w.Grid {
		p.grid = [2]*stream{p.use("rowIndex"), p.use("columnIndex")}
	}
	p.pages = newPages(f.content, f.pages, min(windowSize, s.end-s.first))
	if s.first == s.end {
		return p, nil
	}
	return p, p.pages.seek(s.first)
}

// choosePlace finds the coordinates: cartesian ones where there are any.
func (p *Points) choosePlace() error {
	places, state := p.scan.has("cartesianX", "cartesianY", "cartesianZ"), "cartesianInvalidState"
	if places == nil {
		places, state = p.scan.has("sphericalRange", "sphericalAzimuth", "sphericalElevation"), "sphericalInvalidState"
		p.spherical = true
	}
	if places == nil {
		return broken("its points have neither cartesian nor spherical coordinates")
	}
	for i, k := range places {
		if p.scan.Fields[k].Kind == Other {
			return broken("%s is no number", p.scan.Fields[k].Name)
		}
		p.place[i] = p.useField(k)
	}
	p.state = p.use(state)
	return nil
}

// use returns the stream of a field that holds numbers, nil where there is none.
func (p *Points) use(name string) *stream {
	k := p.scan.field(name)
	if k < 0 || p.scan.Fields[k].Kind == Other {
		return nil
	}
	return p.useField(k)
}

func (p *Points) useField(k int) *stream {
	if p.streams[k] == nil {
		f := &p.scan.Fields[k]
		p.streams[k] = &stream{field: f, width: f.bits()}
	}
	return p.streams[k]
}

// colourLimits returns what black and full colour are stored as: what the file
// says, else what the range of the field suggests: one bit, one byte, two bytes;
// without a range, 0 to 1 in floating point and a byte in whole numbers.
func colourLimits(said Limits, f *Field) Limits {
	isFloat := f.Kind == Single || f.Kind == Double
	switch {
	case said.Max > said.Min:
		return said
	case f.High <= 1, f.High > math.MaxUint16 && isFloat:
		return Limits{Max: 1}
	case f.High <= math.MaxUint8, f.High > math.MaxUint16:
		return Limits{Max: math.MaxUint8}
	default:
		return Limits{Max: math.MaxUint16}
	}
}

// Next replaces the content of b by the next portion of the scan, or returns
// io.EOF after the last. Any other error ends the reading.
func (p *Points) Next(b *Batch) error {
	n, err := p.gather()
	if err != nil {
		return err
	}
	if n == 0 {
		return p.finish()
	}
	b.X, b.Y, b.Z = sized(b.X, n), sized(b.Y, n), sized(b.Z, n)
	p.place[0].take(b.X)
	p.place[1].take(b.Y)
	p.place[2].take(b.Z)
	if p.spherical {
		toCartesian(b.X, b.Y, b.Z)
	}
	b.column = sized(b.column, n)
	p.takeIntensity(b)
	p.takeColour(b)
	err = p.takeGrid(b)
	p.left -= int64(n)
	b.Blank = 0
	if p.state != nil {
		p.takeState(b)
	}
	return err
}

// sized returns v with n elements of any value.
func sized[T any](v []T, n int) []T { return slices.Grow(v[:0], n)[:n] }

// gather reads packets until a batch of records can go out and returns how many
// can: 0 after the last.
func (p *Points) gather() (int, error) {
	goal := min(batchRecords, p.left)
	for {
		ready := goal
		for _, s := range p.streams {
			if s != nil {
				ready = min(ready, int64(s.ready()))
			}
		}
		if ready == goal {
			return int(ready), nil
		}
		if err := p.packet(); errors.Is(err, io.EOF) {
			return 0, short("%d records promised, the section ends after %d", p.scan.Records, p.scan.Records-p.left+ready)
		} else if err != nil {
			return 0, err
		}
	}
}

// packet reads the next packet and hands its pieces to the streams.
func (p *Points) packet() error {
	at := p.pages.offset()
	room := p.scan.end - at
	if room < 4 {
		return io.EOF
	}
	head, err := p.pages.peek(4)
	if err != nil {
		return err
	}
	kind, size := head[0], int(binary.LittleEndian.Uint16(head[2:]))+1
	switch {
	case int64(size) > room:
		return broken("a packet of %d bytes reaches over the end of its section", size)
	case size%4 != 0:
		return broken("a packet of %d bytes is no whole number of words", size)
	case kind == packetIndex || kind == packetIgnored:
		_, err := p.pages.peek(size)
		p.pages.pos += size
		return err
	case kind != packetData:
		return broken("there is no packet of kind %d", kind)
	}
	raw, err := p.pages.peek(size)
	if err != nil {
		return err
	}
	p.pages.pos += size
	return p.split(raw)
}

// split hands the pieces of a data packet to the streams.
func (p *Points) split(raw []byte) error {
	if len(raw) < packetHeader {
		return broken("a data packet of %d bytes", len(raw))
	}
	n := int(binary.LittleEndian.Uint16(raw[4:]))
	if n == 0 {
		return nil
	}
	if n != len(p.streams) {
		return broken("a data packet has %d streams, a record has %d fields", n, len(p.streams))
	}
	if len(raw) < packetHeader+2*n {
		return broken("a data packet of %d bytes with %d streams", len(raw), n)
	}
	lengths, pieces := raw[packetHeader:packetHeader+2*n], raw[packetHeader+2*n:]
	for i, s := range p.streams {
		size := int(binary.LittleEndian.Uint16(lengths[2*i:]))
		if size > len(pieces) {
			return broken("the streams of a data packet are longer than the packet")
		}
		if s != nil && s.width > 0 {
			if err := s.add(pieces[:size]); err != nil {
				return err
			}
		}
		pieces = pieces[size:]
	}
	return nil
}

// finish checks the pages up to the end of the section, so that no damage in it
// goes unseen, and returns io.EOF.
func (p *Points) finish() error {
	if p.scan.Records == 0 {
		return io.EOF
	}
	for p.pages.offset() < p.scan.end {
		n := min(p.scan.end-p.pages.offset(), payload)
		if _, err := p.pages.peek(int(n)); err != nil {
			return err
		}
		p.pages.pos += int(n)
	}
	return io.EOF
}

// toCartesian turns range, azimuth and elevation into coordinates in place.
func toCartesian(x, y, z []float64) {
	for i := range x {
		sinA, cosA := math.Sincos(y[i])
		sinE, cosE := math.Sincos(z[i])
		r := x[i]
		x[i], y[i], z[i] = r*cosE*cosA, r*cosE*sinA, r*sinE
	}
}

// takeState removes the records that are directions without a return: those of
// the standard's states 1 and 2, and of any other that is not 0.
func (p *Points) takeState(b *Batch) {
	p.state.take(b.column)
	b.absent = sized(b.absent, len(b.column))
	for i, v := range b.column {
		b.absent[i] = v != 0
		if v != 0 {
			b.Blank++
		}
	}
	if b.Blank > 0 {
		b.drop()
	}
}

func (p *Points) takeIntensity(b *Batch) {
	b.Intensity = b.Intensity[:0]
	if p.intensity.values == nil {
		return
	}
	p.intensity.values.take(b.column)
	b.Intensity = sized(b.Intensity, len(b.column))
	for i, v := range b.column {
		b.Intensity[i] = float32(v)
	}
	if p.intensity.invalid != nil {
		p.intensity.invalid.take(b.column)
		for i, v := range b.column {
			if v != 0 {
				b.Intensity[i] = 0
			}
		}
	}
}

func (p *Points) takeColour(b *Batch) {
	b.RGB = b.RGB[:0]
	if p.colour[0] == nil {
		return
	}
	b.RGB = sized(b.RGB, 3*len(b.column))
	for channel, s := range p.colour {
		s.take(b.column)
		black, factor := p.limits[channel].Min, 255/(p.limits[channel].Max-p.limits[channel].Min)
		for i, v := range b.column {
			v = (v-black)*factor + 0.5
			if !(v > 0) {
				v = 0 // NaN among them
			}
			b.RGB[3*i+channel] = uint8(min(v, 255))
		}
	}
	if p.noColour != nil {
		p.noColour.take(b.column)
		for i, v := range b.column {
			if v != 0 {
				clear(b.RGB[3*i : 3*i+3])
			}
		}
	}
}

func (p *Points) takeGrid(b *Batch) error {
	var err [2]error
	b.Row, err[0] = takeIndex(b.Row, p.grid[0], b.column)
	b.Column, err[1] = takeIndex(b.Column, p.grid[1], b.column)
	return firstError(err[:]...)
}

func takeIndex(dst []int32, s *stream, column []float64) ([]int32, error) {
	if s == nil {
		return dst[:0], nil
	}
	s.take(column)
	dst = sized(dst, len(column))
	for i, v := range column {
		if !(v >= 0 && v <= math.MaxInt32) {
			return dst[:0], broken("%s is %g", s.field.Name, v)
		}
		dst[i] = int32(v)
	}
	return dst, nil
}

// drop removes the absent records.
func (b *Batch) drop() {
	b.X, b.Y, b.Z = keep(b.X, 1, b.absent), keep(b.Y, 1, b.absent), keep(b.Z, 1, b.absent)
	b.Intensity, b.RGB = keep(b.Intensity, 1, b.absent), keep(b.RGB, 3, b.absent)
	b.Row, b.Column = keep(b.Row, 1, b.absent), keep(b.Column, 1, b.absent)
}

// keep returns the elements of v, width a record, whose records are not absent.
func keep[T any](v []T, width int, absent []bool) []T {
	if len(v) == 0 {
		return v
	}
	k := 0
	for i, gone := range absent {
		if !gone {
			k += copy(v[k:], v[width*i:width*(i+1)])
		}
	}
	return v[:k]
}
