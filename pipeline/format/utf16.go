package format

import (
	"bytes"

	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// recode lets text in UTF-16, which some programs call "Unicode text", be read as
// the text it is. Only a byte-order mark declares it. A binary STL may begin with
// any bytes and is told by its structure.
func (r *Reader) recode() {
	head := r.src.peek(min(detectHead, len(r.src.buf)))
	little, big := bytes.HasPrefix(head, []byte{0xff, 0xfe}), bytes.HasPrefix(head, []byte{0xfe, 0xff})
	if !little && !big || isBinarySTL(head, r.src.size) {
		return
	}
	order := unicode.LittleEndian
	if big {
		order = unicode.BigEndian
	}
	text := transform.NewReader(r.src.rest(), unicode.UTF16(order, unicode.ExpectBOM).NewDecoder())
	r.src = newSource(text, Unsaid)
	r.about.note("The file is text in UTF-16.")
}
