// Package laz decodes compressed LAS points. The description of the compression
// (ParseScheme) and the file come in; point records go out exactly as they would
// stand in an uncompressed LAS file.
//
// The idea of the format: every field of a point is predicted from the points
// before it, and what the prediction misses goes through an adaptive arithmetic
// coder. Points come in chunks that are coded independently and found through a
// table. In the older arrangement the fields of a point follow each other; in
// the newer one, for the point formats 6 to 10, each field has a layer of its
// own, so that a field that is not wanted costs nothing.
//
// Sources: M. Isenburg, LASzip: lossless compression of lidar data,
// Photogrammetric Engineering & Remote Sensing 79 (2013), 209-217; A. Said,
// Introduction to Arithmetic Coding - Theory and Practice (HPL-2004-76, 2004).
// The tables and orders that the papers leave open follow the open format
// as its files bear it out: the tests compare whole files with their uncompressed
// twins, and random records with an independent decoder, byte for byte. Wave
// packets (formats 4, 5, 9 and 10) and version 4 of the layered items have no such
// witness but one sample file of format 4.
//
// The format has no check sum. What stands in for one: each chunk must use up
// its bytes exactly, which decoding that went astray does not, and the caller
// compares points with the bounds that the header promises. Refused are the
// first, obsolete versions of the items, more than 4096 extra bytes a point, and
// files that promise absurdly many points for their size.
package laz

import (
	"errors"
	"fmt"
	"io"

	"trammel/pipeline/scan"
)

var (
	errAstray   = damaged("the compressed points do not end where their chunk does; the file is damaged")
	errConfused = damaged("the compressed times jump to and fro; the file is damaged")
	errVersion  = fmt.Errorf("its points are compressed in a version that is not read; export it as uncompressed LAS: %w", scan.ErrFormat)
)

func damaged(text string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(text, args...), scan.ErrFormat)
}

func cut(text string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(text, args...), scan.ErrTruncated)
}

// Fields says how much of a record is wanted.
type Fields int

// All decodes every byte. Places decodes coordinates, intensity, colour and the
// flag that withholds a point; where the other fields lie in layers, they keep
// the value of the first point of their chunk.
const (
	All Fields = iota
	Places
)

// Place says where the compressed points of a file lie.
type Place struct {
	Size   int64 // of the file, bytes
	Start  int64 // offset to point data, bytes
	Points int64 // number of points in all
}

// What a file may promise for its size. Real scans take 2 to 6 bytes a point
// (measured on the sample files); constant ones could go far below, and a small
// file could then fill any memory and hold up a run for hours.
const (
	freePoints    = 1 << 20
	pointsPerByte = 2
	freeBytes     = 64 << 20
	bytesPerByte  = 128
)

// chunk is a stretch of the file with some points.
type chunk struct {
	at     int64
	bytes  int64 // upper bound where the file does not say
	points int64
}

// File is a table of chunks. It is read-only and may be shared.
type File struct {
	at      io.ReaderAt
	scheme  Scheme
	chunks  []chunk
	isTable bool // whether the chunks' sizes are known
	end     int64
}

// Open finds the chunks of the compressed points in a file. The number of points
// must be the header's.
func Open(at io.ReaderAt, p Place, s Scheme) (*File, error) {
	room := p.Size - p.Start
	if p.Points < 0 || p.Start < 0 || room < 0 {
		return nil, cut("the points should begin at byte %d, the file has %d bytes", p.Start, p.Size)
	}
	if p.Points == 0 {
		return &File{at: at, scheme: s, isTable: true}, nil
	}
	record := int64(s.RecordBytes())
	if p.Points > freePoints+pointsPerByte*room || p.Points > (freeBytes+bytesPerByte*room)/record {
		return nil, cut("the header promises %d points, which %d bytes of compressed points cannot hold", p.Points, room)
	}
	f := &File{at: at, scheme: s, end: p.Size}
	if s.arrangement == arrangedWhole {
		f.chunks = []chunk{{at: p.Start, bytes: room, points: p.Points}}
		return f, nil
	}
	return f, f.readTable(p)
}

// Chunks returns the number of chunks.
func (f *File) Chunks() int { return len(f.chunks) }

// Points returns the number of points of chunk i, which counts from 0.
func (f *File) Points(i int) int64 { return f.chunks[i].points }

// RecordBytes returns the length of a decoded record.
func (f *File) RecordBytes() int { return f.scheme.RecordBytes() }

// InOrder reports whether the chunks must be decoded one after the other by one
// Decoder, because only decoding tells where the next one begins.
func (f *File) InOrder() bool { return !f.isTable }

// Decoder decodes one chunk at a time. Several decoders may share a File; one
// decoder is not safe for concurrent use.
type Decoder struct {
	file      *File
	want      Fields
	record    int
	raw       []byte // the compressed chunk
	pointwise *pointwise
	layered   *layered
	chunk     int
	left      int64 // points of the chunk
	isFirst   bool
	at        int64 // where the chunk begins, where there is no table
	failed    error
}

// Decoder returns a new decoder.
func (f *File) Decoder(want Fields) *Decoder {
	d := &Decoder{file: f, want: want, record: f.scheme.RecordBytes(), chunk: -1}
	if f.scheme.arrangement == arrangedLayers {
		d.layered = newLayered(&f.scheme, want)
	} else {
		d.pointwise = newPointwise(&f.scheme)
	}
	if len(f.chunks) > 0 {
		d.at = f.chunks[0].at
	}
	return d
}

// Begin goes to chunk i and reads its bytes. With InOrder, i must count up from
// 0, each chunk read to its end.
func (d *Decoder) Begin(i int) error {
	c := d.file.chunks[i]
	if !d.file.isTable {
		c = d.bounded(c)
	}
	if int64(cap(d.raw)) < c.bytes {
		d.raw = make([]byte, c.bytes)
	}
	d.raw = d.raw[:c.bytes]
	if n, err := d.file.at.ReadAt(d.raw, c.at); n < len(d.raw) {
		if err == nil || errors.Is(err, io.EOF) {
			return cut("chunk %d of the compressed points breaks off", i+1)
		}
		return err
	}
	d.chunk, d.left, d.isFirst, d.failed = i, c.points, true, nil
	return nil
}

// Next decodes the next records of the chunk into dst, a whole number of them,
// and returns how many there were; io.EOF after the last. Any other error means
// that the chunk is damaged, and that of its points the last ones, or all, are
// wrong.
func (d *Decoder) Next(dst []byte) (int, error) {
	if d.failed != nil {
		return 0, d.failed
	}
	if d.left == 0 {
		return 0, io.EOF
	}
	n := int(min(int64(len(dst)/d.record), d.left))
	if n == 0 {
		return 0, nil
	}
	if d.failed = d.decode(dst[:n*d.record]); d.failed != nil {
		d.failed = fmt.Errorf("chunk %d of the compressed points: %w", d.chunk+1, d.failed)
		return 0, d.failed
	}
	d.left -= int64(n)
	return n, nil
}

func (d *Decoder) decode(dst []byte) error {
	k := 0
	if d.isFirst {
		if err := d.first(dst[:d.record]); err != nil {
			return err
		}
		d.isFirst, k = false, d.record
	}
	for {
		end := min(k+checkedPoints*d.record, len(dst))
		d.run(dst[k:end])
		k = end
		if err := d.check(k == len(dst) && int64(k/d.record) == d.left); err != nil || k == len(dst) {
			return err
		}
	}
}

// checkedPoints is how many points are decoded before damage is looked for, so
// that a damaged chunk costs little.
const checkedPoints = 1024

// run decodes whole records, none of them the first of a chunk.
func (d *Decoder) run(dst []byte) {
	for k := 0; k < len(dst); k += d.record {
		if d.layered != nil {
			d.layered.next(dst[k : k+d.record])
		} else {
			d.pointwise.next(dst[k : k+d.record])
		}
	}
}

// check looks for damage, and at the end of a chunk notes where the next begins.
func (d *Decoder) check(isEnd bool) error {
	if d.layered != nil {
		return d.layered.check(isEnd)
	}
	if isEnd {
		d.at += int64(d.record + d.pointwise.coder.at)
	}
	return d.pointwise.check(isEnd && d.file.isTable)
}

func (d *Decoder) first(raw []byte) error {
	if d.layered == nil {
		return d.pointwise.first(d.raw, raw)
	}
	points, err := d.layered.first(d.raw, raw)
	if err == nil && points != d.left {
		err = damaged("it says to hold %d points, %d are due", points, d.left)
	}
	d.at += int64(len(d.raw))
	return err
}
