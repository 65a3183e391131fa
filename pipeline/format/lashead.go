package format

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/format/laz"
)

// Sizes of the LAS header. Source of all offsets here: ASPRS, LAS Specification
// 1.4 - R15 (2019), tables 2.1 to 2.15; earlier headers are its beginnings.
const (
	lasHead    = 227 // versions 1.0 to 1.2, and the least that all have
	lasHead14  = 375
	lasVLRHead = 54
	lasFormats = 11
	lasPacked  = 0xc0 // bits of the point format that mark compression
)

// lasLayout is where the fields of a point format lie; 0 is nowhere.
type lasLayout struct {
	record   int  // least bytes
	rgb      int  // red, green and blue of 16 bits each
	withheld byte // mask in byte 15 of the mark of a point that must not be used
}

var lasLayouts = [lasFormats]lasLayout{
	{record: 20, withheld: 0x80},
	{record: 28, withheld: 0x80},
	{record: 26, withheld: 0x80, rgb: 20},
	{record: 34, withheld: 0x80, rgb: 28},
	{record: 57, withheld: 0x80},
	{record: 63, withheld: 0x80, rgb: 28},
	{record: 30, withheld: 0x04},
	{record: 36, withheld: 0x04, rgb: 30},
	{record: 38, withheld: 0x04, rgb: 30},
	{record: 59, withheld: 0x04},
	{record: 67, withheld: 0x04, rgb: 30},
}

// lasHeader is the part of the header that is used.
type lasHeader struct {
	minor         int
	size          int64  // of the header
	pointsAt      int64  // offset to point data
	vlrs          uint32 // variable-length records before the points
	format        int
	isPacked      bool
	record        int // bytes a point
	points        uint64
	hasTail       bool // whether something is announced behind the points
	scale, offset [3]float64
	min, max      [3]float64
	scheme        []byte // the description of the compression
}

func (h *lasHeader) layout() lasLayout {
	l := lasLayouts[h.format]
	if h.minor == 0 { // the mark came with version 1.1
		l.withheld = 0
	}
	return l
}

// readLASHeader reads header and variable-length records without taking more
// than what lies before the points.
func readLASHeader(src *source, about *About) (lasHeader, error) {
	raw := src.peek(lasHead14)
	if len(raw) < lasHead {
		if fault := src.fault(); fault != nil {
			return lasHeader{}, fault
		}
		return lasHeader{}, short("the LAS header has %d bytes, %d are there", lasHead, len(raw))
	}
	var h lasHeader
	if err := h.parse(raw); err != nil {
		return h, err
	}
	if err := h.parseCounts(raw, about); err != nil {
		return h, err
	}
	if src.size != Unsaid && h.pointsAt > src.size {
		return h, short("the LAS header puts the points at byte %d, the file has %d bytes", h.pointsAt, src.size)
	}
	return h, h.readVLRs(src, about)
}

func (h *lasHeader) parse(raw []byte) error {
	le := binary.LittleEndian
	h.minor = int(raw[25])
	h.size, h.pointsAt = int64(le.Uint16(raw[94:])), int64(le.Uint32(raw[96:]))
	h.vlrs = le.Uint32(raw[100:])
	h.format, h.isPacked = int(raw[104]&^lasPacked), raw[104]&lasPacked != 0
	h.record = int(le.Uint16(raw[105:]))
	switch {
	case raw[24] != 1 || h.minor > 5:
		return broken("this is LAS version %d.%d; 1.0 to 1.5 are read", raw[24], h.minor)
	case h.format >= lasFormats:
		return broken("the LAS point format %d is not known; 0 to 10 are", h.format)
	case h.record < lasLayouts[h.format].record:
		return broken("a point of LAS format %d is said to have %d bytes, it has at least %d", h.format, h.record, lasLayouts[h.format].record)
	case h.size < lasHead || h.minor >= 4 && h.size < lasHead14:
		return broken("the LAS header is said to have %d bytes, which is too short for version 1.%d", h.size, h.minor)
	case h.pointsAt < h.size:
		return broken("the LAS header puts the points at byte %d, inside the header", h.pointsAt)
	}
	for i := range 3 {
		h.scale[i] = math.Float64frombits(le.Uint64(raw[131+8*i:]))
		h.offset[i] = math.Float64frombits(le.Uint64(raw[155+8*i:]))
		h.max[i] = math.Float64frombits(le.Uint64(raw[179+16*i:]))
		h.min[i] = math.Float64frombits(le.Uint64(raw[187+16*i:]))
		if !(math.Abs(h.scale[i]) > 0) || math.IsInf(h.scale[i], 0) || math.IsNaN(h.offset[i]) || math.IsInf(h.offset[i], 0) {
			return broken("the LAS header gives the scale %g and the offset %g, with which no coordinate can be had", h.scale[i], h.offset[i])
		}
	}
	return nil
}

// parseCounts takes the number of points: of 64 bits since version 1.4, where it
// is given, else the older one of 32 bits.
func (h *lasHeader) parseCounts(raw []byte, about *About) error {
	legacy := uint64(binary.LittleEndian.Uint32(raw[107:]))
	h.points = legacy
	h.hasTail = h.minor == 3 || h.format == 4 || h.format == 5
	if h.minor >= 4 && len(raw) < lasHead14 {
		return short("the LAS header has %d bytes, %d are there", lasHead14, len(raw))
	}
	if h.minor >= 4 {
		h.hasTail = true
		h.take64(binary.LittleEndian.Uint64(raw[247:]), about)
	}
	about.Points = int64(min(h.points, math.MaxInt64))
	return nil
}

// take64 takes the number of points of 64 bits, where it is given.
func (h *lasHeader) take64(n uint64, about *About) {
	if n == 0 {
		return
	}
	if h.points != 0 && h.points != n {
		about.note("The LAS header gives the number of points as %d and as %d; the first, of 64 bits, is taken.", n, h.points)
	}
	h.points = n
}

// readVLRs reads the variable-length records and takes the source to the points.
func (h *lasHeader) readVLRs(src *source, about *About) error {
	if room := (h.pointsAt - h.size) / lasVLRHead; int64(h.vlrs) > room {
		return broken("the LAS header promises %d variable-length records before the points, there is room for %d", h.vlrs, room)
	}
	src.skip(h.size)
	var units lasUnits
	for range h.vlrs {
		left := h.pointsAt - src.consumed
		head := src.peek(lasVLRHead)
		if left < lasVLRHead || len(head) < lasVLRHead {
			about.note("The variable-length records of the LAS file do not fit between its header and its points; the last are left out.")
			break
		}
		user := string(bytes.TrimRight(head[2:18], "\x00"))
		id, n := binary.LittleEndian.Uint16(head[18:]), int64(binary.LittleEndian.Uint16(head[20:]))
		src.advance(lasVLRHead)
		if n > left-lasVLRHead {
			about.note("A variable-length record of the LAS file reaches into the points; it is left out.")
			break
		}
		content := src.take(int(n))
		switch {
		case user == laz.UserID && id == laz.RecordID:
			h.scheme, h.isPacked = bytes.Clone(content), true
		case user == "LASF_Projection":
			units.read(id, content)
		}
	}
	units.declare(about)
	if want := h.pointsAt - src.consumed; src.skip(want) < want {
		if fault := src.fault(); fault != nil {
			return fault
		}
		return short("the LAS header puts the points at byte %d, the file ends at byte %d", h.pointsAt, src.consumed)
	}
	return nil
}

// note appends a full sentence about the file, once.
func (a *About) note(text string, args ...any) {
	if s := fmt.Sprintf(text, args...); !slices.Contains(a.Notes, s) {
		a.Notes = append(a.Notes, s)
	}
}
