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
			copy(dst[at:], src[i:i+n])
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
		for k := range n { // bytes may refer to those just written
			dst[at+k] = dst[from+k]
		}
		at += n
	}
	if at != len(dst) {
		return bad()
	}
	return nil
}
