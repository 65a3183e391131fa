package format

import (
	"math"
	"math/bits"
	"strconv"
	"strings"
)

// powersOfTen are exact in a float64 up to 10^22.
var powersOfTen = [...]float64{
	1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
}

func isBlank(c byte) bool { return c == ' ' || c == '\t' || c == '\r' || c == '\v' || c == '\f' }

func skipBlanks(b []byte) []byte {
	for len(b) > 0 && isBlank(b[0]) {
		b = b[1:]
	}
	return b
}

// word splits the first blank-separated word off b; it is empty at the end.
func word(b []byte) (first, rest []byte) {
	b = skipBlanks(b)
	for i, c := range b {
		if isBlank(c) {
			return b[:i], b[i:]
		}
	}
	return b, nil
}

// number reads the first word of b as a decimal number, correctly rounded, and
// returns what follows it. ok is false where there is no word or no number.
//
// Up to 19 digits are gathered as an integer, which decimal then rounds once;
// everything else goes to strconv.
func number(b []byte) (v float64, rest []byte, ok bool) {
	b = skipBlanks(b)
	i := 0
	negative := len(b) > 0 && b[0] == '-'
	if negative || len(b) > 0 && b[0] == '+' {
		i = 1
	}
	mantissa, digits, exponent, n := mantissaOf(b[i:])
	i += n
	if i < len(b) && b[i]|0x20 == 'e' {
		power, n := exponentOf(b[i:])
		exponent, i = exponent+power, i+n
	}
	if digits == 0 || digits > 19 || i < len(b) && !isBlank(b[i]) {
		return slowNumber(b)
	}
	if v, ok = decimal(mantissa, exponent); !ok {
		return slowNumber(b)
	}
	if negative {
		v = -v
	}
	return v, b[i:], true
}

// mantissaOf gathers the digits before and behind a point as one integer, and
// returns it with their number, the power of ten that it is to be taken times, and
// the length of the text.
func mantissaOf(b []byte) (mantissa uint64, digits, exponent, length int) {
	i := 0
	for ; i < len(b) && b[i]-'0' <= 9; i++ {
		mantissa = 10*mantissa + uint64(b[i]-'0')
	}
	if i == len(b) || b[i] != '.' {
		return mantissa, i, 0, i
	}
	whole := i
	for i++; i < len(b) && b[i]-'0' <= 9; i++ {
		mantissa = 10*mantissa + uint64(b[i]-'0')
	}
	return mantissa, i - 1, whole + 1 - i, i
}

// exponentOf reads "e-12" and returns its value and length, 0 and 0 where it is
// none or has more than three digits.
func exponentOf(b []byte) (power, length int) {
	i := 1
	negative := len(b) > 1 && b[1] == '-'
	if negative || len(b) > 1 && b[1] == '+' {
		i = 2
	}
	from := i
	for ; i < len(b) && b[i]-'0' <= 9; i++ {
		if i-from == 3 {
			return 0, 0
		}
		power = 10*power + int(b[i]-'0')
	}
	if i == from {
		return 0, 0
	}
	if negative {
		power = -power
	}
	return power, i
}

// decimal returns mantissa·10^exponent, correctly rounded, or ok false where the
// two ways that it knows do not reach. Below 2^53 a mantissa times or by a power
// of ten up to 10^22 rounds once (W. Clinger, How to Read Floating Point Numbers
// Accurately, 1990). A longer one is divided as a 128-bit integer, which leaves
// the exact quotient's first 63 bits and whether there is more.
func decimal(mantissa uint64, exponent int) (v float64, ok bool) {
	switch {
	case exponent == 0:
		return float64(mantissa), true
	case mantissa < 1<<53 && -22 <= exponent && exponent < 0:
		return float64(mantissa) / powersOfTen[-exponent], true
	case mantissa < 1<<53 && 0 < exponent && exponent <= 22:
		return float64(mantissa) * powersOfTen[exponent], true
	case mantissa >= 1<<53 && -19 <= exponent && exponent < 0:
		return quotient(mantissa, uint64(powersOfTen[-exponent])), true
	}
	return 0, false
}

// quotient returns m/d, correctly rounded, for m of at least 54 bits and d up to
// 10^19, of which every power of ten is exact in a float64 and in 64 bits.
func quotient(m, d uint64) float64 {
	shiftM, shiftD := bits.LeadingZeros64(m), bits.LeadingZeros64(d)
	m, d = m<<shiftM, d<<shiftD
	// m/2 is below d, so that the quotient of m·2^63 by d fits into 64 bits, and
	// has at least 63 of them.
	q, r := bits.Div64(m>>1, m<<63, d)
	if r != 0 {
		q |= 1 // below the 53 bits that stay and the one that decides: only breaks ties
	}
	return math.Ldexp(float64(q), shiftD-shiftM-63)
}

func slowNumber(b []byte) (v float64, rest []byte, ok bool) {
	w, rest := word(b)
	if len(w) == 3 && w[0]|0x20 == 'n' && w[1]|0x20 == 'a' && w[2]|0x20 == 'n' {
		return math.NaN(), rest, true // many of them stand in grids with gaps
	}
	v, ok = parseNumber(string(w))
	return v, rest, ok
}

// parseNumber reads what strconv reads and the spellings of "not a number" that
// C libraries print, such as -nan, nan(ind) and 1.#QNAN.
func parseNumber(s string) (float64, bool) {
	v, err := strconv.ParseFloat(s, 64)
	if err == nil || math.IsInf(v, 0) {
		return v, true
	}
	bare := strings.ToLower(strings.TrimLeft(s, "+-"))
	if strings.HasPrefix(bare, "nan") || strings.HasPrefix(bare, "1.#") {
		return math.NaN(), true
	}
	return 0, false
}
