package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"

	"trammel/pipeline/job"
	"trammel/pipeline/length"
)

// visible makes text from job sheets and file names safe to look at: what has no
// shape of its own (control characters, marks that turn the direction of writing,
// zero-width characters) is written out as [U+202E], any space but the line end
// becomes a plain one. What a reader sees is then what stands there.
func visible(s string) string {
	var b strings.Builder
	for _, r := range s {
		switch {
		case r == '\n' || unicode.IsPrint(r):
			b.WriteRune(r)
		case unicode.IsSpace(r):
			b.WriteByte(' ')
		default:
			fmt.Fprintf(&b, "[U+%04X]", r)
		}
	}
	return b.String()
}

// oneLine is visible text without line ends.
func oneLine(s string) string { return strings.ReplaceAll(visible(s), "\n", " ") }

// figures writes lengths in the job's units, which the numbers of a report already
// have.
type figures struct {
	unit     length.Unit
	decimals int // that show a hundredth of a millimetre or a little less
}

func figuresOf(u length.Unit) figures {
	decimals := map[length.Unit]int{length.Centimetre: 3, length.Metre: 5, length.Inch: 4, length.Foot: 5}[u]
	if decimals == 0 {
		return figures{length.Millimetre, 2}
	}
	return figures{u, decimals}
}

// at writes a coordinate, a diameter or a distance.
func (f figures) at(x float64) string { return fixed(x, f.decimals) }

// fine writes what is small, such as an uncertainty, with one more decimal.
func (f figures) fine(x float64) string { return fixed(x, f.decimals+1) }

// signed writes a deviation, always with its sign.
func (f figures) signed(x float64) string {
	s := f.at(x)
	if strings.HasPrefix(s, "-") || strings.Trim(s, "0.") == "" {
		return s
	}
	return "+" + s
}

// named is a length with its unit.
func (f figures) named(x float64) string { return f.fine(x) + " " + string(f.unit) }

// in heads a column of lengths.
func (f figures) in(what string) string { return what + ", " + string(f.unit) }

// coarse is good enough for sizes: a millimetre.
func (f figures) coarse(x float64) string { return fixed(x, max(0, f.decimals-2)) }

// fixed rounds to so many decimals and knows no minus zero.
func fixed(x float64, decimals int) string {
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// each writes three numbers, one below the other.
func each(v Vec3, write func(float64) string) string { return beside(v, "\n", write) }

// beside writes three numbers with something between them.
func beside(v Vec3, between string, write func(float64) string) string {
	return write(v[0]) + between + write(v[1]) + between + write(v[2])
}

// matrix writes a rotation in three lines. Seven decimals keep a point at 25 m to
// a few thousandths of a millimetre.
func matrix(r [9]float64) string {
	rows := make([]string, 3)
	for i := range rows {
		rows[i] = beside(Vec3(r[3*i:3*i+3]), "  ", func(x float64) string { return fixed(x, 7) })
	}
	return strings.Join(rows, "\n")
}

// grouped writes a count with thin gaps between thousands.
func grouped(n int64) string {
	s := strconv.FormatInt(n, 10)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "\u00a0" + s[i:]
	}
	return s
}

// percent writes a share of 0 to 1; it never rounds up to what was not reached.
func percent(share float64) string { return fixed(math.Floor(share*1000+1e-9)/10, 1) + " %" }

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// plural writes a count and its noun.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// severity is what a finding does, in a word.
func severity(s job.Severity) string {
	switch s {
	case job.Hold:
		return "holds"
	case job.Warn:
		return "warning"
	case job.Note:
		return "note"
	}
	return string(s)
}

func unitName(u length.Unit) string {
	switch u {
	case length.Centimetre:
		return "centimetres"
	case length.Metre:
		return "metres"
	case length.Inch:
		return "inches (25.4 mm)"
	case length.Foot:
		return "feet (304.8 mm)"
	case length.Millimetre, length.Unknown:
	}
	return "millimetres"
}
