package format

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
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
}

// textLayout says how a line is cut and which column is what; -1 is none.
type textLayout struct {
	separator    byte // 0 for blanks
	decimalComma bool
	columns      int // numbers of an ordinary line
	xyz          [3]int
	normal       [3]int
	intensity    int
}

func newText(src *source, about *About) (*textReader, error) {
	about.Encoding = "ascii"
	t := &textReader{src: src, about: about}
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
	l.xyz, l.normal, l.intensity = [3]int{0, 1, 2}, [3]int{-1, -1, -1}, -1
	rows := make([][]float64, 0, len(sample))
	for _, line := range sample {
		if t.split(bytes.Clone(line)) {
			rows = append(rows, slices.Clone(t.fields))
			l.columns = max(l.columns, len(t.fields))
		}
	}
	if l.byHeading(heading) {
		return
	}
	switch n := l.columns; {
	case n == 4 || n == 7:
		l.intensity = 3
	case n == 6 && areUnit(rows, 3):
		l.normal = [3]int{3, 4, 5}
	case n == 10 && areUnit(rows, 7):
		l.intensity, l.normal = 3, [3]int{7, 8, 9}
	}
	if l.columns > 3 {
		t.about.Notes = append(t.about.Notes, "The columns have no names and were guessed: "+l.describe()+".")
	}
}

func (l *textLayout) describe() string {
	s := "x y z"
	if l.intensity >= 0 {
		s += fmt.Sprintf(", intensity in column %d", l.intensity+1)
	}
	if l.normal[0] >= 0 {
		s += fmt.Sprintf(", normals from column %d", l.normal[0]+1)
	}
	return s + fmt.Sprintf(", of %d columns", l.columns)
}

func (l *textLayout) byHeading(heading string) bool {
	names := strings.FieldsFunc(strings.ToLower(heading), func(r rune) bool { return strings.ContainsRune(" \t,;/#\"[]()", r) })
	at := func(names []string, want ...string) int {
		return slices.IndexFunc(names, func(s string) bool { return slices.Contains(want, s) })
	}
	x, y, z := at(names, "x"), at(names, "y"), at(names, "z")
	if x < 0 || y < 0 || z < 0 || len(names) < l.columns {
		return false
	}
	l.xyz = [3]int{x, y, z}
	l.intensity = at(names, "i", "intensity", "reflectance")
	l.normal = [3]int{at(names, "nx"), at(names, "ny"), at(names, "nz")}
	if l.normal[0] < 0 || l.normal[1] < 0 || l.normal[2] < 0 {
		l.normal = [3]int{-1, -1, -1}
	}
	return true
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
	return len(t.fields) > max(l.xyz[0], l.xyz[1], l.xyz[2], l.intensity, l.normal[0], l.normal[1], l.normal[2])
}

// oddLine lets headings, blank lines and comments pass, and nothing else.
func (t *textReader) oddLine(line []byte) error {
	bare := skipBlanks(line)
	isComment := len(bare) == 0 || bare[0] == '#' || bytes.HasPrefix(bare, []byte("//"))
	switch {
	case !t.started || isComment:
		return nil
	case t.src.atEnd():
		return short("the last line (%d) is torn: %q", t.lineNo, clip(string(line)))
	default:
		return broken("line %d is not a point: %q", t.lineNo, clip(string(line)))
	}
}

func (t *textReader) end() error {
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
	if l.intensity >= 0 {
		b.Intensity = append(b.Intensity, float32(f[l.intensity]))
	}
}
