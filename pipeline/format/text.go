package format

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"trammel/pipeline/length"
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

// textLayout says how a line is cut and which column is what; -1 is none.
type textLayout struct {
	separator    byte // 0 for blanks
	decimalComma bool
	columns      int // numbers of an ordinary line
	xyz          [3]int
	normal       [3]int
	colour       [3]int
	intensity    int
}

func newText(src *source, about *About, want *wants) (*textReader, error) {
	about.Encoding = "ascii"
	t := &textReader{src: src, about: about, want: want}
	return t, t.survey(src.peek(min(detectHead, len(src.buf))))
}

// survey looks at the first lines: separator, decimal comma, heading, columns.
func (t *textReader) survey(head []byte) error {
	var heading string
	var sample [][]byte
	for line := range bytes.Lines(bytes.TrimPrefix(head, []byte("\xef\xbb\xbf"))) {
		line = bytes.TrimSpace(line)
		if len(sample) < 100 && startsWithNumbers(line) {
			sample = append(sample, line)
		} else if len(sample) == 0 && len(line) > 0 {
			t.heading(&heading, string(line))
		}
	}
	if len(sample) == 0 {
		return broken("it is text without a line of three numbers")
	}
	t.layout = layoutOf(sample)
	t.assignColumns(heading, sample)
	return nil
}

// heading keeps the last line before the numbers, or a lone count.
func (t *textReader) heading(keep *string, line string) {
	t.about.declare(line)
	if n, err := strconv.ParseInt(line, 10, 63); err == nil && n >= 0 {
		t.about.Points = n
		return
	}
	*keep = line
}

func layoutOf(sample [][]byte) textLayout {
	l := textLayout{}
	has := func(c string) bool {
		return !slices.ContainsFunc(sample, func(line []byte) bool { return !bytes.Contains(line, []byte(c)) })
	}
	switch {
	case has(";"):
		l.separator = ';'
	case has("|"):
		l.separator = '|'
	case has("\t") && has(","):
	case has(",") && !isDecimalComma(sample[0]):
		l.separator = ','
	}
	l.decimalComma = l.separator != ',' && has(",")
	return l
}

// isDecimalComma tells "1,5 2,25 3,0" from "1,2,3" and "1, 2, 3": three or more
// words, each a number with one comma inside.
func isDecimalComma(line []byte) bool {
	words := bytes.Fields(line)
	return len(words) >= 3 && !slices.ContainsFunc(words[:3], func(w []byte) bool {
		i := bytes.IndexByte(w, ',')
		return i < 1 || i == len(w)-1 || bytes.Count(w, []byte(",")) != 1
	})
}

// assignColumns names the columns by the heading, or by what the numbers of the
// first lines can be.
func (t *textReader) assignColumns(heading string, sample [][]byte) {
	l := &t.layout
	l.xyz, l.normal, l.colour, l.intensity = [3]int{0, 1, 2}, none, none, -1
	rows := make([][]float64, 0, len(sample))
	for _, line := range sample {
		if t.split(bytes.Clone(line)) {
			rows = append(rows, slices.Clone(t.fields))
			l.columns = max(l.columns, len(t.fields))
		}
	}
	if !l.byHeading(heading) {
		l.guess(rows)
	} else if u := headingUnit(heading); t.about.Units == length.Unknown {
		t.about.Units = u
	}
	if l.columns > 3 {
		t.about.Notes = append(t.about.Notes, "Columns read as "+l.describe()+".")
	}
}

// none stands for three columns that are not there.
var none = [3]int{-1, -1, -1}

// guess tells by the numbers what columns without names are: behind the place
// an intensity where the count of columns leaves one over, colours where all are
// whole numbers of a byte, normals where all are unit vectors.
func (l *textLayout) guess(rows [][]float64) {
	next := 3
	if rest := l.columns - next; rest%3 == 1 {
		l.intensity, next = 3, 4
	}
	for _, part := range []struct {
		is   func([][]float64, int) bool
		into *[3]int
	}{{areBytes, &l.colour}, {areUnit, &l.normal}} {
		if next+3 <= l.columns && part.is(rows, next) {
			*part.into, next = [3]int{next, next + 1, next + 2}, next+3
		}
	}
}

// describe names the columns in their order and how they are separated.
func (l *textLayout) describe() string {
	names := slices.Repeat([]string{"(unused)"}, l.columns)
	name := func(at int, what string) {
		if at >= 0 && at < len(names) {
			names[at] = what
		}
	}
	for k, axis := range []string{"x", "y", "z"} {
		name(l.xyz[k], axis)
		name(l.normal[k], "n"+axis)
		name(l.colour[k], []string{"red", "green", "blue"}[k])
	}
	name(l.intensity, "intensity")
	separator := map[byte]string{0: "blanks", ',': "commas", ';': "semicolons", '\t': "tabs", '|': "bars"}[l.separator]
	text := strings.Join(names, " ") + ", separated by " + separator
	if l.decimalComma {
		text += ", with decimal commas"
	}
	return text
}

// columnNames cuts a heading into names, without marks of comments and without
// units in brackets.
func columnNames(heading string) []string {
	depth := 0
	bare := strings.Map(func(r rune) rune {
		switch {
		case strings.ContainsRune("[(", r):
			depth++
			return -1
		case strings.ContainsRune("])", r):
			depth = max(0, depth-1)
			return -1
		case depth > 0:
			return -1
		}
		return r
	}, strings.ToLower(heading))
	return strings.FieldsFunc(bare, func(r rune) bool { return strings.ContainsRune(" \t,;|/#%\"", r) })
}

func (l *textLayout) byHeading(heading string) bool {
	names := columnNames(heading)
	at := func(names []string, want ...string) int {
		return slices.IndexFunc(names, func(s string) bool { return slices.Contains(want, s) })
	}
	x, y, z := at(names, "x"), at(names, "y"), at(names, "z")
	if x < 0 || y < 0 || z < 0 || len(names) < l.columns {
		return false
	}
	l.xyz = [3]int{x, y, z}
	l.intensity = at(names, "i", "intensity", "reflectance")
	l.normal = whole3(at(names, "nx", "normal_x"), at(names, "ny", "normal_y"), at(names, "nz", "normal_z"))
	l.colour = whole3(at(names, "r", "red"), at(names, "g", "green"), at(names, "b", "blue"))
	return true
}

func whole3(a, b, c int) [3]int {
	if a < 0 || b < 0 || c < 0 {
		return none
	}
	return [3]int{a, b, c}
}

// headingUnit returns the unit that stands in brackets behind x, such as in
// "x [mm]".
func headingUnit(heading string) length.Unit {
	_, after, ok := strings.Cut(strings.ToLower(heading), "x")
	if after = strings.TrimLeft(after, " _"); !ok || after == "" || !strings.ContainsRune("[(", rune(after[0])) {
		return length.Unknown
	}
	word, _, ok := strings.Cut(after[1:], map[byte]string{'[': "]", '(': ")"}[after[0]])
	if u, err := length.ParseUnit(strings.TrimSpace(word)); ok && err == nil {
		return u
	}
	return length.Unknown
}

// areBytes reports whether the three columns from at hold whole numbers of 0 to
// 255 in all rows.
func areBytes(rows [][]float64, at int) bool {
	return !slices.ContainsFunc(rows, func(r []float64) bool {
		if len(r) < at+3 {
			return true
		}
		return slices.ContainsFunc(r[at:at+3], func(v float64) bool { return !(v >= 0 && v <= 255) || v != math.Trunc(v) })
	})
}

// areUnit reports whether the three columns from at are unit vectors in all rows.
func areUnit(rows [][]float64, at int) bool {
	return !slices.ContainsFunc(rows, func(r []float64) bool {
		return len(r) < at+3 || math.Abs(math.Hypot(math.Hypot(r[at], r[at+1]), r[at+2])-1) > 0.02
	})
}

// split cuts a line into numbers, changing it in place; an empty field between
// separators is not a number.
func (t *textReader) split(line []byte) bool {
	t.fields = t.fields[:0]
	if t.layout.decimalComma {
		for i, c := range line {
			if c == ',' {
				line[i] = '.'
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
		if t.split(bytes.TrimPrefix(line, []byte("\xef\xbb\xbf"))) && t.isWhole() {
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

// oddLine lets headings, blank lines and comments pass, and a few others.
func (t *textReader) oddLine(line []byte) error {
	bare := skipBlanks(line)
	isComment := len(bare) == 0 || bytes.IndexByte([]byte("#%;"), bare[0]) >= 0 || bytes.HasPrefix(bare, []byte("//"))
	switch {
	case !t.started || isComment:
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
			b.RGB = append(b.RGB, uint8(max(0, min(255, f[at]))))
		}
	}
	if l.intensity >= 0 {
		b.Intensity = append(b.Intensity, float32(f[l.intensity]))
	}
}
