// Package length reads and writes lengths with their units.
//
// Inside the program every length is a float64 in millimetres. Units enter and
// leave only at the borders: the job sheet, the scan files and the deliverables.
// The factors are exact: the international inch is 25.4 mm and the foot 304.8 mm
// (U.S. Federal Register 24 FR 5348, 1959; NIST SP 811, appendix B).
package length

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Unit is a unit of length by its symbol: "mm", "cm", "m", "in" or "ft". The
// empty unit means that nothing says which it is.
type Unit string

// The units that scans and job sheets may use.
const (
	Unknown    Unit = ""
	Millimetre Unit = "mm"
	Centimetre Unit = "cm"
	Metre      Unit = "m"
	Inch       Unit = "in"
	Foot       Unit = "ft"
)

// Units returns all units from the smallest to the largest.
func Units() []Unit { return []Unit{Millimetre, Centimetre, Inch, Foot, Metre} }

// MM returns how many millimetres one unit is, and 0 for an unknown one.
func (u Unit) MM() float64 {
	switch u {
	case Unknown:
		return 0
	case Millimetre:
		return 1
	case Centimetre:
		return 10
	case Metre:
		return 1000
	case Inch:
		return 25.4
	case Foot:
		return 304.8
	}
	return 0
}

// ParseUnit returns the unit of a symbol. The error lists the valid symbols.
func ParseUnit(s string) (Unit, error) {
	u := Unit(s)
	if u.MM() == 0 {
		return Unknown, fmt.Errorf("%q is not a unit of length; write mm, cm, m, in or ft", s)
	}
	return u, nil
}

// Parse reads a length with its unit, such as "145 mm", "0.145 m" or "5.7 in",
// and returns it in millimetres. A number without a unit is an error, since a
// guess there costs a part that does not fit.
func Parse(s string) (float64, error) {
	s = strings.TrimSpace(s)
	i := len(s)
	for i > 0 && (s[i-1] >= 'a' && s[i-1] <= 'z' || s[i-1] >= 'A' && s[i-1] <= 'Z') {
		i--
	}
	number, symbol := strings.TrimSpace(s[:i]), s[i:]
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is not a length; write a number and its unit, such as 145 mm", s)
	}
	if symbol == "" {
		return 0, fmt.Errorf("%q has no unit; write %s mm, %s m or %s in, whichever is meant", s, number, number, number)
	}
	u, err := ParseUnit(symbol)
	if err != nil {
		return 0, err
	}
	return v * u.MM(), nil
}

// Format writes a length given in millimetres in the unit u, to three decimals
// of a millimetre at the most, such as "145 mm" or "0.145 m".
func Format(mm float64, u Unit) string {
	if u.MM() == 0 {
		u = Millimetre
	}
	decimals := 3 + int(math.Ceil(math.Log10(u.MM())))
	s := strconv.FormatFloat(mm/u.MM(), 'f', decimals, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		s = "0"
	}
	return s + " " + string(u)
}
