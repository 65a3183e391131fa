package e57

import (
	"encoding/binary"
	"math"
)

// stream is the bit stream of one field as far as it was read: bytes come in
// with each packet, values go out. A value may straddle packets.
type stream struct {
	field *Field
	width uint   // bits a value
	buf   []byte // what came in, followed by slack
	have  int    // bytes of buf that came in
	bit   int    // first bit of buf that did not go out
}

// slack behind a stream's bytes lets the last value be loaded with its
// neighbours: 64 bits from any bit on lie in 9 bytes.
const slack = 9

// mostPending bounds the bytes of one stream that wait for the others. Fields
// may be out of step by some records in a packet, not by files.
const mostPending = 16 << 20

// add appends a packet's piece of the stream.
func (s *stream) add(piece []byte) error {
	if used := s.bit / 8; 2*used >= s.have { // so that no byte is moved more often than others leave
		s.have = copy(s.buf, s.buf[used:s.have])
		s.bit -= 8 * used
	}
	need := s.have + len(piece) + slack
	if need > mostPending {
		return broken("the stream of %s runs ahead of the others by %d MiB", clip(s.field.Name), mostPending>>20)
	}
	if need > len(s.buf) {
		bigger := make([]byte, max(need, 2*len(s.buf)))
		copy(bigger, s.buf[:s.have])
		s.buf = bigger
	}
	s.have += copy(s.buf[s.have:], piece)
	return nil
}

// ready returns how many values can go out.
func (s *stream) ready() int {
	if s.width == 0 {
		return math.MaxInt
	}
	return (8*s.have - s.bit) / int(s.width)
}

// take fills dst with the next values; that many must be ready.
func (s *stream) take(dst []float64) {
	f := s.field
	switch {
	case f.Kind == Single:
		takeSingles(dst, s.buf[s.bit/8:])
	case f.Kind == Double:
		takeDoubles(dst, s.buf[s.bit/8:])
	case s.width == 0:
		value := float64(float64(f.Min)*f.Scale) + f.Offset
		for i := range dst {
			dst[i] = value
		}
	case s.width <= 56:
		unpack(dst, s.buf, s.bit, s.width, f)
	default:
		unpackWide(dst, s.buf, s.bit, s.width, f)
	}
	s.bit += len(dst) * int(s.width)
}

func takeSingles(dst []float64, buf []byte) {
	buf = buf[:4*len(dst)]
	for i := range dst {
		dst[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(buf[4*i:])))
	}
}

func takeDoubles(dst []float64, buf []byte) {
	buf = buf[:8*len(dst)]
	for i := range dst {
		dst[i] = math.Float64frombits(binary.LittleEndian.Uint64(buf[8*i:]))
	}
}

// unpack takes whole numbers of at most 56 bits: wherever one begins in a byte,
// eight bytes hold it. The products are rounded before the offset is added, so
// that every machine gives the same numbers.
func unpack(dst []float64, buf []byte, bit int, width uint, f *Field) {
	mask := uint64(1)<<width - 1
	low, scale, offset := f.Min, f.Scale, f.Offset
	for i := range dst {
		raw := binary.LittleEndian.Uint64(buf[bit>>3:]) >> (bit & 7) & mask
		dst[i] = float64(float64(int64(raw)+low)*scale) + offset
		bit += int(width)
	}
}

// unpackWide is unpack for more bits, which may lie in nine bytes.
func unpackWide(dst []float64, buf []byte, bit int, width uint, f *Field) {
	mask := uint64(math.MaxUint64) >> (64 - width)
	low, scale, offset := f.Min, f.Scale, f.Offset
	for i := range dst {
		at, into := bit>>3, bit&7
		raw := binary.LittleEndian.Uint64(buf[at:])>>into | uint64(buf[at+8])<<(64-into)
		dst[i] = float64(float64(int64(raw&mask)+low)*scale) + offset
		bit += int(width)
	}
}
