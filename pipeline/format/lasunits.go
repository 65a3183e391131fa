package format

import (
	"encoding/binary"
	"math"
	"strconv"
	"strings"

	"trammel/pipeline/length"
)

// lasUnits is what the records of the coordinate system say about units.
type lasUnits struct {
	linear   float64 // of x and y, as metres a unit, or 0
	vertical float64 // of z
	odd      uint16  // a code of a unit that is not known here, or 0
	degrees  bool    // x and y are angles
	hasWKT   bool    // well-known text was read; it goes before the keys
}

// Records of the user LASF_Projection: LAS Specification 1.4 - R15, §3.
const (
	lasWKT  = 2112
	lasKeys = 34735
)

// read takes over one record.
func (u *lasUnits) read(id uint16, raw []byte) {
	switch {
	case id == lasWKT:
		u.readWKT(string(raw))
	case id == lasKeys && len(raw) >= 8 && !u.hasWKT:
		u.readKeys(raw)
	}
}

// readKeys reads a directory of keys: OGC 19-008r4, OGC GeoTIFF Standard (2019),
// keys 1024 GTModelType, 3076 ProjLinearUnits and 4099 VerticalUnits.
func (u *lasUnits) readKeys(raw []byte) {
	number := func(at int) uint16 { return binary.LittleEndian.Uint16(raw[at:]) }
	for k := range int(number(6)) {
		at := 8 + 8*k
		if at+8 > len(raw) {
			return
		}
		key, location, value := number(at), number(at+2), number(at+6)
		switch {
		case location != 0:
		case key == 1024:
			u.degrees = value == 2
		case key == 3076:
			u.linear = u.metres(value)
		case key == 4099:
			u.vertical = u.metres(value)
		}
	}
}

// surveyFoot is the US survey foot in metres: 1200/3937.
const surveyFoot = 1200.0 / 3937

// metres is the length of an EPSG unit; 1025 and 1033 are from memory, the others
// of OGC 19-008r4.
func (u *lasUnits) metres(code uint16) float64 {
	switch code {
	case 9001:
		return 1
	case 9002:
		return 0.3048
	case 9003:
		return surveyFoot
	case 1025:
		return 0.001
	case 1033:
		return 0.01
	}
	u.odd = code
	return 0
}

// wktDepth bounds how deeply brackets are followed; real texts have five levels.
const wktDepth = 32

// readWKT looks for the units in well-known text, of OGC 01-009 or OGC 12-063r5:
// the UNIT or LENGTHUNIT directly inside a coordinate system, or inside one of
// its axes. Angles have units of their own inside the systems that those build
// on, which must not be taken.
func (u *lasUnits) readWKT(text string) {
	u.hasWKT = true
	u.linear, u.vertical, u.degrees, u.odd = 0, 0, false, 0
	var stack []string
	isProjected, isGeographic := false, false
	for len(text) > 0 && len(stack) < wktDepth {
		i := strings.IndexAny(text, "[](),\"")
		if i < 0 {
			break
		}
		word := strings.ToUpper(strings.TrimSpace(text[:i]))
		mark := text[i]
		text = text[i+1:]
		switch mark {
		case '[', '(':
			stack = append(stack, word)
			isProjected = isProjected || wktSystem(word) == wktPlane
			isGeographic = isGeographic || wktSystem(word) == wktAngles
			if word == "UNIT" || word == "LENGTHUNIT" {
				u.takeWKT(stack[:len(stack)-1], text)
			}
		case ']', ')':
			stack = stack[:max(0, len(stack)-1)]
		case '"':
			_, text, _ = strings.Cut(text, "\"") // a doubled quote begins the next string
		}
	}
	u.degrees = isGeographic && !isProjected
}

// wktKind is the sort of a coordinate system.
type wktKind int

const (
	wktNone   wktKind = iota
	wktPlane          // lengths in x and y
	wktHeight         // lengths in z
	wktAngles         // degrees
)

func wktSystem(word string) wktKind {
	switch word {
	case "PROJCS", "PROJCRS", "PROJECTEDCRS", "LOCAL_CS", "ENGCRS", "ENGINEERINGCRS", "GEOCCS":
		return wktPlane
	case "VERT_CS", "VERTCRS", "VERTICALCRS":
		return wktHeight
	case "GEOGCS", "GEOGCRS", "GEOGRAPHICCRS":
		return wktAngles
	}
	return wktNone
}

// takeWKT takes a unit that stands inside the elements above; its text begins
// behind the bracket.
func (u *lasUnits) takeWKT(above []string, text string) {
	if n := len(above); n > 0 && above[n-1] == "AXIS" {
		above = above[:n-1]
	}
	if len(above) == 0 {
		return
	}
	_, text, _ = strings.Cut(text, "\"")
	_, text, _ = strings.Cut(text, "\"")
	text = strings.TrimLeft(text, ", ")
	end := strings.IndexAny(text, ",])")
	if end < 0 {
		return
	}
	metres, err := strconv.ParseFloat(strings.TrimSpace(text[:end]), 64)
	if err != nil || !(metres > 0) {
		return
	}
	switch wktSystem(above[len(above)-1]) {
	case wktPlane:
		u.linear = metres
	case wktHeight:
		u.vertical = metres
	case wktNone, wktAngles:
	}
}

// alike allows for the digits of a factor in text: a survey foot differs from a
// foot by 2 · 10⁻⁶ of it.
func alike(a, b float64) bool { return math.Abs(a-b) <= 1e-7*math.Abs(b) }

func unitOfMetres(metres float64) length.Unit {
	for _, unit := range length.Units() {
		if alike(1000*metres, unit.MM()) {
			return unit
		}
	}
	return length.Unknown
}

// declare turns what was read into a unit where all three axes share one of ours.
func (u *lasUnits) declare(about *About) {
	switch {
	case u.degrees:
		about.note("The LAS file says that its coordinates are geographic: degrees of longitude and latitude, not lengths.")
	case alike(u.linear, surveyFoot) || alike(u.vertical, surveyFoot):
		about.note("The LAS file says that its lengths are US survey feet (1200/3937 m), which is not one of the units known here.")
	case u.linear != 0 && u.vertical != 0 && !alike(u.linear, u.vertical):
		about.note("The LAS file gives its heights in other units than its places (%g m and %g m); neither is taken.", u.vertical, u.linear)
	case u.odd != 0:
		about.note("The LAS file gives its lengths in the unit of EPSG code %d, which is not known here.", u.odd)
	default:
		about.Units = unitOfMetres(u.linear)
		if u.linear != 0 && about.Units == length.Unknown {
			about.note("The LAS file gives its lengths in a unit of %g m, which is not known here.", u.linear)
		}
	}
}
