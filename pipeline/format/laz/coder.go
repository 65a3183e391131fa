package laz

import "slices"

// Constants of the coder: A. Said, Introduction to Arithmetic Coding - Theory
// and Practice (HP Laboratories, HPL-2004-76), §4, with the 32-bit interval and
// the precisions that the LAZ format fixes.
const (
	intervalMin = 1 << 24 // an interval below this is widened by a byte
	bitShift    = 13      // precision of the probability of a bit
	symbolShift = 15      // precision of the probability of a symbol
)

// coder is an arithmetic decoder over one run of bytes.
type coder struct {
	in            []byte
	at            int // bytes asked for; more than there are means damage
	value, length uint32
	isLost        bool // a value was met that no encoder writes
}

func (c *coder) start(in []byte) {
	*c = coder{in: in, length: 1<<32 - 1}
	for range 4 {
		c.value = c.value<<8 | c.take()
	}
}

// take returns the next byte, or 0 after the end: whether the end was passed is
// asked once a point, not once a byte.
func (c *coder) take() uint32 {
	var b uint32
	if c.at < len(c.in) {
		b = uint32(c.in[c.at])
	}
	c.at++
	return b
}

func (c *coder) overran() bool { return c.isLost || c.at > len(c.in) }

// isSpent reports whether exactly all bytes were used. The coder's closing bytes
// are chosen such that a decoder in step has then read the last of them, which
// makes this the format's only check sum: decoding that went astray ends
// elsewhere.
func (c *coder) isSpent() bool { return !c.isLost && c.at == len(c.in) }

func (c *coder) widen() {
	for c.length < intervalMin {
		c.value = c.value<<8 | c.take()
		c.length <<= 8
	}
}

// bits reads n ≤ 32 bits of equal probability.
func (c *coder) bits(n uint32) uint32 {
	if n > 19 { // the interval is too coarse for more at once
		low := c.bits(16)
		return c.bits(n-16)<<16 | low
	}
	c.length >>= n
	v := c.value / c.length
	c.value -= v * c.length
	if v>>n != 0 { // beyond the last of the 2^n equal parts
		c.isLost = true
	}
	c.widen()
	return v
}

func (c *coder) long() uint64 {
	low := c.bits(32)
	return uint64(c.bits(32))<<32 | uint64(low)
}

// bitModel is the adaptive probability of a bit.
type bitModel struct {
	zero, all   uint32 // counts; all = 0 before first use
	cycle, left uint32
	probability uint32 // of a zero
}

func (c *coder) bit(m *bitModel) uint32 {
	if m.all == 0 {
		*m = bitModel{zero: 1, all: 2, cycle: 4, left: 4, probability: 1 << (bitShift - 1)}
	}
	var v uint32
	if x := m.probability * (c.length >> bitShift); c.value < x {
		c.length = x
		m.zero++
	} else {
		c.value -= x
		c.length -= x
		v = 1
	}
	c.widen()
	m.left--
	if m.left == 0 {
		m.update()
	}
	return v
}

func (m *bitModel) update() {
	m.all += m.cycle
	if m.all > 1<<bitShift {
		m.all = (m.all + 1) >> 1
		m.zero = (m.zero + 1) >> 1
		if m.zero == m.all {
			m.all++
		}
	}
	m.probability = m.zero * (1 << 31 / m.all) >> (31 - bitShift)
	m.cycle = min(5*m.cycle>>2, 64)
	m.left = m.cycle
}

// model is the adaptive distribution of the symbols 0 … n−1. It is set up at its
// first use: of the hundreds of models of a record most are never met.
type model struct {
	count []uint16
	below []uint16 // scaled count of all symbols before; n+1 values, the last a sentinel
	guess []uint16 // by the leading bits of a scaled count: the symbol there or one before
	shift uint32   // how many bits to drop for that
	total uint32
	cycle uint32
	left  uint32 // symbols until the next update; 0 = not set up
}

func (m *model) setUp(n int) {
	bits := uint32(3)
	for n > 1<<(bits+2) {
		bits++
	}
	size := 1 << bits
	if len(m.count) != n {
		all := make([]uint16, 2*n+1+size)
		m.count, m.below, m.guess = all[:n:n], all[n:2*n+1:2*n+1], all[2*n+1:]
	}
	for i := range m.count {
		m.count[i] = 1
	}
	m.shift = symbolShift - bits
	m.total, m.cycle = 0, uint32(n)
	m.update()
	m.cycle = uint32(n+6) >> 1
	m.left = m.cycle
}

func (m *model) update() {
	m.total += m.cycle
	if m.total > 1<<symbolShift {
		m.total = 0
		for i, c := range m.count {
			m.count[i] = (c + 1) >> 1
			m.total += uint32(m.count[i])
		}
	}
	m.spread()
	n := len(m.count)
	m.cycle = min(5*m.cycle>>2, uint32(n+6)<<3)
	m.left = m.cycle
}

// spread computes the distribution from the counts.
func (m *model) spread() {
	n := len(m.count)
	scale := 1 << 31 / m.total
	sum, filled := uint32(0), 0
	below, guess := m.below[:n], m.guess
	for i, c := range m.count {
		b := scale * sum >> (31 - symbolShift)
		below[i] = uint16(b)
		sum += uint32(c)
		for slot := int((b + 1<<m.shift - 1) >> m.shift); filled < slot && filled < len(guess); filled++ {
			guess[filled] = uint16(i - 1)
		}
	}
	for ; filled < len(guess); filled++ {
		guess[filled] = uint16(n - 1)
	}
	m.below[n] = 1<<16 - 1
}

// symbol reads one of n symbols.
func (c *coder) symbol(m *model, n int) uint32 {
	if m.left == 0 {
		m.setUp(n)
	}
	part := c.length >> symbolShift
	v := c.value / part
	s := uint32(m.guess[min(v>>m.shift, uint32(len(m.guess)-1))])
	below := m.below
	for v >= uint32(below[s+1]) {
		s++
	}
	x := uint32(below[s]) * part
	c.value -= x
	if int(s) == len(m.count)-1 {
		c.length -= x
	} else {
		c.length = uint32(below[s+1])*part - x
	}
	if c.length < intervalMin {
		c.widen()
	}
	m.count[s]++
	m.left--
	if m.left == 0 {
		m.update()
	}
	return s
}

// forget makes the models as if they were never used, and keeps their memory.
func forget(models []model) {
	for i := range models {
		models[i].left = 0
	}
}

// grown returns models with room for n, all of them unused.
func grown(models []model, n int) []model {
	if len(models) < n {
		models = slices.Grow(models, n-len(models))[:n]
	}
	forget(models)
	return models
}
