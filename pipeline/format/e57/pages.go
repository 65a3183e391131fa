package e57

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
)

const (
	pageSize     = 1024
	payload      = 1020
	checksumSize = 4
)

// windowSize holds two packets of the largest size and makes the cost of a
// system call vanish; it stays in a second-level cache.
const windowSize = 256 << 10

// pages hands out the payload of a file's pages in order, each page checked.
type pages struct {
	content  io.ReaderAt
	count    int64 // pages in the file
	next     int64 // the page that follows the window
	buf      []byte
	pos, end int // what of buf was not handed out yet
	table    *crc32.Table
}

// newPages reads through a window of the given size in bytes, or of the file's
// where that is less. A window holds at least a page and what precedes it.
func newPages(content io.ReaderAt, count, window int64) *pages {
	n := min(window, count*pageSize) + pageSize
	return &pages{content: content, count: count, buf: make([]byte, n), table: crc32.MakeTable(crc32.Castagnoli)}
}

// seek moves to a logical offset, which must not be negative.
func (p *pages) seek(logical int64) error {
	p.next, p.pos, p.end = logical/payload, 0, 0
	if into := int(logical % payload); into > 0 {
		if err := p.fill(); err != nil {
			return err
		}
		p.pos = into
	}
	return nil
}

// offset returns the logical offset of what comes next.
func (p *pages) offset() int64 { return p.next*payload - int64(p.end-p.pos) }

// peek returns the next n bytes, valid until the next call. n must not exceed
// the window.
func (p *pages) peek(n int) ([]byte, error) {
	for p.end-p.pos < n {
		if err := p.fill(); err != nil {
			return nil, err
		}
	}
	return p.buf[p.pos : p.pos+n], nil
}

// copy fills dst from a logical offset on.
func (p *pages) copy(dst []byte, logical int64) error {
	if err := p.seek(logical); err != nil {
		return err
	}
	for len(dst) > 0 {
		if _, err := p.peek(1); err != nil {
			return err
		}
		n := copy(dst, p.buf[p.pos:p.end])
		p.pos += n
		dst = dst[n:]
	}
	return nil
}

// fill reads as many pages as the window takes, checks them and closes the gaps
// that their checksums leave.
func (p *pages) fill() error {
	p.end = copy(p.buf, p.buf[p.pos:p.end])
	p.pos = 0
	n := int(min(int64(len(p.buf)-p.end)/pageSize, p.count-p.next))
	if n <= 0 {
		return short("the content goes on behind the last page")
	}
	raw := p.buf[p.end : p.end+n*pageSize]
	if k, err := p.content.ReadAt(raw, p.next*pageSize); k < len(raw) {
		if err == nil || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return short("page %d is not there in full", p.next+int64(k/pageSize))
		}
		return fmt.Errorf("read page %d: %w", p.next+int64(k/pageSize), err)
	}
	for i := range n {
		page := raw[i*pageSize : (i+1)*pageSize]
		// The one big-endian number of the format.
		if want, got := binary.BigEndian.Uint32(page[payload:]), crc32.Checksum(page[:payload], p.table); want != got {
			return broken("page %d (counted from 0) fails its checksum: %08x, the content gives %08x", p.next+int64(i), want, got)
		}
		copy(raw[i*payload:], page[:payload])
	}
	p.end += n * payload
	p.next += int64(n)
	return nil
}
