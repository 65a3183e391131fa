package laz

import "math"

// highBits is how many leading bits of a correction have a model of their own;
// the rest of the bits are taken as equally probable.
const highBits = 8

// integer decodes whole numbers as corrections of a prediction: first how many
// bits the correction has, in a model by context, then the correction itself.
// After M. Isenburg, LASzip: lossless compression of lidar data,
// Photogrammetric Engineering & Remote Sensing 79 (2013), 209-217.
type integer struct {
	width    uint32 // bits of a number: 16 or 32
	k        uint32 // bits of the newest correction; a context for other fields
	sizes    []model
	zero     bitModel
	correct  [32]model
	contexts int
}

func (n *integer) reset(width uint32, contexts int) {
	n.width, n.k, n.contexts = width, 0, contexts
	n.zero = bitModel{}
	n.sizes = grown(n.sizes, contexts)
	forget(n.correct[:])
}

// next returns the number whose prediction is given, modulo 2^width: as int32
// for a width of 32, and from 0 to 65535 for 16.
func (n *integer) next(c *coder, prediction int32, context uint32) int32 {
	v := prediction + n.correction(c, context)
	if n.width < 32 {
		v &= 1<<n.width - 1
	}
	return v
}

func (n *integer) correction(c *coder, context uint32) int32 {
	k := c.symbol(&n.sizes[context], int(n.width)+1)
	n.k = k
	switch {
	case k == 0:
		return int32(c.bit(&n.zero))
	case k >= 32:
		return math.MinInt32
	}
	v := c.symbol(&n.correct[k], 1<<min(k, highBits))
	if k > highBits {
		rest := k - highBits
		v = v<<rest | c.bits(rest)
	}
	// Of the 2^k corrections of k bits the lower half are the negative ones; the
	// values between them have fewer bits.
	if v >= 1<<(k-1) {
		return int32(v + 1)
	}
	return int32(v) - (1<<k - 1)
}
