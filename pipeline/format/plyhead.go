package format

import (
	"slices"
	"strconv"
	"strings"
)

// Limits of a PLY header; real ones stay below a hundredth of each.
const (
	plyHeaderLines = 10_000
	plyProperties  = 1_000
)

// scalar is a number type of PLY.
type scalar uint8

const (
	noScalar scalar = iota
	int8s
	uint8s
	int16s
	uint16s
	int32s
	uint32s
	float32s
	float64s
)

func scalarOf(name string) scalar {
	switch name {
	case "char", "int8":
		return int8s
	case "uchar", "uint8":
		return uint8s
	case "short", "int16":
		return int16s
	case "ushort", "uint16":
		return uint16s
	case "int", "int32":
		return int32s
	case "uint", "uint32":
		return uint32s
	case "float", "float32":
		return float32s
	case "double", "float64":
		return float64s
	}
	return noScalar
}

func (s scalar) bytes() int {
	return [...]int{noScalar: 0, int8s: 1, uint8s: 1, int16s: 2, uint16s: 2, int32s: 4, uint32s: 4, float32s: 4, float64s: 8}[s]
}

// fullShade returns the number for full brightness in a column of colour.
func (s scalar) fullShade() float64 {
	switch s {
	case int16s, uint16s:
		return 65535
	case float32s, float64s:
		return 1
	default:
		return 255
	}
}

// plyProperty is one column of an element.
type plyProperty struct {
	name  string
	kind  scalar
	count scalar // type of the count in front of a list, noScalar for a single number
	at    int    // byte offset in a record, where all properties before it are single
}

// plyElement is one table of the file.
type plyElement struct {
	name       string
	rows       int64
	properties []plyProperty
	width      int  // bytes of a binary record, lists counted as empty
	fixed      bool // no lists: every record has the same width
}

func (e *plyElement) find(names ...string) int {
	for _, want := range names {
		for i, p := range e.properties {
			if p.name == want && p.count == noScalar {
				return i
			}
		}
	}
	return -1
}

// findList is find for lists.
func (e *plyElement) findList(names ...string) int {
	return slices.IndexFunc(e.properties, func(p plyProperty) bool { return p.count != noScalar && slices.Contains(names, p.name) })
}

// plyHeader is everything before the data.
type plyHeader struct {
	encoding string // "ascii", "binary_little_endian" or "binary_big_endian"
	elements []plyElement
}

// readPLYHeader reads up to and including end_header.
func readPLYHeader(src *source, about *About) (plyHeader, error) {
	var h plyHeader
	for n := 1; n <= plyHeaderLines; n++ {
		line, err := src.line()
		if err != nil {
			if fault := src.fault(); fault != nil {
				return h, fault
			}
			return h, short("the PLY header ends after %d lines without end_header", n-1)
		}
		text := string(line)
		words := strings.Fields(text)
		if n == 1 || len(words) == 0 {
			continue
		}
		if words[0] == "end_header" {
			return h, h.validate()
		}
		if words[0] == "comment" || words[0] == "obj_info" {
			about.declare(text)
			continue
		}
		if err := h.add(words); err != nil {
			return h, broken("PLY header line %d: %v", n, err)
		}
	}
	return h, broken("the PLY header has more than %d lines", plyHeaderLines)
}

// headerError is a plain sentence; readPLYHeader adds the line.
type headerError string

func (e headerError) Error() string { return string(e) }

func (h *plyHeader) add(words []string) error {
	switch words[0] {
	case "format":
		if len(words) < 2 {
			return headerError("format without a kind")
		}
		h.encoding = words[1]
		return nil
	case "element":
		return h.addElement(words)
	case "property":
		return h.addProperty(words)
	default:
		return headerError("unknown word " + strconv.Quote(clip(words[0])))
	}
}

func clip(s string) string {
	if len(s) > 40 {
		return s[:40] + "…"
	}
	return s
}

func (h *plyHeader) addElement(words []string) error {
	if len(words) != 3 {
		return headerError("an element needs a name and a count")
	}
	rows, err := strconv.ParseInt(words[2], 10, 64)
	if err != nil || rows < 0 {
		return headerError(strconv.Quote(clip(words[2])) + " is not a count")
	}
	if slices.ContainsFunc(h.elements, func(e plyElement) bool { return e.name == words[1] }) {
		return headerError("a second element called " + strconv.Quote(clip(words[1])))
	}
	h.elements = append(h.elements, plyElement{name: words[1], rows: rows, fixed: true})
	return nil
}

func (h *plyHeader) addProperty(words []string) error {
	if len(h.elements) == 0 {
		return headerError("a property before any element")
	}
	e := &h.elements[len(h.elements)-1]
	p := plyProperty{at: e.width}
	switch {
	case len(words) == 5 && words[1] == "list":
		p.count, p.kind, p.name = scalarOf(words[2]), scalarOf(words[3]), words[4]
		if p.count == noScalar || p.count >= float32s {
			return headerError(strconv.Quote(clip(words[2])) + " is not a type for a list's length")
		}
		e.fixed = false
		e.width += p.count.bytes()
	case len(words) == 3:
		p.kind, p.name = scalarOf(words[1]), words[2]
		e.width += p.kind.bytes()
	default:
		return headerError("a property needs a type and a name")
	}
	if p.kind == noScalar {
		return headerError(strconv.Quote(clip(words[len(words)-2])) + " is not a number type")
	}
	if len(e.properties) >= plyProperties {
		return headerError("more than " + strconv.Itoa(plyProperties) + " properties in one element")
	}
	e.properties = append(e.properties, p)
	return nil
}

func (h *plyHeader) validate() error {
	switch h.encoding {
	case "ascii", "binary_little_endian", "binary_big_endian":
	default:
		return broken("PLY format %q is not ascii, binary_little_endian or binary_big_endian", clip(h.encoding))
	}
	for i := range h.elements {
		e := &h.elements[i]
		if len(e.properties) == 0 && e.rows > 0 && h.encoding != "ascii" {
			return broken("the PLY element %q has %d rows of nothing", clip(e.name), e.rows)
		}
		if e.name == "vertex" && e.rows > 0 && (e.find("x") < 0 || e.find("y") < 0 || e.find("z") < 0) {
			return broken("the PLY vertices have no x, y and z")
		}
	}
	return nil
}
