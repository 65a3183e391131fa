package laz

import "encoding/binary"

// colour decodes red, green and blue of 16 bits each: low and high bytes apart,
// green and blue near the change that red made.
type colour struct {
	used model // which of the six bytes changed, and whether it is no grey
	diff [6]model
}

func (r *colour) reset() {
	r.used.left = 0
	forget(r.diff[:])
}

const isColoured = 1 << 6

// next decodes a colour after the last, which it replaces.
func (r *colour) next(c *coder, last *[3]uint16) {
	used := c.symbol(&r.used, 128)
	old := *last
	last[0] = r.half(c, used, 0, 0, old[0]) | r.half(c, used, 1, 0, old[0])
	if used&isColoured == 0 {
		last[1], last[2] = last[0], last[0]
		return
	}
	var now [3]uint16
	now[0] = last[0]
	for high := range 2 { // the low bytes of green and blue, then the high ones
		shift := 8 * high
		step := int(now[0]>>shift&255) - int(old[0]>>shift&255)
		now[1] |= r.half(c, used, 2+high, step, old[1])
		step = (step + int(now[1]>>shift&255) - int(old[1]>>shift&255)) / 2
		now[2] |= r.half(c, used, 4+high, step, old[2])
	}
	*last = now
}

// half decodes byte k of six, in its place: even k are low bytes. It lies near
// the old one moved by step.
func (r *colour) half(c *coder, used uint32, k, step int, old uint16) uint16 {
	shift := 8 * (k & 1)
	if used>>k&1 == 0 {
		return old & (255 << shift)
	}
	near := min(max(int(old>>shift&255)+step, 0), 255)
	return uint16(byte(near)+byte(c.symbol(&r.diff[k], 256))) << shift
}

// infrared decodes one 16-bit value in two bytes.
type infrared struct {
	used model
	diff [2]model
}

func (n *infrared) reset() {
	n.used.left = 0
	forget(n.diff[:])
}

func (n *infrared) next(c *coder, old uint16) uint16 {
	used := c.symbol(&n.used, 4)
	low, high := byte(old), byte(old>>8)
	if used&1 != 0 {
		low += byte(c.symbol(&n.diff[0], 256))
	}
	if used&2 != 0 {
		high += byte(c.symbol(&n.diff[1], 256))
	}
	return uint16(high)<<8 | uint16(low)
}

// waveSize is the number of bytes of a wave packet reference.
const waveSize = 29

// wave decodes the reference of a point to its recorded wave form.
type wave struct {
	index    model
	kind     [4]model // how the offset is given, by how the one before was
	lastKind uint32
	lastStep int32
	step     integer
	size     integer
	place    integer
	xyz      integer
}

func (w *wave) reset() {
	w.index.left = 0
	forget(w.kind[:])
	w.lastKind, w.lastStep = 0, 0
	w.step.reset(32, 1)
	w.size.reset(32, 1)
	w.place.reset(32, 1)
	w.xyz.reset(32, 3)
}

// next decodes a reference after the last, which it replaces.
func (w *wave) next(c *coder, last *[waveSize]byte) {
	last[0] = byte(c.symbol(&w.index, 256))
	offset := binary.LittleEndian.Uint64(last[1:])
	size := binary.LittleEndian.Uint32(last[9:])
	w.lastKind = c.symbol(&w.kind[w.lastKind], 4)
	switch w.lastKind {
	case 0:
	case 1:
		offset += uint64(size)
	case 2:
		w.lastStep = w.step.next(c, w.lastStep, 0)
		offset += uint64(int64(w.lastStep))
	default:
		offset = c.long()
	}
	binary.LittleEndian.PutUint64(last[1:], offset)
	store(last[9:], w.size.next(c, int32(size), 0))
	store(last[13:], w.place.next(c, load(last[13:]), 0))
	for k := range uint32(3) {
		b := last[17+4*k:]
		store(b, w.xyz.next(c, load(b), k))
	}
}
