package laz

import "encoding/binary"

// Bits of the first symbol of a point, POINT14. The lowest two tell how the
// return number changed: not, one up, one down, otherwise.
const (
	returnsChanged14 = 1 << (iota + 2)
	angleChanged14
	timeChanged14
	sourceChanged14
	channelChanged14
)

// The layers of POINT14 in the order of the file.
const (
	layerXY = iota
	layerZ
	layerClass
	layerFlags
	layerIntensity
	layerAngle
	layerUser
	layerSource
	layerTime
	layers14
)

// returnContext14 gives the context of a point by its number of returns and its
// return number. Most of it was inferred from a sample file and its uncompressed
// twin; all pairs are borne out by an independent decoder (TestAgainstLazPerf).
var returnContext14 = [16][16]uint8{
	{0, 1, 2, 3, 4, 5, 3, 4, 4, 5, 5, 5, 5, 5, 5, 5},
	{1, 0, 1, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3},
	{2, 1, 2, 4, 4, 4, 4, 4, 4, 4, 4, 3, 3, 3, 3, 3},
	{3, 3, 4, 5, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4},
	{4, 3, 4, 4, 5, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4},
	{5, 3, 4, 4, 4, 5, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4},
	{3, 3, 4, 4, 4, 4, 5, 4, 4, 4, 4, 4, 4, 4, 4, 4},
	{4, 3, 4, 4, 4, 4, 4, 5, 4, 4, 4, 4, 4, 4, 4, 4},
	{4, 3, 4, 4, 4, 4, 4, 4, 5, 4, 4, 4, 4, 4, 4, 4},
	{5, 3, 4, 4, 4, 4, 4, 4, 4, 5, 4, 4, 4, 4, 4, 4},
	{5, 3, 4, 4, 4, 4, 4, 4, 4, 4, 5, 4, 4, 4, 4, 4},
	{5, 3, 3, 4, 4, 4, 4, 4, 4, 4, 4, 5, 5, 4, 4, 4},
	{5, 3, 3, 4, 4, 4, 4, 4, 4, 4, 4, 5, 5, 5, 4, 4},
	{5, 3, 3, 4, 4, 4, 4, 4, 4, 4, 4, 4, 5, 5, 5, 4},
	{5, 3, 3, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 5, 5, 5},
	{5, 3, 3, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 5, 5},
}

// fields14 are the fields of a point of the formats 6 to 10 apart from its time.
type fields14 struct {
	x, y, z     int32
	intensity   uint16
	number      uint8 // of the return, 0 to 15
	returns     uint8 // how many the pulse had, 0 to 15
	flags       uint8 // classification flags, 4 bits
	channel     uint8 // of the scanner, 0 to 3
	direction   uint8 // scan direction and, above it, edge of flight line
	class, user uint8
	angle       int16
	source      uint16
	timeChanged bool // against the point before it in this channel
}

func (f *fields14) unpack(raw []byte) {
	f.x, f.y, f.z = load(raw[0:]), load(raw[4:]), load(raw[8:])
	f.intensity = binary.LittleEndian.Uint16(raw[12:])
	f.number, f.returns = raw[14]&15, raw[14]>>4
	f.flags, f.channel, f.direction = raw[15]&15, raw[15]>>4&3, raw[15]>>6
	f.class, f.user = raw[16], raw[17]
	f.angle = int16(binary.LittleEndian.Uint16(raw[18:]))
	f.source = binary.LittleEndian.Uint16(raw[20:])
}

func (f *fields14) pack(raw []byte) {
	raw = raw[:22]
	store(raw[0:], f.x)
	store(raw[4:], f.y)
	store(raw[8:], f.z)
	binary.LittleEndian.PutUint16(raw[12:], f.intensity)
	raw[14] = f.number | f.returns<<4
	raw[15] = f.flags | f.channel<<4 | f.direction<<6
	raw[16], raw[17] = f.class, f.user
	binary.LittleEndian.PutUint16(raw[18:], uint16(f.angle))
	binary.LittleEndian.PutUint16(raw[20:], f.source)
}

// channel14 is what is remembered of one scanner channel.
type channel14 struct {
	isUsed       bool
	last         fields14
	changed      [8]model
	channel      model
	returns      [16]model
	number       [16]model
	numberSame   model // where the time is the same as before
	dx, dy, dz   integer
	class        []model
	flags        []model
	user         []model
	intensity    integer
	angle        integer
	source       integer
	time         gpsTime
	medianX      [12]median
	medianY      [12]median
	heightOld    [8]int32
	intensityOld [8]uint16
}

func (h *channel14) first(f *fields14, time uint64) {
	h.isUsed, h.last = true, *f
	h.last.timeChanged = false
	forget(h.changed[:])
	h.channel.left, h.numberSame.left = 0, 0
	forget(h.returns[:])
	forget(h.number[:])
	h.dx.reset(32, 2)
	h.dy.reset(32, 22)
	h.dz.reset(32, 20)
	h.class, h.flags, h.user = grown(h.class, 64), grown(h.flags, 64), grown(h.user, 64)
	h.intensity.reset(16, 4)
	h.angle.reset(16, 2)
	h.source.reset(16, 1)
	h.time.first(time, 0)
	h.medianX, h.medianY = [12]median{}, [12]median{}
	for i := range h.heightOld {
		h.heightOld[i], h.intensityOld[i] = f.z, f.intensity
	}
}

// point14 decodes the 30 bytes that the point formats 6 to 10 begin with, each
// field from a layer of its own. A layer that is empty, or not wanted, leaves
// its field as it is in the first point.
type point14 struct {
	layers   [layers14]coder
	isFilled [layers14]bool
	channels [4]channel14
	current  uint8
}

func (p *point14) first(raw []byte) {
	var f fields14
	f.unpack(raw)
	for i := range p.channels {
		p.channels[i].isUsed = false
	}
	p.current = f.channel
	p.channels[p.current].first(&f, binary.LittleEndian.Uint64(raw[22:]))
}

// next decodes a point and returns its channel, which the other items follow.
func (p *point14) next(raw []byte) uint8 {
	c := &p.layers[layerXY]
	h := &p.channels[p.current]
	changed := c.symbol(&h.changed[h.last.pulse()], 128)
	if changed&channelChanged14 != 0 {
		h = p.change(c, h)
	}
	last := &h.last
	last.timeChanged = changed&timeChanged14 != 0
	h.decodeReturns(c, changed)
	h.position(c, p)
	h.attributes(p, changed)
	last.pack(raw)
	binary.LittleEndian.PutUint64(raw[22:30], h.time.time[h.time.sequence])
	return p.current
}

// pulse is the context of the first symbol: where in its pulse the point before
// was, and whether the time changed there.
func (f *fields14) pulse() uint32 {
	return isOne(f.number == 1) | isOne(f.number >= f.returns)<<1 | isOne(f.timeChanged)<<2
}

// change goes over to another scanner channel. One that was not met yet begins
// where the old one is.
func (p *point14) change(c *coder, h *channel14) *channel14 {
	p.current = (p.current + uint8(c.symbol(&h.channel, 3)) + 1) & 3
	to := &p.channels[p.current]
	if !to.isUsed {
		to.first(&h.last, h.time.time[h.time.sequence])
	}
	to.last.channel = p.current
	return to
}

func (h *channel14) decodeReturns(c *coder, changed uint32) {
	last := &h.last
	if changed&returnsChanged14 != 0 {
		last.returns = uint8(c.symbol(&h.returns[last.returns], 16))
	}
	switch changed & 3 {
	case 1:
		last.number = (last.number + 1) & 15
	case 2:
		last.number = (last.number - 1) & 15
	case 3:
		if last.timeChanged {
			last.number = uint8(c.symbol(&h.number[last.number], 16))
		} else {
			last.number = (last.number + uint8(c.symbol(&h.numberSame, 13)) + 2) & 15
		}
	}
}

// position decodes the coordinates as position of point10 does.
func (h *channel14) position(c *coder, p *point14) {
	last := &h.last
	single := isOne(last.returns == 1)
	m := returnContext14[last.returns][last.number]<<1 | uint8(isOne(last.timeChanged))
	d := h.dx.next(c, h.medianX[m].get(), single)
	h.medianX[m].add(d)
	last.x += d
	d = h.dy.next(c, h.medianY[m].get(), single+evenUpTo(h.dx.k, 20))
	h.medianY[m].add(d)
	last.y += d
	if p.isFilled[layerZ] {
		level := min(max(last.number, last.returns)-min(last.number, last.returns), 7)
		last.z = h.dz.next(&p.layers[layerZ], h.heightOld[level], single+evenUpTo((h.dx.k+h.dy.k)/2, 18))
		h.heightOld[level] = last.z
	}
}

func (h *channel14) attributes(p *point14, changed uint32) {
	last := &h.last
	pulse := isOne(last.number == 1)<<1 | isOne(last.number >= last.returns)
	if p.isFilled[layerClass] {
		m := &h.class[uint32(last.class&31)<<1|isOne(pulse == 3)]
		last.class = uint8(p.layers[layerClass].symbol(m, 256))
	}
	if p.isFilled[layerFlags] {
		v := p.layers[layerFlags].symbol(&h.flags[last.direction<<4|last.flags], 64)
		last.flags, last.direction = uint8(v&15), uint8(v>>4)
	}
	if p.isFilled[layerIntensity] {
		old := &h.intensityOld[pulse<<1|isOne(last.timeChanged)]
		*old = uint16(h.intensity.next(&p.layers[layerIntensity], int32(*old), pulse))
		last.intensity = *old
	}
	if p.isFilled[layerAngle] && changed&angleChanged14 != 0 {
		last.angle = int16(h.angle.next(&p.layers[layerAngle], int32(last.angle), isOne(last.timeChanged)))
	}
	if p.isFilled[layerUser] {
		last.user = uint8(p.layers[layerUser].symbol(&h.user[last.user/4], 256))
	}
	if p.isFilled[layerSource] && changed&sourceChanged14 != 0 {
		last.source = uint16(h.source.next(&p.layers[layerSource], int32(last.source), 0))
	}
	if p.isFilled[layerTime] && last.timeChanged {
		h.time.next(&p.layers[layerTime])
	}
}
