package format

import "math"

// shade turns a channel of colour as files keep it into a byte. Some keep 0 to
// 1, some 0 to 255, some 0 to 65535, and a type alone does not tell.
type shade struct {
	most float64 // full brightness so far: 1, 255 or 65535
}

// of returns the byte of one channel; what is negative or not a number is dark.
// A value beyond full brightness tells that the next larger range is meant, from
// there on: earlier points keep what they got.
func (s *shade) of(v float64) uint8 {
	if v > s.most {
		s.most = fullFor(v)
	}
	if !(v > 0) {
		return 0
	}
	return uint8(math.Round(255 * min(1, v/s.most)))
}

// fullFor returns the smallest usual range that a value fits in, or the largest.
func fullFor(v float64) float64 {
	switch {
	case v <= 1:
		return 1
	case v <= 255:
		return 255
	default:
		return 65535
	}
}
