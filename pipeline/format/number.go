package format

import (
	"math"
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
// Plain decimals take the exact fast path of W. Clinger, How to Read Floating
// Point Numbers Accurately (1990): below 2^53 a mantissa times or by a power of
// ten up to 10^22 rounds once. Everything else goes to strconv.
func number(b []byte) (v float64, rest []byte, ok bool) {
	b = skipBlanks(b)
	var mantissa uint64
	digits, point, i := 0, -1, 0
	negative := len(b) > 0 && b[0] == '-'
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		i = 1
	}
	for ; i < len(b); i++ {
		c := b[i]
		if d := c - '0'; d <= 9 {
			mantissa = 10*mantissa + uint64(d)
			digits++
			continue
		}
		if c != '.' || point >= 0 {
			break
		}
		point = digits
	}
	if digits == 0 || digits > 15 || i < len(b) && !isBlank(b[i]) {
		return slowNumber(b)
	}
	v = float64(mantissa)
	if point >= 0 {
		v /= powersOfTen[digits-point]
	}
	if negative {
		v = -v
	}
	return v, b[i:], true
}

func slowNumber(b []byte) (v float64, rest []byte, ok bool) {
	w, rest := word(b)
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
