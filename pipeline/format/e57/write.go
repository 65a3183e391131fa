package e57

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
)

// Header is what a written file says about itself. Both are inputs, never taken
// from a clock or by chance, so that the same scans give the same bytes.
type Header struct {
	GUID string
	// Created is the time of writing in seconds since 1980-01-06 00:00 UTC; 0
	// leaves it unsaid.
	Created float64
}

// Source fills one column a field, in the order of the fields and all of one
// length, with the values of the records from first on. Values are in the units
// of the standard (metres, radians), not the stored whole numbers.
type Source func(first int64, columns [][]float64) error

// Output is a scan to be written: what Scan says, its Fields above all, and
// where the values come from. Empty names, bounds and limits are left out.
type Output struct {
	Scan
	Fill Source
}

// mostFieldsWritten keeps a record short against a packet: 64 fields of 64 bits
// are 512 bytes, of which a packet holds 127.
const mostFieldsWritten = 64

// Write writes an E57 file of the scans from front to back, in one sweep and in
// memory of a few packets. Each scan gets one index packet. A value that its
// field cannot hold is an error; scaled ones are rounded to the nearest step.
func Write(w io.Writer, h Header, scans []Output) error {
	at := int64(headerSize)
	plans := make([]plan, len(scans))
	for i := range scans {
		if err := checkOutput(&scans[i].Scan); err != nil {
			return fmt.Errorf("write scan %d: %w", i+1, err)
		}
		plans[i] = planSection(&scans[i].Scan, at)
		at += plans[i].length
	}
	text := describeXML(h, scans, plans)
	out := &pageWriter{w: w}
	out.put(fileHeader(at, int64(len(text))))
	for i := range scans {
		if err := writeSection(out, &scans[i], &plans[i]); err != nil {
			return fmt.Errorf("write scan %d: %w", i+1, err)
		}
	}
	out.put(text)
	return out.close()
}

var errUnwritable = errors.New("cannot be written")

func checkOutput(s *Scan) error {
	if len(s.Fields) == 0 || len(s.Fields) > mostFieldsWritten || s.Records < 0 {
		return fmt.Errorf("%d records of %d fields: %w", s.Records, len(s.Fields), errUnwritable)
	}
	for i := range s.Fields {
		f := &s.Fields[i]
		isWhole := f.Kind == Integer || f.Kind == Scaled
		switch {
		case !isName(f.Name) || f.Kind > Double, isWhole && f.Min > f.Max,
			f.Kind == Scaled && (f.Scale == 0 || f.Scale-f.Scale != 0 || f.Offset-f.Offset != 0):
			return fmt.Errorf("field %q, %d to %d by %g: %w", f.Name, f.Min, f.Max, f.Scale, errUnwritable)
		}
	}
	return nil
}

// plan says where the parts of a section come to lie. All packets but the last
// hold the same number of records, a multiple of 8, so that every stream fills
// whole bytes in them and all lengths are known beforehand.
type plan struct {
	start   int64 // logical offset of the section
	records int64 // a packet
	packets int64
	size    int64 // of a packet but the last, bytes
	last    int64 // of the last packet
	stride  int64 // data packets an entry of the index
	entries int64
	length  int64 // of the section
}

const (
	indexHeader = 16
	indexEntry  = 16
	mostEntries = 2048
	// mostRecords bounds a packet whose fields take next to no space.
	mostRecords = 1 << 16
	emptyPacket = 8
)

func planSection(s *Scan, start int64) plan {
	p := plan{start: start, records: mostRecords}
	var bits int64
	for i := range s.Fields {
		bits += int64(s.Fields[i].bits())
	}
	head := int64(packetHeader + 2*len(s.Fields))
	if bits > 0 {
		p.records = min(p.records, (mostPacket-head-3)*8/bits/8*8) // 3 bytes of padding
	}
	p.packets = (s.Records + p.records - 1) / p.records
	if p.packets == 0 {
		p.length = sectionHeader + emptyPacket
		return p
	}
	p.size = packetSize(s, p.records)
	p.last = packetSize(s, s.Records-(p.packets-1)*p.records)
	p.stride = (p.packets + mostEntries - 1) / mostEntries
	p.entries = (p.packets + p.stride - 1) / p.stride
	p.length = sectionHeader + (p.packets-1)*p.size + p.last + indexHeader + indexEntry*p.entries
	return p
}

// streamSize returns the bytes that n values of a field take.
func streamSize(f *Field, n int64) int64 { return (n*int64(f.bits()) + 7) / 8 }

func packetSize(s *Scan, n int64) int64 {
	size := int64(packetHeader + 2*len(s.Fields))
	for i := range s.Fields {
		size += streamSize(&s.Fields[i], n)
	}
	return (size + 3) / 4 * 4
}

// physical turns an offset in the payload into one in the file.
func physical(logical int64) int64 { return logical + logical/payload*checksumSize }

func fileHeader(xmlAt, xmlLength int64) []byte {
	le := binary.LittleEndian
	b := le.AppendUint32(append(make([]byte, 0, headerSize), signature...), 1)
	b = le.AppendUint32(b, 0)
	pages := (xmlAt + xmlLength + payload - 1) / payload
	for _, v := range []int64{pages * pageSize, physical(xmlAt), xmlLength, pageSize} {
		b = le.AppendUint64(b, uint64(v))
	}
	return b
}

func writeSection(out *pageWriter, s *Output, p *plan) error {
	le := binary.LittleEndian
	first := p.start + sectionHeader
	index := p.start + p.length - indexHeader - indexEntry*p.entries
	h := make([]byte, sectionHeader)
	h[0] = sectionPoints
	le.PutUint64(h[8:], uint64(p.length))
	le.PutUint64(h[16:], uint64(physical(first)))
	if p.packets == 0 {
		out.put(append(h, packetData, 0, emptyPacket-1, 0, 0, 0, 0, 0))
		return out.err
	}
	le.PutUint64(h[24:], uint64(physical(index)))
	out.put(h)
	if err := writePackets(out, s, p); err != nil {
		return err
	}
	out.put(indexPacket(p, first))
	return out.err
}

func indexPacket(p *plan, first int64) []byte {
	le := binary.LittleEndian
	size := indexHeader + indexEntry*p.entries
	b := make([]byte, indexHeader, size)
	le.PutUint16(b[2:], uint16(size-1))
	le.PutUint16(b[4:], uint16(p.entries))
	for k := int64(0); k < p.packets; k += p.stride {
		b = le.AppendUint64(b, uint64(k*p.records))
		b = le.AppendUint64(b, uint64(physical(first+k*p.size)))
	}
	return b
}

func writePackets(out *pageWriter, s *Output, p *plan) error {
	n := min(p.records, s.Records)
	columns := make([][]float64, len(s.Fields))
	for i := range columns {
		columns[i] = make([]float64, n)
	}
	packet := make([]byte, 0, mostPacket)
	for done := int64(0); done < s.Records; done += n {
		n = min(n, s.Records-done)
		for i := range columns {
			columns[i] = columns[i][:n]
		}
		if err := s.Fill(done, columns); err != nil {
			return err
		}
		var err error
		if packet, err = encodePacket(packet[:0], &s.Scan, columns); err != nil {
			return fmt.Errorf("records from %d on: %w", done, err)
		}
		if out.put(packet); out.err != nil {
			return out.err
		}
	}
	return nil
}

func encodePacket(b []byte, s *Scan, columns [][]float64) ([]byte, error) {
	n := int64(len(columns[0]))
	size := packetSize(s, n)
	le := binary.LittleEndian
	b = le.AppendUint16(append(b, packetData, 0), uint16(size-1))
	b = le.AppendUint16(b, uint16(len(s.Fields)))
	for i := range s.Fields {
		b = le.AppendUint16(b, uint16(streamSize(&s.Fields[i], n)))
	}
	for i, column := range columns {
		var err error
		if b, err = s.Fields[i].appendValues(b, column); err != nil {
			return b, err
		}
	}
	return append(b, make([]byte, size-int64(len(b)))...), nil
}

// appendValues appends the stream of a column, its last byte filled with zeros.
func (f *Field) appendValues(b []byte, column []float64) ([]byte, error) {
	switch f.Kind {
	case Single:
		for _, v := range column {
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(v)))
		}
		return b, nil
	case Double:
		for _, v := range column {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
		}
		return b, nil
	default:
		return f.appendWhole(b, column)
	}
}

func (f *Field) appendWhole(b []byte, column []float64) ([]byte, error) {
	width := f.bits()
	scale, offset := f.Scale, f.Offset
	if f.Kind == Integer {
		scale, offset = 1, 0
	}
	var p packer
	for i, v := range column {
		raw := math.Round((v - offset) / scale)
		slack := math.Abs(raw) * 0x1p-51 // what the two operations round off; nothing below 2⁵¹
		if !(raw+slack >= float64(f.Min) && raw-slack <= float64(f.Max)) {
			return b, fmt.Errorf("%s of record %d is %g, outside of its field's %d to %d by %g", f.Name, i, v, f.Min, f.Max, scale)
		}
		b = p.put(b, uint64(f.hold(raw))-uint64(f.Min), width)
	}
	return p.flush(b), nil
}

// hold returns raw as a whole number between the field's limits, which need not
// be numbers that a float64 can be.
func (f *Field) hold(raw float64) int64 {
	switch {
	case raw >= 1<<63:
		return f.Max
	case raw < -1<<63:
		return f.Min
	default:
		return min(max(int64(raw), f.Min), f.Max)
	}
}

// packer puts whole numbers into bytes, least significant bit first.
type packer struct {
	bits  uint64
	count uint // of bits not yet in a byte: fewer than 8
}

func (p *packer) put(b []byte, v uint64, width uint) []byte {
	if width > 32 { // so that 7 bits left and those to come fit in 64
		b = p.put(b, v&math.MaxUint32, 32)
		v, width = v>>32, width-32
	}
	p.bits |= v << p.count
	for p.count += width; p.count >= 8; p.count -= 8 {
		b = append(b, byte(p.bits))
		p.bits >>= 8
	}
	return b
}

func (p *packer) flush(b []byte) []byte {
	if p.count > 0 {
		b = append(b, byte(p.bits))
	}
	return b
}

// pageWriter cuts what is put into it into pages with checksums. The first fault
// of the writer below stays in err.
type pageWriter struct {
	w    io.Writer
	buf  []byte // whole pages and the payload of the one begun
	open int    // bytes of the one begun
	err  error
}

func (p *pageWriter) put(b []byte) {
	for len(b) > 0 && p.err == nil {
		n := min(len(b), payload-p.open)
		p.buf = append(p.buf, b[:n]...)
		p.open += n
		b = b[n:]
		if p.open == payload {
			p.seal()
		}
	}
}

// seal ends the page begun, and writes when many have come together.
func (p *pageWriter) seal() {
	sum := crc32.Checksum(p.buf[len(p.buf)-payload:], crc32.MakeTable(crc32.Castagnoli))
	p.buf = binary.BigEndian.AppendUint32(p.buf, sum)
	p.open = 0
	if len(p.buf) >= windowSize {
		p.write()
	}
}

func (p *pageWriter) write() {
	if p.err == nil {
		_, p.err = p.w.Write(p.buf)
	}
	p.buf = p.buf[:0]
}

func (p *pageWriter) close() error {
	if p.open > 0 {
		p.put(make([]byte, payload-p.open))
	}
	p.write()
	return p.err
}
