package e57

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"
	"strings"
)

// Files made by hand, so that a test can say each byte of them.

// seal cuts content into pages with right checksums and, where it is long enough
// for a header, sets the length that the header promises.
func seal(content []byte) []byte {
	content = slices.Clone(content)
	if len(content) >= headerSize {
		n := (len(content) + payload - 1) / payload * pageSize
		binary.LittleEndian.PutUint64(content[16:], uint64(n))
	}
	var b bytes.Buffer
	p := pageWriter{w: &b}
	p.put(content)
	if err := p.close(); err != nil {
		panic(err) // a bytes.Buffer takes all
	}
	return b.Bytes()
}

// unseal returns the payload of all whole pages.
func unseal(raw []byte) []byte {
	var out []byte
	for ; len(raw) >= pageSize; raw = raw[pageSize:] {
		out = append(out, raw[:payload]...)
	}
	return out
}

const xmlHead = `<?xml version="1.0" encoding="UTF-8"?><e57Root type="Structure" xmlns="http://www.astm.org/COMMIT/E57/2010-e57-v1.0">`

// withXML is a sealed file of this XML and, from byte 48 on, these bytes.
func withXML(text string, sections ...byte) []byte {
	for len(sections)%4 != 0 {
		sections = append(sections, 0)
	}
	at := int64(headerSize + len(sections))
	return seal(slices.Concat(fileHeader(at, int64(len(text))), sections, []byte(text)))
}

// description is the XML of one scan with these points.
func description(records any, prototype string) string {
	return fmt.Sprintf(xmlHead+`<data3D type="Vector"><vectorChild type="Structure"><points type="CompressedVector" fileOffset="48" recordCount="%v">
<prototype type="Structure">%s</prototype><codecs type="Vector"/></points></vectorChild></data3D></e57Root>`, records, prototype)
}

// oneScan is a file of one scan with the section at byte 48: these packets.
func oneScan(records any, prototype string, packets ...[]byte) []byte {
	return withXML(description(records, prototype), section(packets...)...)
}

func section(packets ...[]byte) []byte {
	all := slices.Concat(packets...)
	h := make([]byte, sectionHeader)
	h[0] = sectionPoints
	binary.LittleEndian.PutUint64(h[8:], uint64(sectionHeader+len(all)))
	binary.LittleEndian.PutUint64(h[16:], headerSize+sectionHeader)
	return append(h, all...)
}

// dataPacket is a packet of these streams.
func dataPacket(streams ...[]byte) []byte {
	le := binary.LittleEndian
	b := le.AppendUint16([]byte{packetData, 0, 0, 0}, uint16(len(streams)))
	for _, s := range streams {
		b = le.AppendUint16(b, uint16(len(s)))
	}
	for _, s := range streams {
		b = append(b, s...)
	}
	return setLength(b)
}

// otherPacket is an index or an ignored packet full of rubbish.
func otherPacket(kind byte, size int) []byte {
	return setLength(slices.Concat([]byte{kind, 0, 0, 0}, bytes.Repeat([]byte{0xa5}, size)))
}

func setLength(b []byte) []byte {
	for len(b)%4 != 0 {
		b = append(b, 0)
	}
	binary.LittleEndian.PutUint16(b[2:], uint16(len(b)-1))
	return b
}

// floats is the stream of these values as single precision.
func floats(v ...float64) []byte {
	f := Field{Kind: Single}
	b, err := f.appendValues(nil, v)
	if err != nil {
		panic(err) // a Single takes all
	}
	return b
}

// singles is a prototype of single-precision fields.
func singles(names ...string) string {
	var b strings.Builder
	for _, n := range names {
		fmt.Fprintf(&b, `<%s type="Float" precision="single"/>`, n)
	}
	return b.String()
}

// xyz is the prototype of three single-precision coordinates.
func xyz() string { return singles("cartesianX", "cartesianY", "cartesianZ") }

// patched is a file of which some bytes of the payload were changed and whose
// checksums are right.
func patched(raw []byte, at int, b ...byte) []byte {
	content := unseal(raw)
	copy(content[at:], b)
	return seal(content)
}

func checksum(b []byte) uint32 { return crc32.Checksum(b, crc32.MakeTable(crc32.Castagnoli)) }
