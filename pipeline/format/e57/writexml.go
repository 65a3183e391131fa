package e57

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"

	"trammel/pipeline/geom"
)

// describeXML returns the XML section.
func describeXML(h Header, scans []Output, plans []plan) []byte {
	var b xmlText
	b.add("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<e57Root type=\"Structure\" xmlns=%q>\n", namespace)
	b.text("formatName", formatName)
	b.text("guid", h.GUID)
	b.add("<versionMajor type=\"Integer\">1</versionMajor>\n<versionMinor type=\"Integer\">0</versionMinor>\n")
	if h.Created != 0 {
		b.add("<creationDateTime type=\"Structure\">%s<isAtomicClockReferenced type=\"Integer\">0</isAtomicClockReferenced></creationDateTime>\n",
			float("dateTimeValue", h.Created))
	}
	b.add("<data3D type=\"Vector\" allowHeterogeneousChildren=\"1\">\n")
	for i := range scans {
		b.scan(&scans[i].Scan, physical(plans[i].start))
	}
	b.add("</data3D>\n<images2D type=\"Vector\" allowHeterogeneousChildren=\"1\"></images2D>\n</e57Root>\n")
	return b.Bytes()
}

// xmlText grows the XML section.
type xmlText struct{ bytes.Buffer }

func (b *xmlText) add(format string, args ...any) { fmt.Fprintf(&b.Buffer, format, args...) }

// text adds a string element, or nothing where the string is empty.
func (b *xmlText) text(name, value string) {
	if value != "" {
		b.add("<%s type=\"String\"><![CDATA[%s]]></%s>\n", name, plainCharacters(value), name)
	}
}

// plainCharacters replaces what XML 1.0 cannot hold, and cuts the one mark that
// would end a CDATA section.
func plainCharacters(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' || r == 0xfffe || r == 0xffff {
			return 0xfffd
		}
		return r
	}, strings.ToValidUTF8(s, "\ufffd"))
	return strings.ReplaceAll(s, "]]>", "]]]]><![CDATA[>")
}

func float(name string, v float64) string {
	return fmt.Sprintf("<%s type=\"Float\">%s</%s>", name, digits(v), name)
}

// digits returns the shortest decimal number that reads back as v.
func digits(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func (b *xmlText) scan(s *Scan, fileOffset int64) {
	b.add("<vectorChild type=\"Structure\">\n")
	b.text("guid", s.GUID)
	b.text("name", s.Name)
	b.text("description", s.Description)
	if s.Pose != nil {
		b.pose(*s.Pose)
	}
	b.limits(s)
	b.add("<points type=\"CompressedVector\" fileOffset=\"%d\" recordCount=\"%d\">\n<prototype type=\"Structure\">\n", fileOffset, s.Records)
	for i := range s.Fields {
		b.field(&s.Fields[i])
	}
	b.add("</prototype>\n<codecs type=\"Vector\" allowHeterogeneousChildren=\"1\"></codecs>\n</points>\n</vectorChild>\n")
}

func (b *xmlText) pose(p geom.Pose) {
	q := geom.QuatOf(p.R)
	b.add("<pose type=\"Structure\">\n<rotation type=\"Structure\">%s%s%s%s</rotation>\n",
		float("w", q.W), float("x", q.X), float("y", q.Y), float("z", q.Z))
	b.add("<translation type=\"Structure\">%s%s%s</translation>\n</pose>\n",
		float("x", p.T.X), float("y", p.T.Y), float("z", p.T.Z))
}

// limits adds the bounds of a scan and the limits of its columns, where there
// are any.
func (b *xmlText) limits(s *Scan) {
	if lo, hi := s.Bounds.Min, s.Bounds.Max; lo != hi && !s.Bounds.IsEmpty() {
		b.add("<cartesianBounds type=\"Structure\">%s%s%s%s%s%s</cartesianBounds>\n",
			float("xMinimum", lo.X), float("xMaximum", hi.X), float("yMinimum", lo.Y),
			float("yMaximum", hi.Y), float("zMinimum", lo.Z), float("zMaximum", hi.Z))
	}
	if s.Row != (Limits{}) || s.Column != (Limits{}) {
		b.add("<indexBounds type=\"Structure\">")
		b.whole("row", s.Row)
		b.whole("column", s.Column)
		b.add("</indexBounds>\n")
	}
	if s.Intensity != (Limits{}) {
		b.add("<intensityLimits type=\"Structure\">%s%s</intensityLimits>\n",
			float("intensityMinimum", s.Intensity.Min), float("intensityMaximum", s.Intensity.Max))
	}
	if s.Red != (Limits{}) {
		b.add("<colorLimits type=\"Structure\">")
		b.whole("colorRed", s.Red)
		b.whole("colorGreen", s.Green)
		b.whole("colorBlue", s.Blue)
		b.add("</colorLimits>\n")
	}
}

func (b *xmlText) whole(name string, l Limits) {
	for _, end := range []struct {
		name string
		v    float64
	}{{name + "Minimum", l.Min}, {name + "Maximum", l.Max}} {
		b.add("<%s type=\"Integer\">%.0f</%s>", end.name, end.v, end.name)
	}
}

func (b *xmlText) field(f *Field) {
	least := min(max(0, f.Min), f.Max) // the value of the prototype itself: 0, or what is nearest
	switch f.Kind {
	case Integer:
		b.add("<%s type=\"Integer\" minimum=\"%d\" maximum=\"%d\">%d</%s>\n", f.Name, f.Min, f.Max, least, f.Name)
	case Scaled:
		b.add("<%s type=\"ScaledInteger\" minimum=\"%d\" maximum=\"%d\" scale=\"%s\" offset=\"%s\">%d</%s>\n",
			f.Name, f.Min, f.Max, digits(f.Scale), digits(f.Offset), least, f.Name)
	default:
		precision := "double"
		if f.Kind == Single {
			precision = "single"
		}
		b.add("<%s type=\"Float\" precision=\"%s\"%s>%s</%s>\n", f.Name, precision, f.rangeAttributes(), digits(min(max(0, f.Low), f.High)), f.Name)
	}
}

// rangeAttributes returns the attributes of a float's limits, where it has any.
func (f *Field) rangeAttributes() string {
	if f.Low >= f.High || f.Low == -math.MaxFloat64 {
		return ""
	}
	return fmt.Sprintf(" minimum=\"%s\" maximum=\"%s\"", digits(f.Low), digits(f.High))
}
