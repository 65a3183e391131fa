package laz

import (
	"encoding/binary"
	"errors"
	"io"
	"math"
)

// readTable reads where the chunks begin and how many points they hold.
func (f *File) readTable(p Place) error {
	if p.Size-p.Start < 8 {
		return cut("the compressed points should begin at byte %d, the file has %d bytes", p.Start, p.Size)
	}
	table, err := f.word(p.Start)
	if err != nil {
		return err
	}
	if table == -1 { // a writer that could not go back wrote the place at the very end
		if table, err = f.word(p.Size - 8); err != nil {
			return err
		}
		if table < p.Start+8 || table > p.Size-8-8 {
			return f.withoutTable(p)
		}
	}
	if table < p.Start+8 {
		return damaged("the table of its chunks is said to stand at byte %d, before the points", table)
	}
	if table > p.Size-8 {
		return cut("the table of its chunks should stand at byte %d, the file has %d bytes", table, p.Size)
	}
	return f.parseTable(p, table)
}

func (f *File) word(at int64) (int64, error) {
	var b [8]byte
	if _, err := f.at.ReadAt(b[:], at); err != nil && !errors.Is(err, io.EOF) {
		return 0, err
	}
	return int64(binary.LittleEndian.Uint64(b[:])), nil
}

// mostTable bounds the bytes of a table that are read: an entry takes up to two
// numbers of at most 6 bytes, and the coder needs a few to spare.
func mostTable(chunks int64) int64 { return 12*chunks + 16 }

func (f *File) parseTable(p Place, table int64) error {
	head, err := f.word(table)
	if err != nil {
		return err
	}
	if version := uint32(head); version != 0 {
		return damaged("the table of its chunks has version %d, only 0 is known", version)
	}
	n := head >> 32 & math.MaxUint32
	// A chunk takes at least its first point as it is.
	if n > (table-p.Start)/int64(f.RecordBytes()) || n == 0 {
		return damaged("%d bytes of compressed points are said to be %d chunks", table-p.Start, n)
	}
	raw := make([]byte, min(mostTable(n), p.Size-table-8))
	if _, err := f.at.ReadAt(raw, table+8); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	f.isTable = true
	return f.decodeTable(p, raw, int(n), table)
}

func (f *File) decodeTable(p Place, raw []byte, n int, table int64) error {
	var c coder
	var numbers integer
	c.start(raw)
	numbers.reset(32, 2)
	at, left := p.Start+8, p.Points
	var points, bytes int32
	for range n {
		count := f.scheme.chunkPoints
		if count == variableChunk {
			points = numbers.next(&c, points, 0)
			count = int64(uint32(points))
		}
		bytes = numbers.next(&c, bytes, 1)
		this := chunk{at: at, bytes: int64(uint32(bytes)), points: min(count, left)}
		if c.overran() {
			return cut("the table of its chunks breaks off after %d of %d", len(f.chunks), n)
		}
		if this.bytes > table-at {
			return damaged("chunk %d is said to have %d bytes and would run into the table behind all", len(f.chunks)+1, this.bytes)
		}
		if count > 0 && left == 0 {
			return damaged("its chunks hold more points than the %d that the header promises", p.Points)
		}
		if this.points > 0 {
			f.chunks = append(f.chunks, this)
		}
		at += this.bytes
		left -= this.points
	}
	if left > 0 {
		return cut("the header promises %d points, its chunks hold %d", p.Points, p.Points-left)
	}
	return nil
}

// withoutTable cuts the points into chunks of the announced number: where each
// begins will turn out when the one before has been decoded.
func (f *File) withoutTable(p Place) error {
	if f.scheme.chunkPoints == variableChunk {
		return cut("the table of its chunks is missing, and without it chunks of varying length cannot be found")
	}
	for left := p.Points; left > 0; left -= f.scheme.chunkPoints {
		if int64(len(f.chunks)) > (p.Size-p.Start)/int64(f.RecordBytes()) {
			return cut("%d points in chunks of %d do not fit into the file", p.Points, f.scheme.chunkPoints)
		}
		f.chunks = append(f.chunks, chunk{at: p.Start + 8, points: min(left, f.scheme.chunkPoints)})
	}
	return nil
}

// bounded returns chunk c at the place where the decoder stands. Its size is
// what the layers add up to; points that follow each other take at most twice
// their bytes: an arithmetic coder spends less than two bits more than a symbol
// carries, and never more than 16 on a byte.
func (d *Decoder) bounded(c chunk) chunk {
	c.at = d.at
	room := max(d.file.end-d.at, 0)
	c.bytes = min(room, 2*int64(d.record)*c.points+64)
	if d.layered == nil || c.bytes < int64(d.record) {
		return c
	}
	head := make([]byte, d.record+4+4*d.layered.layerCount())
	if n, err := d.file.at.ReadAt(head, c.at); n < len(head) && err != nil {
		return c // Begin will meet the same fault
	}
	sum := int64(len(head))
	for b := head[d.record+4:]; len(b) > 0; b = b[4:] {
		sum += int64(binary.LittleEndian.Uint32(b))
	}
	c.bytes = min(room, sum)
	return c
}
