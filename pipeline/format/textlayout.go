package format

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"unicode"

	"trammel/pipeline/length"
)

// textLayout says how a line is cut and which column is what; -1 is none.
type textLayout struct {
	separator byte // 0 for blanks
	comma     byte // what a comma stands for: itself, '.' in a number, or a blank
	columns   int  // numbers of an ordinary line
	xyz       [3]int
	normal    [3]int
	colour    [3]int
	intensity int
	shade     shade
}

const (
	// surveyRows lines of numbers decide how a file is cut and what its columns are.
	surveyRows = 100
	// surveyHeading is the most lines before them that are kept as a heading.
	surveyHeading = 50
)

// survey looks at the first lines: separator, decimal comma, heading, columns.
func (t *textReader) survey(head []byte) error {
	var heading []string
	var sample [][]byte
	counts := 0
	for line := range bytes.Lines(bytes.TrimPrefix(head, []byte("\xef\xbb\xbf"))) {
		line = bytes.TrimSpace(line)
		switch n, isCount := loneCount(line); {
		case len(line) == 0:
		case len(sample) < surveyRows && startsWithNumbers(line):
			sample = append(sample, line)
		case len(sample) > 0:
		case isCount:
			t.about.Points = n
			counts++
		case len(heading) < surveyHeading:
			t.about.declare(string(line))
			heading = append(heading, string(line))
		}
	}
	switch {
	case len(sample) == 0:
		return broken("it is text without a line of three numbers")
	case counts > 1:
		return broken("it is text that begins with the size of a grid and a pose, which is not read; export it as E57 or PLY")
	}
	rows := t.chooseLayout(sample)
	t.assignColumns(heading, rows)
	return nil
}

// chooseLayout tries the ways to cut a line and takes the one that cuts most of
// the sample into numbers; of equals the first, as "1, 2, 3" is rather cut at its
// commas than at its blanks. It returns the numbers.
func (t *textReader) chooseLayout(sample [][]byte) [][]float64 {
	var best [][]float64
	var chosen textLayout
	for _, l := range []textLayout{
		{separator: ';', comma: ','}, {separator: ';', comma: '.'}, {separator: '|', comma: ','}, {separator: '|', comma: '.'},
		{separator: '\t', comma: ','}, {separator: '\t', comma: '.'}, {separator: ',', comma: ','},
		{comma: ','}, {comma: '.'}, {comma: ' '},
	} {
		t.layout = l
		if rows := t.rowsOf(sample); len(rows) > len(best) {
			best, chosen = rows, l
		}
	}
	t.layout = chosen
	for _, r := range best {
		t.layout.columns = max(t.layout.columns, len(r))
	}
	return best
}

// rowsOf cuts the lines that the layout fits.
func (t *textReader) rowsOf(sample [][]byte) [][]float64 {
	rows := make([][]float64, 0, len(sample))
	for _, line := range sample {
		if t.split(bytes.Clone(line)) {
			rows = append(rows, slices.Clone(t.fields))
		}
	}
	return rows
}

// assignColumns names the columns by the last line of the heading that does, or
// by what the numbers of the first lines can be.
func (t *textReader) assignColumns(heading []string, rows [][]float64) {
	l := &t.layout
	l.xyz, l.normal, l.colour, l.intensity = [3]int{0, 1, 2}, none, none, -1
	isNamed := false
	for _, line := range slices.Backward(heading) {
		if isNamed = l.byHeading(line); isNamed {
			break
		}
	}
	if !isNamed {
		l.guess(rows)
	}
	for _, line := range heading {
		if u := headingUnit(line); t.about.Units == length.Unknown {
			t.about.Units = u
		}
	}
	l.shade.most = brightness(rows, l.colour)
	if l.columns > 3 {
		t.about.note("Columns read as %s.", l.describe())
	}
}

// none stands for three columns that are not there.
var none = [3]int{-1, -1, -1}

// guess tells by the numbers what columns without names are: a unit vector is a
// normal, three whole numbers of a byte or three numbers of 0 to 1 are a colour,
// and one left over in front of them or behind is an intensity.
func (l *textLayout) guess(rows [][]float64) {
	for next := 3; next < l.columns; {
		into, ok := l.triple(rows, next)
		_, isBehind := l.triple(rows, next+1)
		isOneOver := (l.columns-next)%3 == 1
		switch {
		case l.intensity < 0 && (isOneOver && (isBehind || !ok) || isBehind && !ok):
			l.intensity = next
			next++
		case ok:
			*into = [3]int{next, next + 1, next + 2}
			next += 3
		default:
			return
		}
	}
}

// triple tells what three columns from at on can be, of what is still missing.
func (l *textLayout) triple(rows [][]float64, at int) (into *[3]int, ok bool) {
	switch {
	case at+3 > l.columns:
		return nil, false
	case l.normal == none && areUnit(rows, at):
		return &l.normal, true
	case l.colour == none && (areBytes(rows, at) || areShares(rows, at)):
		return &l.colour, true
	}
	return nil, false
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
	text := strings.Join(names, " ") + "; separator " + l.separatorName()
	if l.comma == '.' {
		text += ", decimal comma"
	}
	return text
}

func (l *textLayout) separatorName() string {
	switch {
	case l.comma == ' ':
		return "blank or comma"
	case l.separator == ',':
		return "comma"
	case l.separator == ';':
		return "semicolon"
	case l.separator == '\t':
		return "tab"
	case l.separator == '|':
		return "bar"
	default:
		return "blank"
	}
}

// byHeading assigns the columns by their names; it reports whether the line has
// names for x, y and z. Words before the names of all columns are passed over.
func (l *textLayout) byHeading(line string) bool {
	names := columnNames(line, l.separator)
	if len(names) < l.columns {
		return false
	}
	names = names[len(names)-l.columns:]
	at := func(want ...string) int {
		return slices.IndexFunc(names, func(s string) bool { return slices.Contains(want, s) })
	}
	xyz := whole3(at("x", "easting"), at("y", "northing"), at("z", "elevation", "height"))
	if xyz == none {
		return false
	}
	l.xyz = xyz
	l.intensity = at("i", "intensity", "reflectance", "reflectivity")
	l.normal = whole3(at("nx", "normal x"), at("ny", "normal y"), at("nz", "normal z"))
	l.colour = whole3(at("r", "red", "rf"), at("g", "green", "gf"), at("b", "blue", "bf"))
	return true
}

func whole3(a, b, c int) [3]int {
	if a < 0 || b < 0 || c < 0 {
		return none
	}
	return [3]int{a, b, c}
}

// columnNames cuts a heading into names of lower case: at the separator of the
// numbers if it is there, else at whatever separates. Marks of comments, quotes
// and underscores, and what stands in brackets, are no part of a name.
func columnNames(line string, separator byte) []string {
	bare := strings.TrimLeft(strings.ToLower(withoutBrackets(line)), "#/%; \t")
	cut := func(r rune) bool { return strings.ContainsRune(" \t,;|/", r) }
	if separator != 0 && strings.IndexByte(bare, separator) >= 0 {
		cut = func(r rune) bool { return r == rune(separator) }
	}
	names := strings.FieldsFunc(bare, cut)
	for i, name := range names {
		words := strings.FieldsFunc(name, func(r rune) bool { return strings.ContainsRune(" \t_\"'.:", r) })
		names[i] = columnName(words)
	}
	return names
}

// columnName takes the x out of "pos x" and "x mm", and leaves "normal x" alone.
func columnName(words []string) string {
	joined := strings.Join(words, " ")
	if len(words) < 2 || strings.HasPrefix(joined, "normal") {
		return joined
	}
	for _, axis := range []string{"x", "y", "z"} {
		isUnit := unitOfWord(words[1]) != length.Unknown || strings.HasPrefix(words[1], "coord")
		if words[0] == axis && isUnit || words[0] != "n" && words[len(words)-1] == axis {
			return axis
		}
	}
	if i := slices.IndexFunc(words, func(w string) bool { return w == "intensity" || w == "reflectance" }); i >= 0 {
		return words[i]
	}
	return joined
}

// withoutBrackets takes out what stands in brackets, and the brackets.
func withoutBrackets(s string) string {
	depth := 0
	return strings.Map(func(r rune) rune {
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
	}, s)
}

// headingUnit returns the unit that stands behind x or z in a heading, such as in
// "x [mm]", "x(m)", "x_mm" or "x y z in m", or that a line gives three times.
func headingUnit(line string) length.Unit {
	words := strings.FieldsFunc(strings.ToLower(line), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	for i, w := range words {
		if u := firstUnit(words[i+1:]); (w == "x" || w == "z") && u != length.Unknown {
			return u
		}
	}
	if len(words) >= 3 && words[0] == words[1] && words[1] == words[2] {
		return unitOfWord(words[0])
	}
	return length.Unknown
}

// all reports whether three columns from at are there in all rows and fit.
func all(rows [][]float64, at int, fits func(v []float64) bool) bool {
	return !slices.ContainsFunc(rows, func(r []float64) bool { return len(r) < at+3 || !fits(r[at:at+3]) })
}

// areBytes reports whether the three columns from at hold whole numbers of 0 to
// 255 in all rows.
func areBytes(rows [][]float64, at int) bool {
	return all(rows, at, func(v []float64) bool {
		return !slices.ContainsFunc(v, func(x float64) bool { return !(x >= 0 && x <= 255) || x != math.Trunc(x) })
	})
}

// areShares reports whether the three columns from at hold numbers of 0 to 1.
func areShares(rows [][]float64, at int) bool {
	return all(rows, at, func(v []float64) bool {
		return !slices.ContainsFunc(v, func(x float64) bool { return !(x >= 0 && x <= 1) })
	})
}

// areUnit reports whether the three columns from at are unit vectors in all rows.
func areUnit(rows [][]float64, at int) bool {
	return all(rows, at, func(v []float64) bool {
		return math.Abs(math.Hypot(math.Hypot(v[0], v[1]), v[2])-1) <= 0.02
	})
}

// brightness returns the number for full brightness in columns of colour: that
// of shares where there is a fraction, else of bytes or of words.
func brightness(rows [][]float64, at [3]int) float64 {
	most, hasFraction := 0.0, false
	for _, r := range rows {
		for _, column := range at {
			if column < 0 || column >= len(r) {
				continue
			}
			if v := r[column]; v >= 0 { // which is no NaN either
				most, hasFraction = max(most, v), hasFraction || v != math.Trunc(v)
			}
		}
	}
	if most <= 1 && !hasFraction {
		return 255
	}
	return fullFor(most)
}
