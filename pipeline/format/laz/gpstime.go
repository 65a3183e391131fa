package laz

// How a time step relates to the step before: a multiple from −10 to 500 of it,
// or one of the codes that follow.
const (
	multiMax  = 500
	multiMin  = -10
	multiples = multiMax - multiMin + 1
	// mostExtremes steps in a row that are no multiple make the newest one the
	// step of the sequence.
	mostExtremes = 3
)

// gpsTime decodes times as up to four interleaved sequences of nearly constant
// steps. The two versions of the format differ in one code only: of POINT10
// files a time that is unchanged has a code of its own (unchanged = 1), in
// POINT14 files it is not coded at all (0).
type gpsTime struct {
	unchanged  uint32
	multi      model
	zeroStep   model // where the step before was 0
	step       integer
	sequence   uint32 // the current of the four, and below the newest opened
	opened     uint32
	time       [4]uint64 // bits of a float64
	lastStep   [4]int32
	extremes   [4]uint8
	isConfused bool // a stream that jumps between sequences for ever is damaged
}

func (g *gpsTime) first(bits uint64, unchanged uint32) {
	g.unchanged = unchanged
	g.multi.left, g.zeroStep.left = 0, 0
	g.step.reset(32, 9)
	g.sequence, g.opened, g.isConfused = 0, 0, false
	g.time, g.lastStep, g.extremes = [4]uint64{bits}, [4]int32{}, [4]uint8{}
}

// mostJumps bounds how often a time may jump to another sequence. An encoder jumps
// once at most; the format itself sets no bound, and damage could jump for ever.
const mostJumps = 64

// next returns the bits of the next time.
func (g *gpsTime) next(c *coder) uint64 {
	for range mostJumps {
		if g.advance(c) {
			return g.time[g.sequence]
		}
	}
	g.isConfused = true
	return g.time[g.sequence]
}

// advance decodes one code; false means that it was a jump to another sequence.
func (g *gpsTime) advance(c *coder) bool {
	s := g.sequence
	if g.lastStep[s] == 0 {
		return g.fromZero(c)
	}
	full := multiples + g.unchanged
	code := c.symbol(&g.multi, int(full)+4)
	switch {
	case code > full:
		g.sequence = (s + code - full) & 3
		return false
	case code == full:
		g.open(c)
	case code == 1:
		g.time[s] += uint64(int64(g.step.next(c, g.lastStep[s], 1)))
		g.extremes[s] = 0
	case code < multiples:
		g.time[s] += uint64(int64(g.multiple(c, int32(code))))
	}
	return true
}

// fromZero is advance where the step before was 0.
func (g *gpsTime) fromZero(c *coder) bool {
	s := g.sequence
	code := c.symbol(&g.zeroStep, 5+int(g.unchanged))
	if code < g.unchanged {
		return true
	}
	switch code -= g.unchanged; code {
	case 0:
		g.lastStep[s] = g.step.next(c, 0, 0)
		g.time[s] += uint64(int64(g.lastStep[s]))
		g.extremes[s] = 0
	case 1:
		g.open(c)
	default:
		g.sequence = (s + code - 1) & 3
		return false
	}
	return true
}

// open begins a new sequence with a time far from the current one.
func (g *gpsTime) open(c *coder) {
	high := g.step.next(c, int32(g.time[g.sequence]>>32), 8)
	g.opened = (g.opened + 1) & 3
	g.sequence = g.opened
	g.time[g.opened] = uint64(uint32(high))<<32 | uint64(c.bits(32))
	g.lastStep[g.opened], g.extremes[g.opened] = 0, 0
}

// multiple decodes a step that is about a multiple of the one before.
func (g *gpsTime) multiple(c *coder, code int32) int32 {
	s := g.sequence
	last := g.lastStep[s]
	var step int32
	isExtreme := true
	switch {
	case code == 0:
		step = g.step.next(c, 0, 7)
	case code < 10:
		step, isExtreme = g.step.next(c, code*last, 2), false
	case code < multiMax:
		step, isExtreme = g.step.next(c, code*last, 3), false
	case code == multiMax:
		step = g.step.next(c, multiMax*last, 4)
	case multiMax-code > multiMin:
		step, isExtreme = g.step.next(c, (multiMax-code)*last, 5), false
	default:
		step = g.step.next(c, multiMin*last, 6)
	}
	if isExtreme {
		g.extremes[s]++
		if g.extremes[s] > mostExtremes {
			g.lastStep[s], g.extremes[s] = step, 0
		}
	}
	return step
}
