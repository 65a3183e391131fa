package laz

import "encoding/binary"

// Bits of the first symbol of a point, POINT10: which of its fields differ from
// the point before.
const (
	sourceChanged10 = 1 << iota
	userChanged10
	angleChanged10
	classChanged10
	intensityChanged10
	flagsChanged10
)

// returnContext10 gives the context of a point by its number of returns and its
// return number: 15 of the 16 tell the usual combinations apart.
var returnContext10 = [8][8]uint8{
	{15, 14, 13, 12, 11, 10, 9, 8},
	{14, 0, 1, 3, 6, 10, 10, 9},
	{13, 1, 2, 4, 7, 11, 11, 10},
	{12, 3, 4, 5, 8, 12, 12, 11},
	{11, 6, 7, 8, 9, 13, 13, 12},
	{10, 10, 11, 12, 13, 14, 14, 13},
	{9, 10, 11, 12, 13, 14, 15, 14},
	{8, 9, 10, 11, 12, 13, 14, 15},
}

// median keeps five values whose middle one stands for the median of the newest:
// a value in is put in order, and the smallest or the largest falls out in turn.
type median struct {
	v      [5]int32
	isDown bool // whether the smallest falls out next
}

func (m *median) get() int32 { return m.v[2] }

func (m *median) add(x int32) {
	v := &m.v
	if m.isDown {
		m.addUp(x)
		return
	}
	switch {
	case x < v[0]:
		v[4], v[3], v[2], v[1], v[0] = v[3], v[2], v[1], v[0], x
	case x < v[1]:
		v[4], v[3], v[2], v[1] = v[3], v[2], v[1], x
	case x < v[2]:
		v[4], v[3], v[2] = v[3], v[2], x
	case x < v[3]:
		v[4], v[3] = v[3], x
		m.isDown = true
	default:
		v[4] = x
		m.isDown = true
	}
}

func (m *median) addUp(x int32) {
	v := &m.v
	switch {
	case x > v[4]:
		v[0], v[1], v[2], v[3], v[4] = v[1], v[2], v[3], v[4], x
	case x > v[3]:
		v[0], v[1], v[2], v[3] = v[1], v[2], v[3], x
	case x > v[2]:
		v[0], v[1], v[2] = v[1], v[2], x
	case x > v[1]:
		v[0], v[1] = v[1], x
		m.isDown = false
	default:
		v[0] = x
		m.isDown = false
	}
}

// point10 decodes the 20 bytes that the point formats 0 to 5 begin with.
type point10 struct {
	x, y, z      int32
	last         [20]byte // the fields behind the coordinates; intensity apart
	changed      model
	flags        []model // by the old value, as are the next two
	class        []model
	user         []model
	angle        []model // by direction of the scan
	intensity    integer
	source       integer
	dx, dy, dz   integer
	medianX      [16]median
	medianY      [16]median
	intensityOld [16]int32
	heightOld    [8]int32
}

func (p *point10) first(raw []byte) {
	copy(p.last[:], raw)
	p.last[12], p.last[13] = 0, 0
	p.x, p.y, p.z = load(raw[0:]), load(raw[4:]), load(raw[8:])
	p.changed.left = 0
	p.flags, p.class, p.user = grown(p.flags, 256), grown(p.class, 256), grown(p.user, 256)
	p.angle = grown(p.angle, 2)
	p.intensity.reset(16, 4)
	p.source.reset(16, 1)
	p.dx.reset(32, 2)
	p.dy.reset(32, 22)
	p.dz.reset(32, 20)
	p.medianX, p.medianY = [16]median{}, [16]median{}
	p.intensityOld, p.heightOld = [16]int32{}, [8]int32{}
}

func load(b []byte) int32 { return int32(binary.LittleEndian.Uint32(b)) }

func store(b []byte, v int32) { binary.LittleEndian.PutUint32(b, uint32(v)) }

func (p *point10) next(c *coder, raw []byte) {
	raw = raw[:20]
	changed := c.symbol(&p.changed, 64)
	if changed&flagsChanged10 != 0 {
		p.last[14] = byte(c.symbol(&p.flags[p.last[14]], 256))
	}
	number, returns := p.last[14]&7, p.last[14]>>3&7
	m := returnContext10[returns][number]
	if changed != 0 {
		p.rest(c, changed, m)
	}
	copy(raw[12:], p.last[12:])
	p.position(c, m, max(number, returns)-min(number, returns), isOne(returns == 1))
	store(raw[0:], p.x)
	store(raw[4:], p.y)
	store(raw[8:], p.z)
}

func isOne(b bool) uint32 {
	if b {
		return 1
	}
	return 0
}

// rest decodes the changed fields behind the flags. m is the context of the
// point's returns.
func (p *point10) rest(c *coder, changed uint32, m uint8) {
	if changed&intensityChanged10 != 0 {
		p.intensityOld[m] = p.intensity.next(c, p.intensityOld[m], uint32(min(m, 3)))
	}
	binary.LittleEndian.PutUint16(p.last[12:], uint16(p.intensityOld[m]))
	if changed&classChanged10 != 0 {
		p.last[15] = byte(c.symbol(&p.class[p.last[15]], 256))
	}
	if changed&angleChanged10 != 0 {
		p.last[16] += byte(c.symbol(&p.angle[p.last[14]>>6&1], 256))
	}
	if changed&userChanged10 != 0 {
		p.last[17] = byte(c.symbol(&p.user[p.last[17]], 256))
	}
	if changed&sourceChanged10 != 0 {
		old := int32(binary.LittleEndian.Uint16(p.last[18:]))
		binary.LittleEndian.PutUint16(p.last[18:], uint16(p.source.next(c, old, 0)))
	}
}

// position decodes the coordinates: x and y as steps near the median of the
// newest five, z near the height of the newest point of the same return level.
// How many bits the corrections of x took is a context for y, both are for z.
func (p *point10) position(c *coder, m, level uint8, single uint32) {
	d := p.dx.next(c, p.medianX[m].get(), single)
	p.medianX[m].add(d)
	p.x += d
	d = p.dy.next(c, p.medianY[m].get(), single+evenUpTo(p.dx.k, 20))
	p.medianY[m].add(d)
	p.y += d
	p.z = p.dz.next(c, p.heightOld[level], single+evenUpTo((p.dx.k+p.dy.k)/2, 18))
	p.heightOld[level] = p.z
}

// evenUpTo rounds down to an even number, at most the limit.
func evenUpTo(k, limit uint32) uint32 { return min(k&^1, limit) }
