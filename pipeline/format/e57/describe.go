package e57

import (
	"math"
	"math/bits"
	"slices"
	"strconv"

	"trammel/pipeline/geom"
)

// Kind is how a field's values are stored.
type Kind uint8

// The kinds of fields.
const (
	Integer Kind = iota // whole numbers of as many bits as their range needs
	Scaled              // whole numbers, multiplied by Scale, plus Offset
	Single              // IEEE 754 single precision
	Double              // IEEE 754 double precision
	Other               // text and what the standard does not know: passed over
)

// Field is one column of a scan's records.
type Field struct {
	Name          string // such as cartesianX; extensions have a prefix, as nor:normalX
	Kind          Kind
	Min, Max      int64   // of Integer and Scaled, the stored numbers
	Scale, Offset float64 // of Integer and Scaled; 1 and 0 for Integer
	Low, High     float64 // limits of the values themselves
}

// bits returns how many bits a value takes; 0 where it takes none or a varying
// number.
func (f *Field) bits() uint {
	switch f.Kind {
	case Integer, Scaled:
		return uint(bits.Len64(uint64(f.Max) - uint64(f.Min)))
	case Single:
		return 32
	case Double:
		return 64
	default:
		return 0
	}
}

// Limits are the least and greatest value of something; equal ones say nothing.
type Limits struct{ Min, Max float64 }

// Scan describes one set-up. Lengths are metres.
type Scan struct {
	GUID, Name, Description string
	// Pose takes the scan's frame to the frame of the file; nil where none is given.
	Pose    *geom.Pose
	Records int64 // promised, those without a return included
	Fields  []Field
	Bounds  geom.Box // in the scan's frame, as the file claims; empty where it is silent
	// The values that the instrument can give; zero where the file is silent.
	Intensity        Limits
	Red, Green, Blue Limits
	// The places in the grid of the capture, ends included; zero where the file is
	// silent.
	Row, Column Limits

	fileOffset uint64 // of the section, physical
	first, end int64  // logical offsets of the first packet and of the section's end
}

// field returns the place of a field in the records, or -1.
func (s *Scan) field(name string) int {
	return slices.IndexFunc(s.Fields, func(f Field) bool { return f.Name == name })
}

// Has reports whether the records have all the named fields.
func (s *Scan) Has(names ...string) bool { return s.has(names...) != nil }

// has returns the places of all the named fields, or nil where one is missing.
func (s *Scan) has(names ...string) []int {
	places := make([]int, len(names))
	for i, name := range names {
		if places[i] = s.field(name); places[i] < 0 {
			return nil
		}
	}
	return places
}

// describe fills the file from its XML section. Elements that nobody here needs
// are passed over, those of extensions among them.
func (f *File) describe(text []byte) error {
	t, err := newTokens(text)
	if err != nil {
		return err
	}
	for {
		k, err := t.next()
		if err != nil {
			return err
		}
		if k.kind == startTag && k.name == "e57Root" {
			return t.each(func(child token) error { return f.rootChild(t, child) })
		}
		if k.kind == startTag {
			return broken("it begins with <%s>, not <e57Root>", clip(k.name))
		}
	}
}

// mostScans bounds the scans of a file; a description of 1 kB each would fill the
// longest XML section.
const mostScans = longestXML >> 10

func (f *File) rootChild(t *tokens, child token) error {
	switch child.name {
	case "formatName", "guid":
		e, err := t.tree(child)
		if err != nil {
			return err
		}
		if child.name == "guid" {
			f.GUID = e.words()
		} else if e.words() != formatName {
			return broken("its format is named %q", clip(e.words()))
		}
		return nil
	case "data3D":
		return t.each(func(child token) error {
			if child.name != "vectorChild" {
				return t.skip()
			}
			if len(f.Scans) == mostScans {
				return broken("it describes more than %d scans", mostScans)
			}
			s, err := scanOf(t)
			f.Scans = append(f.Scans, s)
			return err
		})
	default:
		return t.skip()
	}
}

// scanOf reads the description of one scan, whose start tag was just read.
func scanOf(t *tokens) (Scan, error) {
	s := Scan{Bounds: geom.EmptyBox()}
	err := t.each(func(child token) error {
		switch child.name {
		case "guid", "name", "description", "pose", "points",
			"cartesianBounds", "indexBounds", "intensityLimits", "colorLimits":
			e, err := t.tree(child)
			if err != nil {
				return err
			}
			return s.set(&e)
		default:
			return t.skip()
		}
	})
	if err == nil && s.Fields == nil {
		err = broken("a scan has no points element with fields")
	}
	if k := s.field("intensity"); k >= 0 && s.Intensity == (Limits{}) {
		s.Intensity = s.Fields[k].valueRange()
	}
	return s, err
}

// valueRange returns the limits of a field's values, or zero where it has none and
// its kind alone limits them.
func (f *Field) valueRange() Limits {
	isWhole := f.Kind == Integer || f.Kind == Scaled
	if isWhole && f.bits() == 64 || f.Kind == Other || f.High-f.Low > math.MaxFloat32 {
		return Limits{}
	}
	return Limits{Min: f.Low, Max: f.High}
}

func (s *Scan) set(e *element) (err error) {
	switch e.name {
	case "guid":
		s.GUID = e.words()
	case "name":
		s.Name = e.words()
	case "description":
		s.Description = e.words()
	case "pose":
		s.Pose, err = poseOf(e)
	case "points":
		err = s.setPoints(e)
	case "cartesianBounds":
		s.Bounds, err = boxOf(e)
	case "indexBounds":
		s.Row, s.Column, err = twoLimits(e)
	case "intensityLimits":
		s.Intensity, err = limits(e, "intensity")
	case "colorLimits":
		err = s.setColours(e)
	}
	return err
}

func limits(e *element, name string) (Limits, error) {
	lo, errLo := e.child(name + "Minimum").number()
	hi, errHi := e.child(name + "Maximum").number()
	return Limits{Min: lo, Max: hi}, firstError(errLo, errHi)
}

func twoLimits(e *element) (row, column Limits, err error) {
	row, errRow := limits(e, "row")
	column, errColumn := limits(e, "column")
	return row, column, firstError(errRow, errColumn)
}

func (s *Scan) setColours(e *element) error {
	var errs [3]error
	s.Red, errs[0] = limits(e, "colorRed")
	s.Green, errs[1] = limits(e, "colorGreen")
	s.Blue, errs[2] = limits(e, "colorBlue")
	return firstError(errs[:]...)
}

func boxOf(e *element) (geom.Box, error) {
	x, errX := limits(e, "x")
	y, errY := limits(e, "y")
	z, errZ := limits(e, "z")
	box := geom.Box{Min: geom.Vec{X: x.Min, Y: y.Min, Z: z.Min}, Max: geom.Vec{X: x.Max, Y: y.Max, Z: z.Max}}
	return box, firstError(errX, errY, errZ)
}

func firstError(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// mostOffUnit bounds how far the length of a pose's quaternion may be from one.
// Files written in single precision or with three digits pass; a quaternion
// beyond it is damage, which normalising would hide.
const mostOffUnit = 0.01

func poseOf(e *element) (*geom.Pose, error) {
	p := geom.IdentityPose()
	if r := e.child("rotation"); r != nil {
		v, err := numbers(r, "w", "x", "y", "z")
		if err != nil {
			return nil, err
		}
		q := geom.Quat{W: v[0], X: v[1], Y: v[2], Z: v[3]}
		norm := math.Sqrt(q.W*q.W + q.X*q.X + q.Y*q.Y + q.Z*q.Z)
		if norm != 0 && !(math.Abs(norm-1) <= mostOffUnit) {
			return nil, broken("the quaternion of a pose has the length %g, not 1", norm)
		}
		p.R = q.Mat()
	}
	if t := e.child("translation"); t != nil {
		v, err := numbers(t, "x", "y", "z")
		if err != nil {
			return nil, err
		}
		p.T = geom.Vec{X: v[0], Y: v[1], Z: v[2]}
	}
	if !p.T.IsFinite() {
		return nil, broken("the translation of a pose is not finite")
	}
	return &p, nil
}

func numbers(e *element, names ...string) ([]float64, error) {
	out := make([]float64, len(names))
	for i, name := range names {
		v, err := e.child(name).number()
		if err != nil {
			return nil, err
		}
		out[i] = v
	}
	return out, nil
}

// mostFields bounds the fields of a scan; the standard itself has 24, and a
// packet of the largest size can hold lengths of 32 763.
const mostFields = 1024

func (s *Scan) setPoints(e *element) error {
	var err error
	if s.fileOffset, err = e.count("fileOffset"); err != nil {
		return err
	}
	n, err := e.count("recordCount")
	if err != nil {
		return err
	}
	if n > math.MaxInt64 {
		return broken("%d records in one scan are beyond belief", n)
	}
	s.Records = int64(n)
	if s.Fields, err = fieldsOf(e.child("prototype"), nil); err != nil {
		return err
	}
	if len(s.Fields) > mostFields {
		return broken("%d fields in one scan are beyond belief", len(s.Fields))
	}
	if codecs := e.child("codecs"); codecs != nil {
		for i := range codecs.children {
			if codecs.children[i].child("bitPackCodec") == nil {
				return broken("its points are packed by a codec other than bit packing")
			}
		}
	}
	return nil
}

func (e *element) count(name string) (uint64, error) {
	text, ok := e.attribute(name)
	if !ok {
		return 0, broken("<%s> has no %s", e.name, name)
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		return 0, broken("%s=%q is no count", name, clip(text))
	}
	return n, nil
}

// fieldsOf appends the fields of a record in the order of their streams: the
// leaves of the prototype, those of nested extension structures included.
func fieldsOf(e *element, fields []Field) ([]Field, error) {
	if e == nil {
		return nil, broken("a scan has no prototype")
	}
	for i := range e.children {
		child := &e.children[i]
		if len(child.children) > 0 {
			inner, err := fieldsOf(child, nil)
			if err != nil {
				return nil, err
			}
			for k := range inner { // so that none is taken for a field of the standard
				inner[k].Name = child.name + "/" + inner[k].Name
			}
			fields = append(fields, inner...)
			continue
		}
		f, err := fieldOf(child)
		if err != nil {
			return nil, err
		}
		fields = append(fields, f)
	}
	return fields, nil
}

func fieldOf(e *element) (Field, error) {
	f := Field{Name: e.name, Kind: Other, Scale: 1}
	kind, _ := e.attribute("type")
	switch kind {
	case "Integer":
		f.Kind = Integer
		return f, f.setWhole(e)
	case "ScaledInteger":
		f.Kind = Scaled
		return f, firstError(f.setScale(e), f.setWhole(e))
	case "Float":
		f.Kind = Double
		if precision, _ := e.attribute("precision"); precision == "single" {
			f.Kind = Single
		}
		return f, f.setFloat(e)
	default:
		return f, nil
	}
}

func (f *Field) setWhole(e *element) error {
	var errMin, errMax error
	f.Min, errMin = e.whole("minimum", math.MinInt64)
	f.Max, errMax = e.whole("maximum", math.MaxInt64)
	if err := firstError(errMin, errMax); err != nil {
		return err
	}
	if f.Min > f.Max {
		return broken("the minimum of %s, %d, is above its maximum, %d", clip(f.Name), f.Min, f.Max)
	}
	f.Low, f.High = float64(f.Min)*f.Scale+f.Offset, float64(f.Max)*f.Scale+f.Offset
	return nil
}

func (f *Field) setScale(e *element) error {
	var errScale, errOffset error
	f.Scale, errScale = e.real("scale", 1)
	f.Offset, errOffset = e.real("offset", 0)
	if err := firstError(errScale, errOffset); err != nil {
		return err
	}
	if f.Scale == 0 || f.Scale-f.Scale != 0 || f.Offset-f.Offset != 0 { // x-x is not 0 for NaN and infinities
		return broken("%s has the scale %g and the offset %g", clip(f.Name), f.Scale, f.Offset)
	}
	return nil
}

func (f *Field) setFloat(e *element) error {
	var errMin, errMax error
	f.Low, errMin = e.real("minimum", -math.MaxFloat64)
	f.High, errMax = e.real("maximum", math.MaxFloat64)
	return firstError(errMin, errMax)
}

func (e *element) whole(name string, fallback int64) (int64, error) {
	text, ok := e.attribute(name)
	if !ok {
		return fallback, nil
	}
	v, ok := parseInt(text)
	if !ok {
		return 0, broken("%s of %s is %q, not a whole number", name, clip(e.name), clip(text))
	}
	return v, nil
}

func (e *element) real(name string, fallback float64) (float64, error) {
	text, ok := e.attribute(name)
	if !ok {
		return fallback, nil
	}
	v, ok := parseFloat(text)
	if !ok {
		return 0, broken("%s of %s is %q, not a number", name, clip(e.name), clip(text))
	}
	return v, nil
}
