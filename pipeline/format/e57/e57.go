// Package e57 reads and writes E57 files, the open container in which tripod
// scanners' programs exchange set-ups. The bytes of a file come in; per scan its
// description (Scan) and its points in batches (Points.Next), in metres and in
// the scan's own frame, go out, and the other way round (Write).
//
// The file is a row of pages with checksums. Behind the pages lie a small XML
// text that describes the scans, and for each scan a section of packets; a packet
// holds a piece of one packed bit stream a field. The reader holds one window of
// pages and, for each field in use, the bits that no full record was made of yet;
// it never holds a file. The writer knows the length of every packet beforehand
// and so writes from front to back in one sweep.
//
// Sources: ASTM E2807-11, Standard Specification for 3D Imaging Data Exchange;
// D. Huber, The ASTM E57 file format for 3D imaging data exchange, Proc. SPIE
// 7864 (2011). Where real files depart from the text, the reader is as tolerant
// as can be without guessing: surplus bits at the end of a stream, flags stored
// as floating point, unknown extensions and missing index packets do no harm.
//
// Refused are files with a wrong checksum, an offset or a count that the file
// cannot honour, XML with a document type, and codecs other than bit packing.
// Pictures, line groupings and extension fields are passed over. Errors about
// content satisfy errors.Is with scan.ErrFormat or scan.ErrTruncated; no input
// makes the package panic, and what it allocates is bounded by 64 MiB and four
// times the file's size.
package e57

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"io"
	"slices"

	"trammel/pipeline/scan"
)

const (
	signature  = "ASTM-E57"
	headerSize = 48
	formatName = "ASTM E57 3D Imaging Data File"
	namespace  = "http://www.astm.org/COMMIT/E57/2010-e57-v1.0"
)

// File is an E57 file whose description was read. It is safe for concurrent use
// where its content is.
type File struct {
	GUID  string // as the file has it
	Scans []Scan // in the order of the file

	content io.ReaderAt
	pages   int64
}

// Open reads the description of the E57 file of the given size in bytes, checks
// every scan's claims against the file and reads no points.
func Open(content io.ReaderAt, size int64) (*File, error) {
	f := &File{content: content, pages: size / pageSize}
	p := newPages(content, f.pages, pageSize)
	xmlAt, xmlLength, err := f.header(p, size)
	if err != nil {
		return nil, err
	}
	text := make([]byte, xmlLength)
	if err := p.copy(text, xmlAt); err != nil {
		return nil, fmt.Errorf("read the XML section: %w", err)
	}
	if err := f.describe(text); err != nil {
		return nil, fmt.Errorf("read the XML section: %w", err)
	}
	for i := range f.Scans {
		if err := f.locate(p, &f.Scans[i]); err != nil {
			return nil, fmt.Errorf("find the points of scan %d: %w", i+1, err)
		}
	}
	return f, f.checkOverlap()
}

// longestXML bounds the description: a set-up with its pictures takes 4 to 8 kB
// of XML, so that 2000 set-ups fit.
const longestXML = 16 << 20

// header reads the file header and returns where the XML section lies, as a
// logical offset, and its length.
func (f *File) header(p *pages, size int64) (at int64, length int64, err error) {
	var h [headerSize]byte
	if size < pageSize {
		return 0, 0, short("an E57 file begins with a page of %d bytes, %d are there", pageSize, size)
	}
	if err := p.copy(h[:], 0); err != nil {
		return 0, 0, err
	}
	le := binary.LittleEndian
	switch promised := le.Uint64(h[16:]); {
	case string(h[:8]) != signature:
		return 0, 0, broken("it does not begin with %s", signature)
	case le.Uint32(h[8:]) != 1:
		return 0, 0, broken("it is of E57 version %d.%d; 1.0 is read", le.Uint32(h[8:]), le.Uint32(h[12:]))
	case le.Uint64(h[40:]) != pageSize:
		return 0, 0, broken("its pages have %d bytes; the standard says %d", le.Uint64(h[40:]), pageSize)
	case promised > uint64(size):
		return 0, 0, short("the header promises %d bytes, %d are there", promised, size)
	case promised < uint64(size):
		return 0, 0, broken("the header promises %d bytes, %d are there", promised, size)
	case size%pageSize != 0:
		return 0, 0, broken("its %d bytes are no whole number of pages", size)
	}
	at, err = f.logical(le.Uint64(h[24:]))
	if err != nil {
		return 0, 0, fmt.Errorf("offset of the XML section: %w", err)
	}
	n := le.Uint64(h[32:])
	if n > uint64(f.pages*payload-at) {
		return 0, 0, broken("an XML section of %d bytes does not fit behind its offset", n)
	}
	if n > longestXML {
		return 0, 0, broken("an XML section of %d MiB is beyond belief", n>>20)
	}
	return at, int64(n), nil
}

// locate reads the head of a scan's section and checks that the section lies in
// the file and can hold the records that the scan promises.
func (f *File) locate(p *pages, s *Scan) error {
	if s.fileOffset == 0 && s.Records == 0 {
		return nil
	}
	start, err := f.logical(s.fileOffset)
	if err != nil {
		return err
	}
	var h [sectionHeader]byte
	if err := p.copy(h[:], start); err != nil {
		return err
	}
	if h[0] != sectionPoints {
		return broken("byte %d begins no section of points: its kind is %d", s.fileOffset, h[0])
	}
	length := binary.LittleEndian.Uint64(h[8:])
	if length < sectionHeader || length > uint64(f.pages*payload-start) {
		return broken("a section of %d bytes does not fit behind its offset", length)
	}
	s.end = start + int64(length)
	if s.Records == 0 {
		s.first = s.end
		return nil
	}
	if s.first, err = f.logical(binary.LittleEndian.Uint64(h[16:])); err != nil {
		return err
	}
	if s.first < start+sectionHeader || s.first >= s.end {
		return broken("the first packet lies outside of its section")
	}
	return s.checkCount()
}

// checkOverlap refuses scans that share packets: a small file of many such could
// promise more records than anybody can wait for.
func (f *File) checkOverlap() error {
	var order []int
	for i := range f.Scans {
		if f.Scans[i].Records > 0 {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(f.Scans[a].first, f.Scans[b].first) })
	for k := 1; k < len(order); k++ {
		if a, b := order[k-1], order[k]; f.Scans[a].end > f.Scans[b].first {
			return broken("scans %d and %d share packets", a+1, b+1)
		}
	}
	return nil
}

// mostWithoutBits bounds the records of a scan whose fields are all constant and
// so take no space that could vouch for the count.
const mostWithoutBits = 1 << 14

// checkCount compares the records that a scan promises with the room there is.
func (s *Scan) checkCount() error {
	var bits uint64
	for _, f := range s.Fields {
		bits += uint64(f.bits())
	}
	room := uint64(s.end-s.first) * 8
	switch {
	case bits == 0 && s.Records > mostWithoutBits:
		return broken("%d records promised whose fields take no space at all", s.Records)
	case bits > 0 && uint64(s.Records) > room/bits:
		return short("%d records promised, the section has room for %d", s.Records, room/bits)
	}
	return nil
}

// logical turns a physical offset of the file into an offset in the payload.
func (f *File) logical(physical uint64) (int64, error) {
	if physical >= uint64(f.pages*pageSize) {
		return 0, broken("offset %d lies beyond the end of the file", physical)
	}
	if physical%pageSize >= payload {
		return 0, broken("offset %d points into a checksum", physical)
	}
	return int64(physical - physical/pageSize*checksumSize), nil
}

// broken says what is wrong with the content of a file.
func broken(text string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(text, args...), scan.ErrFormat)
}

// short says what a file promises and what is there of it.
func short(text string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(text, args...), scan.ErrTruncated)
}
