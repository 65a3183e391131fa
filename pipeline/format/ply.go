package format

import (
	"io"
)

// plyReader decodes the body of a PLY file, element by element.
type plyReader struct {
	src     *source
	about   *About
	head    plyHeader
	element int   // current element
	row     int64 // rows of it already read
	rows    plyRows
	columns vertexColumns
	face    int // index of the corner list among the face's properties
	big     bool
	corners []int64
}

// plyRows reads single records of any shape: the ascii and the binary way.
type plyRows interface {
	// begin starts a record of the element.
	begin(e *plyElement) error
	// number reads one number; ok is false where the file ends or holds none.
	number(kind scalar) (v float64, ok bool)
	// believable reports whether a list of n numbers can still be in the file.
	believable(n int64, kind scalar) bool
}

// vertexColumns are the properties of the vertices that are wanted; -1 is none.
type vertexColumns struct {
	xyz       [3]int
	normal    [3]int
	intensity int
}

func newPLY(src *source, about *About) (*plyReader, error) {
	head, err := readPLYHeader(src, about)
	if err != nil {
		return nil, err
	}
	p := &plyReader{src: src, about: about, head: head, face: -1}
	about.Points, about.Triangles = 0, 0
	switch head.encoding {
	case "ascii":
		about.Encoding = "ascii"
		p.rows = &asciiRows{src: src}
	case "binary_little_endian":
		about.Encoding = "binary little-endian"
		p.rows = &binaryRows{src: src}
	default:
		about.Encoding = "binary big-endian"
		p.rows, p.big = &binaryRows{src: src, big: true}, true
	}
	for i := range head.elements {
		p.survey(&head.elements[i])
	}
	about.Mesh = about.Triangles > 0
	return p, nil
}

func (p *plyReader) survey(e *plyElement) {
	switch e.name {
	case "vertex":
		p.about.Points += e.rows
		p.columns = vertexColumns{
			xyz:       [3]int{e.find("x"), e.find("y"), e.find("z")},
			normal:    [3]int{e.find("nx", "normal_x"), e.find("ny", "normal_y"), e.find("nz", "normal_z")},
			intensity: e.find("intensity", "scalar_Intensity", "scalar_intensity", "Intensity", "reflectance"),
		}
		n := p.columns.normal
		if n[0] < 0 || n[1] < 0 || n[2] < 0 {
			p.columns.normal = [3]int{-1, -1, -1}
		}
	case "face":
		p.about.Triangles += e.rows
		for i, q := range e.properties {
			if q.count != noScalar && (q.name == "vertex_indices" || q.name == "vertex_index") {
				p.face = i
			}
		}
		if p.face < 0 && e.rows > 0 {
			p.about.Notes = append(p.about.Notes, "The faces have no vertex_indices and are left out.")
			p.about.Triangles -= e.rows
		}
	case "tristrips":
		if e.rows > 0 {
			p.about.Notes = append(p.about.Notes, "Triangle strips are not read; only the points and faces are.")
		}
	}
}

func (p *plyReader) next(b *Batch) error {
	for p.element < len(p.head.elements) {
		e := &p.head.elements[p.element]
		if p.row < e.rows {
			return p.portion(b, e)
		}
		p.element, p.row = p.element+1, 0
	}
	if !p.src.atEnd() && len(p.about.Notes) == 0 {
		p.noteTail()
	}
	return io.EOF
}

func (p *plyReader) noteTail() {
	for _, c := range p.src.peek(256) {
		if !isBlank(c) && c != '\n' {
			p.about.Notes = append(p.about.Notes, "There is more in the file after what the header promises; it is left out.")
			return
		}
	}
}

// portion reads up to a batch of rows of the current element.
func (p *plyReader) portion(b *Batch, e *plyElement) error {
	isBinary := p.head.encoding != "ascii"
	n := int(min(batchRows, e.rows-p.row))
	switch {
	case e.name == "vertex" && isBinary && e.fixed:
		return p.binaryVertices(b, e, n)
	case e.name == "face" && isBinary && p.isPlainFace(e):
		return p.plainFaces(b, e, n)
	case isBinary && e.fixed:
		return p.skipFixed(e)
	case e.name == "vertex":
		return p.each(e, n, func() error { return p.vertexRow(b, e) })
	case e.name == "face" && p.face >= 0:
		return p.each(e, n, func() error { return p.faceRow(b, e) })
	default:
		return p.each(e, n, func() error { return p.otherRow(e) })
	}
}

// each reads n rows one at a time.
func (p *plyReader) each(e *plyElement, n int, row func() error) error {
	for range n {
		if err := p.rows.begin(e); err != nil {
			return p.cut(e, err)
		}
		if err := row(); err != nil {
			return err
		}
		p.row++
	}
	return nil
}

// cut explains why row p.row of e could not be read.
func (p *plyReader) cut(e *plyElement, err error) error {
	if fault := p.src.fault(); fault != nil {
		return fault
	}
	if err != nil && err != io.EOF { //nolint:errorlint // line and begin return the bare io.EOF
		return err
	}
	if !p.src.atEnd() {
		return broken("row %d of the PLY element %q is not made of numbers", p.row+1, clip(e.name))
	}
	return short("the PLY header promises %d rows of %q, %d are there (%d bytes in all)", e.rows, clip(e.name), p.row, p.src.consumed)
}

func (p *plyReader) vertexRow(b *Batch, e *plyElement) error {
	var v [3]float64
	var n [3]float32
	var intensity float32
	c := &p.columns
	for i := range e.properties {
		q := &e.properties[i]
		if q.count != noScalar {
			if err := p.list(e, q, nil); err != nil {
				return err
			}
			continue
		}
		x, ok := p.rows.number(q.kind)
		if !ok {
			return p.cut(e, nil)
		}
		for k := range 3 {
			if i == c.xyz[k] {
				v[k] = x
			}
			if i == c.normal[k] {
				n[k] = float32(x)
			}
		}
		if i == c.intensity {
			intensity = float32(x)
		}
	}
	b.X, b.Y, b.Z = append(b.X, v[0]), append(b.Y, v[1]), append(b.Z, v[2])
	if c.normal[0] >= 0 {
		b.NX, b.NY, b.NZ = append(b.NX, n[0]), append(b.NY, n[1]), append(b.NZ, n[2])
	}
	if c.intensity >= 0 {
		b.Intensity = append(b.Intensity, intensity)
	}
	return nil
}

func (p *plyReader) faceRow(b *Batch, e *plyElement) error {
	for i := range e.properties {
		q := &e.properties[i]
		if q.count == noScalar {
			if _, ok := p.rows.number(q.kind); !ok {
				return p.cut(e, nil)
			}
			continue
		}
		if i != p.face {
			if err := p.list(e, q, nil); err != nil {
				return err
			}
			continue
		}
		p.corners = p.corners[:0]
		if err := p.list(e, q, &p.corners); err != nil {
			return err
		}
		b.fan(p.corners)
	}
	return nil
}

func (p *plyReader) otherRow(e *plyElement) error {
	for i := range e.properties {
		q := &e.properties[i]
		if q.count != noScalar {
			if err := p.list(e, q, nil); err != nil {
				return err
			}
			continue
		}
		if _, ok := p.rows.number(q.kind); !ok {
			return p.cut(e, nil)
		}
	}
	return nil
}

// list reads one list property and keeps its numbers where keep is not nil.
func (p *plyReader) list(e *plyElement, q *plyProperty, keep *[]int64) error {
	count, ok := p.rows.number(q.count)
	if !ok {
		return p.cut(e, nil)
	}
	n := int64(count)
	if float64(n) != count || n < 0 {
		return broken("row %d of the PLY element %q has a list of length %g", p.row+1, clip(e.name), count)
	}
	if !p.rows.believable(n, q.kind) {
		return short("row %d of the PLY element %q promises a list of %d numbers, which the file does not hold", p.row+1, clip(e.name), n)
	}
	for range n {
		v, ok := p.rows.number(q.kind)
		if !ok {
			return p.cut(e, nil)
		}
		if keep != nil {
			*keep = append(*keep, cornerOf(v))
		}
	}
	return nil
}

// cornerOf turns a number of a corner list into an index; what is none becomes
// -1, which no point has.
func cornerOf(v float64) int64 {
	if !(v >= 0 && v < 1<<53) {
		return -1
	}
	return int64(v)
}
