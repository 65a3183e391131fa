package format

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"slices"
)

// stlRecord is the size of a facet: normal and three corners as float32, and two
// bytes of attributes.
const stlRecord = 50

// stlReader decodes both kinds of STL. Every facet brings its own three points.
type stlReader struct {
	src    *source
	about  *About
	total  int64 // facets promised (binary)
	done   int64 // facets read
	points int64 // points handed out
	solids int
}

type (
	binarySTL struct{ stlReader }
	asciiSTL  struct {
		stlReader
		inside bool // between solid and endsolid
		loop   int  // corners of the current loop
	}
)

func newSTL(src *source, about *About) (decoder, error) {
	about.Mesh = true
	head := src.peek(min(detectHead, len(src.buf)))
	if !isBinarySTL(head, src.size) && isText(head) {
		about.Encoding = "ascii"
		return &asciiSTL{stlReader: stlReader{src: src, about: about}}, nil
	}
	if len(head) < 84 {
		return nil, short("a binary STL begins with 84 bytes, %d are there", len(head))
	}
	about.Encoding = "binary little-endian"
	about.declare(string(bytes.TrimRight(head[:80], "\x00 ")))
	about.Triangles = int64(binary.LittleEndian.Uint32(head[80:]))
	about.Points = 3 * about.Triangles
	src.advance(84)
	return &binarySTL{stlReader{src: src, about: about, total: about.Triangles}}, nil
}

func (s *binarySTL) next(b *Batch) error {
	n := int(min(batchRows, s.total-s.done))
	if n == 0 {
		if !s.src.atEnd() && len(s.about.Notes) == 0 {
			s.about.Notes = append(s.about.Notes, "There is more in the file after the facets that it promises; it is left out.")
		}
		return io.EOF
	}
	raw := s.src.take(n * stlRecord)
	if len(raw) < n*stlRecord {
		if err := s.src.fault(); err != nil {
			return err
		}
		return short("the STL promises %d facets (%d bytes), %d are there (%d bytes)", s.total, 84+stlRecord*s.total, s.done+int64(len(raw)/stlRecord), s.src.consumed)
	}
	b.X, b.Y, b.Z = slices.Grow(b.X, 3*n)[:3*n], slices.Grow(b.Y, 3*n)[:3*n], slices.Grow(b.Z, 3*n)[:3*n]
	for i := range 3 * n {
		corner := raw[i/3*stlRecord+12+i%3*12:]
		corner = corner[:12]
		b.X[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(corner)))
		b.Y[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(corner[4:])))
		b.Z[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(corner[8:])))
		b.Tri = append(b.Tri, s.points+int64(i))
	}
	s.points += int64(3 * n)
	s.done += int64(n)
	return nil
}

func (s *asciiSTL) next(b *Batch) error {
	for len(b.Tri) < 3*batchRows {
		line, err := s.src.line()
		if err == io.EOF { //nolint:errorlint // line returns the bare io.EOF
			return s.end()
		}
		if err != nil {
			return err
		}
		if err := s.add(b, line); err != nil {
			return fmt.Errorf("after %d facets: %w", s.done, err)
		}
	}
	return nil
}

func (s *asciiSTL) end() error {
	if s.inside {
		return short("the STL ends within a solid: no endsolid after %d facets", s.done)
	}
	if s.solids > 1 {
		s.about.Notes = append(s.about.Notes, fmt.Sprintf("The file holds %d solids; they are read as one mesh.", s.solids))
		s.solids = 0
	}
	return io.EOF
}

// add takes a line, which usually holds one keyword and what belongs to it; some
// programs put a whole facet into one.
func (s *asciiSTL) add(b *Batch, line []byte) error {
	for more := true; more; {
		first, rest := word(line)
		var err error
		switch keyword(first) {
		case "vertex":
			rest, err = s.vertex(b, rest)
		case "endloop":
			err = s.facet(b)
		case "solid":
			s.inside = true
			s.solids++
			s.about.declare(string(rest))
			return nil
		case "endsolid":
			s.inside = false
			return nil
		case "facet":
			rest = skipWords(rest, 4) // normal and its three numbers
		case "outer":
			rest = skipWords(rest, 1)
		case "", "endfacet":
		default:
			err = broken("an ascii STL has no %q", clip(string(first)))
		}
		if err != nil {
			return err
		}
		line = skipBlanks(rest)
		more = len(line) > 0 && isKeyword(line)
	}
	return nil
}

func skipWords(b []byte, n int) []byte {
	for ; n > 0 && len(b) > 0; n-- {
		_, b = word(b)
	}
	return b
}

// isKeyword reports whether a line goes on with a word of the format; anything
// else behind a keyword is passed over.
func isKeyword(line []byte) bool {
	first, _ := word(line)
	switch keyword(first) {
	case "vertex", "facet", "outer", "endloop", "endfacet", "endsolid":
		return true
	}
	return false
}

// keyword returns a word of the format in lower case, whichever way it is
// written, without taking memory for the usual ones.
func keyword(w []byte) string {
	for _, known := range [...]string{"vertex", "facet", "outer", "endloop", "endfacet", "solid", "endsolid"} {
		if len(w) == len(known) && (string(w) == known || bytes.EqualFold(w, []byte(known))) {
			return known
		}
	}
	return string(w)
}

func (s *asciiSTL) vertex(b *Batch, rest []byte) ([]byte, error) {
	x, rest, okX := number(rest)
	y, rest, okY := number(rest)
	z, rest, okZ := number(rest)
	if !okX || !okY || !okZ {
		return nil, broken("a vertex without three numbers")
	}
	b.X, b.Y, b.Z = append(b.X, x), append(b.Y, y), append(b.Z, z)
	s.points++
	s.loop++
	return rest, nil
}

func (s *asciiSTL) facet(b *Batch) error {
	if s.loop != 3 {
		return broken("a facet with %d corners", s.loop)
	}
	b.Tri = append(b.Tri, s.points-3, s.points-2, s.points-1)
	s.loop = 0
	s.done++
	return nil
}
