package laz

import "encoding/binary"

// pointwise decodes a chunk in which one point follows the other.
type pointwise struct {
	coder     coder
	point     point10
	time      gpsTime
	colour    colour
	wave      wave
	lastWave  [waveSize]byte
	extra     []model
	lastExtra []byte
	// Where the items lie in a record; −1 is none.
	timeAt, colourAt, waveAt, extraAt int
	lastColour                        [6]byte
}

func newPointwise(s *Scheme) *pointwise {
	p := &pointwise{timeAt: -1, colourAt: -1, waveAt: -1, extraAt: -1}
	at := 0
	for _, it := range s.items {
		switch it.kind {
		case kindTime11:
			p.timeAt = at
		case kindRGB12:
			p.colourAt = at
		case kindWave13:
			p.waveAt = at
		case kindByte:
			p.extraAt = at
			p.lastExtra = make([]byte, it.size)
		default: // the point itself, and what the layered way alone has
		}
		at += it.size
	}
	return p
}

// first takes the first point as it is and starts the coder behind it.
func (p *pointwise) first(chunk, raw []byte) error {
	if len(chunk) < len(raw)+4 {
		return damaged("a chunk of %d bytes is too short for its first point", len(chunk))
	}
	copy(raw, chunk)
	p.coder.start(chunk[len(raw):])
	p.point.first(raw)
	if p.timeAt >= 0 {
		p.time.first(binary.LittleEndian.Uint64(raw[p.timeAt:]), 1)
	}
	if p.colourAt >= 0 {
		p.colour.reset()
		copy(p.lastColour[:], raw[p.colourAt:])
	}
	if p.waveAt >= 0 {
		p.wave.reset()
		copy(p.lastWave[:], raw[p.waveAt:])
	}
	if p.extraAt >= 0 {
		p.extra = grown(p.extra, len(p.lastExtra))
		copy(p.lastExtra, raw[p.extraAt:])
	}
	return nil
}

func (p *pointwise) next(raw []byte) {
	c := &p.coder
	p.point.next(c, raw)
	if p.timeAt >= 0 {
		binary.LittleEndian.PutUint64(raw[p.timeAt:], p.time.next(c))
	}
	if p.colourAt >= 0 {
		nextColour(&p.colour, c, p.lastColour[:])
		copy(raw[p.colourAt:], p.lastColour[:])
	}
	if p.waveAt >= 0 {
		p.wave.next(c, &p.lastWave)
		copy(raw[p.waveAt:], p.lastWave[:])
	}
	if p.extraAt >= 0 {
		for i := range p.lastExtra {
			p.lastExtra[i] += byte(c.symbol(&p.extra[i], 256))
		}
		copy(raw[p.extraAt:], p.lastExtra)
	}
}

// check looks for signs of damage; at the end of a chunk whose size is known its
// bytes must be used up.
func (p *pointwise) check(isEnd bool) error {
	switch {
	case p.time.isConfused:
		return errConfused
	case p.coder.overran(), isEnd && !p.coder.isSpent():
		return errAstray
	}
	return nil
}
