package format

import (
	"bytes"
	"fmt"
	"io"
	"math"
)

// objReader decodes OBJ: vertices and polygons, everything else passed over.
type objReader struct {
	src     *source
	about   *About
	points  int64
	lineNo  int64
	unknown int64 // lines that no OBJ has
	unread  int64 // vertices with unreadable numbers
	partly  int64 // numbers with something behind them
	long    []byte
	corners []int64
	want    *wants
	colours bool // whether the vertices have colours, as the first one tells
	shade   shade
}

func newOBJ(src *source, about *About, want *wants) *objReader {
	about.Encoding = "ascii"
	return &objReader{src: src, about: about, want: want, shade: shade{most: 1}}
}

func (o *objReader) next(b *Batch) error {
	for len(b.X)+len(b.Tri) < batchRows {
		line, err := o.line()
		if err == io.EOF { //nolint:errorlint // line returns the bare io.EOF
			o.sumUp()
			return io.EOF
		}
		if err != nil {
			return err
		}
		if err := o.add(b, line); err != nil {
			return fmt.Errorf("line %d: %w", o.lineNo, err)
		}
	}
	return nil
}

// line joins lines that a backslash continues.
func (o *objReader) line() ([]byte, error) {
	line, err := o.src.line()
	o.lineNo++
	if err != nil || len(line) == 0 || line[len(line)-1] != '\\' {
		return line, err
	}
	o.long = append(o.long[:0], line[:len(line)-1]...)
	for {
		line, err = o.src.line()
		o.lineNo++
		if err == io.EOF { //nolint:errorlint // line returns the bare io.EOF
			return o.long, nil
		}
		if err != nil {
			return nil, err
		}
		n := len(line)
		if n == 0 || line[n-1] != '\\' {
			return append(append(o.long, ' '), line...), nil
		}
		if len(o.long) > longestLine {
			return nil, broken("a line is longer than %d MiB", longestLine>>20)
		}
		o.long = append(append(o.long, ' '), line[:n-1]...)
	}
}

func (o *objReader) add(b *Batch, line []byte) error {
	if o.lineNo == 1 {
		line = bytes.TrimPrefix(line, []byte("\xef\xbb\xbf"))
	}
	first, rest := word(line)
	switch string(first) {
	case "v":
		o.vertex(b, rest)
	case "f", "fo":
		return o.polygon(b, rest)
	case "":
	case "vt", "vn", "vp", "p", "l", "o", "g", "s", "mg", "usemtl", "mtllib", "usemap", "maplib",
		"bevel", "c_interp", "d_interp", "lod", "shadow_obj", "trace_obj", "cstype", "deg", "curv", "curv2", "surf",
		"parm", "trim", "hole", "scrv", "sp", "end", "con", "bmat", "step", "ctech", "stech", "call", "csh":
	default:
		if first[0] == '#' {
			o.about.declare(string(line))
			return nil
		}
		o.unknown++
	}
	return nil
}

// vertex takes x, y and z. Unreadable numbers make the point not a number, so
// that the indices of the others hold; it is then counted with the invalid ones.
func (o *objReader) vertex(b *Batch, rest []byte) {
	x, rest, okX := o.coordinate(rest)
	y, rest, okY := o.coordinate(rest)
	z, rest, okZ := o.coordinate(rest)
	if !okX || !okY || !okZ {
		x, y, z = math.NaN(), math.NaN(), math.NaN()
		o.unread++
	}
	b.X, b.Y, b.Z = append(b.X, x), append(b.Y, y), append(b.Z, z)
	if o.want.colour && (o.colours || o.points == 0) {
		o.colour(b, rest)
	}
	o.points++
}

// colour takes red, green and blue behind a place, as many programs write them
// though the format knows a weight there only. A vertex without them, among
// others that have them, is black.
func (o *objReader) colour(b *Batch, rest []byte) {
	red, rest, okR := number(rest)
	green, rest, okG := number(rest)
	blue, _, okB := number(rest)
	if o.points == 0 {
		o.colours = okR && okG && okB
	}
	switch {
	case !o.colours:
	case okR && okG && okB:
		b.RGB = append(b.RGB, o.shade.of(red), o.shade.of(green), o.shade.of(blue))
	default:
		b.RGB = append(b.RGB, 0, 0, 0)
	}
}

// coordinate reads a number, or of a word such as 3.1+e2 the number it begins
// with, as the C library does that most writers of OBJ are tested against.
func (o *objReader) coordinate(b []byte) (v float64, rest []byte, ok bool) {
	if v, rest, ok = number(b); ok {
		return v, rest, true
	}
	w, rest := word(b)
	for n := len(w) - 1; n > 0 && n > len(w)-20; n-- {
		if v, _, ok = number(w[:n]); ok {
			o.partly++
			return v, rest, true
		}
	}
	return 0, rest, false
}

// polygon takes the vertex numbers of "f 1/2/3 …": from 1, or from the newest
// vertex backwards where negative.
func (o *objReader) polygon(b *Batch, rest []byte) error {
	o.corners = o.corners[:0]
	for rest = skipBlanks(rest); len(rest) > 0 && rest[0] != '#'; rest = skipBlanks(rest) {
		if len(o.corners) == longestPolygon {
			return broken("a face with more than %d corners", longestPolygon)
		}
		i, after := cornerNumber(rest)
		switch {
		case i == 0:
			corner, _ := word(rest)
			return broken("a face has the corner %q; corners count from 1", clip(string(corner)))
		case i > 0:
			o.corners = append(o.corners, i-1)
		case o.points+i < 0:
			return broken("a face refers to vertex %d, %d came before it", i, o.points)
		default:
			o.corners = append(o.corners, o.points+i)
		}
		rest = after
	}
	if len(o.corners) < 3 {
		return broken("a face with %d corners", len(o.corners))
	}
	o.about.Mesh = true
	b.fan(o.corners)
	return nil
}

// cornerNumber reads the vertex number that the first word of b begins with, up
// to the word's end or a slash, and returns what follows the word; 0 stands for
// what is no number. 18 digits are more than any file has vertices.
func cornerNumber(b []byte) (v int64, rest []byte) {
	i, isNegative := 0, b[0] == '-'
	if isNegative || b[0] == '+' {
		i = 1
	}
	from := i
	for ; i < len(b) && b[i]-'0' <= 9; i++ {
		v = 10*v + int64(b[i]-'0')
	}
	if i == from || i-from > 18 || i < len(b) && b[i] != '/' && !isBlank(b[i]) {
		return 0, b
	}
	for i < len(b) && !isBlank(b[i]) {
		i++
	}
	if isNegative {
		v = -v
	}
	return v, b[i:]
}

func (o *objReader) sumUp() {
	if o.unknown > 0 {
		o.about.Notes = append(o.about.Notes, fmt.Sprintf("%d lines are not of the OBJ format and were passed over.", o.unknown))
	}
	if o.unread > 0 {
		o.about.Notes = append(o.about.Notes, fmt.Sprintf("%d vertices have numbers that cannot be read.", o.unread))
	}
	if o.partly > 0 {
		o.about.Notes = append(o.about.Notes, fmt.Sprintf("%d coordinates have something unreadable behind the number; the number was taken.", o.partly))
	}
	o.unknown, o.unread, o.partly = 0, 0, 0
}
