package format

// unpackLZF fills dst from LZF data: runs of literal bytes, and references of
// three bits of length and thirteen of distance, or a further byte of length
// where those are all set. After M. Lehmann's public description of LibLZF (from
// memory). Data that does not fill dst exactly is broken.
func unpackLZF(dst, src []byte) error {
	bad := func() error { return broken("the compressed PCD data is damaged") }
	at, i := 0, 0
	for i < len(src) {
		control := int(src[i])
		i++
		if control < 32 {
			n := control + 1
			if i+n > len(src) || at+n > len(dst) {
				return bad()
			}
			if i+32 <= len(src) && at+32 <= len(dst) { // a fixed length is faster; the surplus is overwritten
				*(*[32]byte)(dst[at:]) = [32]byte(src[i:])
			} else {
				copy(dst[at:], src[i:i+n])
			}
			at, i = at+n, i+n
			continue
		}
		n := control>>5 + 2
		if control>>5 == 7 {
			if i >= len(src) {
				return bad()
			}
			n += int(src[i])
			i++
		}
		if i >= len(src) {
			return bad()
		}
		from := at - (control&31)<<8 - int(src[i]) - 1
		i++
		if from < 0 || at+n > len(dst) {
			return bad()
		}
		repeat(dst[from:at+n], at-from)
		at += n
	}
	if at != len(dst) {
		return bad()
	}
	return nil
}

// repeat fills what follows the first distance bytes of v with what stands that
// far before: bytes may refer to those just written.
func repeat(v []byte, distance int) {
	if distance >= len(v)-distance {
		copy(v[distance:], v)
		return
	}
	for i := distance; i < len(v); i++ {
		v[i] = v[i-distance]
	}
}
