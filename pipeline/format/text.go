package format

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"strconv"
)

// textReader decodes lines of numbers: x y z, and behind them what a heading or
// the numbers themselves suggest.
type textReader struct {
	src     *source
	about   *About
	layout  textLayout
	lineNo  int64
	rows    int64
	fields  []float64
	started bool
	want    *wants
	odd     int64  // lines between points that are none
	first   string // what is wrong with the first of them
}

func newText(src *source, about *About, want *wants) (*textReader, error) {
	about.Encoding = "ascii"
	t := &textReader{src: src, about: about, want: want}
	return t, t.survey(src.peek(min(detectHead, len(src.buf))))
}

// split cuts a line into numbers, changing it in place; an empty field between
// separators is not a number.
func (t *textReader) split(line []byte) bool {
	t.fields = t.fields[:0]
	if t.layout.comma != ',' {
		for i, c := range line {
			if c == ',' {
				line[i] = t.layout.comma
			}
		}
	}
	for sep := t.layout.separator; len(line) > 0; {
		var part []byte
		if sep == 0 {
			if part, line = word(line); len(part) == 0 {
				break
			}
		} else {
			part, line, _ = bytes.Cut(line, []byte{sep})
		}
		v, rest, ok := number(part)
		if !ok && len(t.fields) < 3 || len(skipBlanks(rest)) > 0 {
			return false
		}
		if !ok {
			v = math.NaN()
		}
		t.fields = append(t.fields, v)
	}
	return len(t.fields) >= 3
}

func (t *textReader) next(b *Batch) error {
	for len(b.X) < batchRows {
		line, err := t.src.line()
		if err == io.EOF { //nolint:errorlint // line returns the bare io.EOF
			return t.end()
		}
		if err != nil {
			return err
		}
		t.lineNo++
		if t.lineNo == 1 {
			line = bytes.TrimPrefix(line, []byte("\xef\xbb\xbf"))
		}
		if isComment(line) {
			continue
		}
		if t.split(line) && t.isWhole() {
			t.started = true
			t.rows++
			t.add(b)
			continue
		}
		if err := t.oddLine(line); err != nil {
			return err
		}
	}
	return nil
}

// isWhole reports whether the line has every column that is used.
func (t *textReader) isWhole() bool {
	l := &t.layout
	return len(t.fields) > max(l.xyz[0], l.xyz[1], l.xyz[2], l.intensity, l.normal[0], l.normal[1], l.normal[2], l.colour[0], l.colour[1], l.colour[2])
}

const (
	// fewOdd lines that are no points are let pass among at least a hundred times as
	// many that are; the share is looked at when the file ends, and on the way a
	// reader that has gone astray is stopped.
	fewOdd   = 20
	oddShare = 100
)

// isComment reports whether a line is blank or marked as a comment.
func isComment(line []byte) bool {
	line = skipBlanks(line)
	if len(line) == 0 {
		return true
	}
	switch line[0] {
	case '#', '%', ';':
		return true
	default:
		return line[0] == '/' && len(line) > 1 && line[1] == '/'
	}
}

// oddLine lets headings pass, and a few lines that are no points.
func (t *textReader) oddLine(line []byte) error {
	switch {
	case !t.started:
		return nil
	case t.isNextCount(line):
		return nil
	case t.src.atEnd():
		return short("the last line (%d) is torn: %q", t.lineNo, clip(string(line)))
	}
	if t.odd++; t.odd == 1 {
		t.first = fmt.Sprintf("line %d is not a point: %q", t.lineNo, clip(string(line)))
	}
	if t.odd > fewOdd && t.odd*oddShare > t.rows {
		return broken("%s, and %d more lines are none", t.first, t.odd-1)
	}
	return nil
}

// isNextCount takes the count of a further scan, which some programs put behind
// the last point of the one before.
func (t *textReader) isNextCount(line []byte) bool {
	n, ok := loneCount(line)
	if !ok || t.about.Points != t.rows || n > math.MaxInt64-t.rows {
		return false
	}
	t.about.Points += n
	t.about.note("The file holds several scans one behind the other; they are read as one.")
	return true
}

// loneCount reads a line that is nothing but a count.
func loneCount(line []byte) (n int64, ok bool) {
	n, err := strconv.ParseInt(string(bytes.TrimSpace(line[:min(len(line), 40)])), 10, 64)
	return n, err == nil && n >= 0
}

func (t *textReader) end() error {
	if t.odd > 0 && t.odd*oddShare > t.rows {
		return broken("%s", t.first)
	}
	if t.odd > 0 {
		t.about.note("%d of %d lines are no points and were passed over; the first: %s.", t.odd, t.rows+t.odd, t.first)
	}
	if t.about.Points > t.rows {
		return short("the first line promises %d points, %d are there", t.about.Points, t.rows)
	}
	return io.EOF
}

func (t *textReader) add(b *Batch) {
	l, f := &t.layout, t.fields
	b.X, b.Y, b.Z = append(b.X, f[l.xyz[0]]), append(b.Y, f[l.xyz[1]]), append(b.Z, f[l.xyz[2]])
	if l.normal[0] >= 0 {
		b.NX, b.NY, b.NZ = append(b.NX, float32(f[l.normal[0]])), append(b.NY, float32(f[l.normal[1]])), append(b.NZ, float32(f[l.normal[2]]))
	}
	if l.colour[0] >= 0 && t.want.colour {
		for _, at := range l.colour {
			b.RGB = append(b.RGB, l.shade.of(f[at]))
		}
	}
	if l.intensity >= 0 {
		b.Intensity = append(b.Intensity, float32(f[l.intensity]))
	}
}
