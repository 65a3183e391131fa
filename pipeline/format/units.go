package format

import (
	"strings"

	"trammel/pipeline/length"
)

// unitWords are the spellings under which a comment may declare a unit.
func unitOfWord(w string) length.Unit {
	switch w {
	case "mm", "millimeter", "millimeters", "millimetre", "millimetres":
		return length.Millimetre
	case "cm", "centimeter", "centimeters", "centimetre", "centimetres":
		return length.Centimetre
	case "m", "meter", "meters", "metre", "metres":
		return length.Metre
	case "in", "inch", "inches":
		return length.Inch
	case "ft", "foot", "feet":
		return length.Foot
	}
	return length.Unknown
}

// declaredUnit finds a declaration such as "units mm", "unit: metres" or
// "Units=in" in a comment. A unit without the word "unit" declares nothing: the
// m in a sentence is not one.
func declaredUnit(comment string) length.Unit {
	words := strings.FieldsFunc(strings.ToLower(comment), func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < '0' || r > '9')
	})
	for i, w := range words {
		if w != "unit" && w != "units" {
			continue
		}
		if u := firstUnit(words[i+1:]); u != length.Unknown {
			return u
		}
	}
	return length.Unknown
}

// firstUnit reads the unit after the word "units", over "in", "are" or "is":
// "units in mm" means mm, "units in" means inches.
func firstUnit(after []string) length.Unit {
	for len(after) > 1 {
		isFiller := after[0] == "is" || after[0] == "are" || after[0] == "in" && unitOfWord(after[1]) != length.Unknown
		if !isFiller {
			break
		}
		after = after[1:]
	}
	if len(after) == 0 {
		return length.Unknown
	}
	return unitOfWord(after[0])
}

// declare takes over a unit from a comment; the first declaration holds, and a
// contradiction is noted.
func (a *About) declare(comment string) {
	u := declaredUnit(comment)
	switch {
	case u == length.Unknown || u == a.Units:
	case a.Units == length.Unknown:
		a.Units = u
	default:
		a.Notes = append(a.Notes, "The file declares its units as both "+string(a.Units)+" and "+string(u)+"; the first is taken.")
	}
}
