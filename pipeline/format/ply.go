package format

import "io"

// plyReader decodes the body of a PLY file, element by element.
type plyReader struct {
	src     *source
	about   *About
	head    plyHeader
	element int   // current element
	row     int64 // rows of it already read
	rows    plyRows
	want    *wants
	columns vertexColumns
	roles   []role // of the vertices' properties, in their order
	shade   shade
	face    int // index of the corner list among the face's properties
	strip   int // the same of the triangle strips
	run     stripRun
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
	colour    [3]int
	intensity int
}

// role is the place that a number of a vertex has in vertexValues.
type role uint8

const (
	unused        role = iota
	roleX              // and Y and Z behind it
	roleNormal    = roleX + 3
	roleColour    = roleNormal + 3
	roleIntensity = roleColour + 3
	lastRole      = roleIntensity
	vertexNumbers = int(lastRole) + 1
)

// vertexValues are the numbers of one vertex by their roles.
type vertexValues [vertexNumbers]float64

// rolesOf lists what each of n properties is.
func (c *vertexColumns) rolesOf(n int) []role {
	roles := make([]role, n)
	set := func(first role, at [3]int) {
		for k, property := range at {
			if property >= 0 {
				roles[property] = first + role(k)
			}
		}
	}
	set(roleX, c.xyz)
	set(roleNormal, c.normal)
	set(roleColour, c.colour)
	if c.intensity >= 0 {
		roles[c.intensity] = roleIntensity
	}
	return roles
}

func newPLY(src *source, about *About, want *wants) (*plyReader, error) {
	head, err := readPLYHeader(src, about)
	if err != nil {
		return nil, err
	}
	p := &plyReader{src: src, about: about, want: want, head: head, face: -1, strip: -1}
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
	about.Mesh = about.Triangles > 0 || p.hasStrips()
	if p.hasStrips() {
		about.Triangles = Unsaid // a strip holds any number of them
	}
	return p, nil
}

func (p *plyReader) survey(e *plyElement) {
	switch e.name {
	case "vertex":
		p.about.Points = e.rows
		p.surveyVertex(e)
	case "face":
		p.face = e.findList("vertex_indices", "vertex_index")
		if p.face >= 0 {
			p.about.Triangles = e.rows
		} else if e.rows > 0 {
			p.about.note("The faces have no vertex_indices and are left out.")
		}
	case "tristrips":
		p.strip = e.findList("vertex_indices", "vertex_index")
	}
}

func (p *plyReader) surveyVertex(e *plyElement) {
	p.columns = vertexColumns{
		xyz:       [3]int{e.find("x"), e.find("y"), e.find("z")},
		normal:    whole3(e.find("nx", "normal_x"), e.find("ny", "normal_y"), e.find("nz", "normal_z")),
		colour:    whole3(e.find("red", "diffuse_red", "r"), e.find("green", "diffuse_green", "g"), e.find("blue", "diffuse_blue", "b")),
		intensity: e.find("intensity", "scalar_Intensity", "scalar_intensity", "Intensity", "reflectance"),
	}
	p.roles = p.columns.rolesOf(len(e.properties))
	if at := p.columns.colour[0]; at >= 0 {
		p.shade.most = e.properties[at].kind.fullShade()
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
		return p.each(b, e, n, func() error { return p.vertexRow(b, e) })
	case e.name == "face" && p.face >= 0:
		return p.each(b, e, n, func() error { return p.listRow(e, p.face, b.fan) })
	case e.name == "tristrips" && p.strip >= 0:
		return p.strips(b, e)
	default:
		return p.each(b, e, n, func() error { return p.listRow(e, -1, nil) })
	}
}

// each reads up to n rows one at a time, fewer where they are large polygons.
func (p *plyReader) each(b *Batch, e *plyElement, n int, row func() error) error {
	for range n {
		if len(b.Tri) > mostCorners {
			return nil
		}
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
	var v vertexValues
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
		v[p.roles[i]] = x
	}
	p.addVertex(b, &v)
	return nil
}

func (p *plyReader) addVertex(b *Batch, v *vertexValues) {
	c := &p.columns
	b.X, b.Y, b.Z = append(b.X, v[roleX]), append(b.Y, v[roleX+1]), append(b.Z, v[roleX+2])
	if c.normal[0] >= 0 {
		b.NX, b.NY, b.NZ = append(b.NX, float32(v[roleNormal])), append(b.NY, float32(v[roleNormal+1])), append(b.NZ, float32(v[roleNormal+2]))
	}
	if c.colour[0] >= 0 && p.want.colour {
		b.RGB = append(b.RGB, p.shade.of(v[roleColour]), p.shade.of(v[roleColour+1]), p.shade.of(v[roleColour+2]))
	}
	if c.intensity >= 0 {
		b.Intensity = append(b.Intensity, float32(v[roleIntensity]))
	}
}

// listRow reads one row and hands the list that is property number wanted to
// take; -1 passes over all.
func (p *plyReader) listRow(e *plyElement, wanted int, take func([]int64)) error {
	for i := range e.properties {
		if i != wanted {
			if err := p.pass(e, i); err != nil {
				return err
			}
			continue
		}
		p.corners = p.corners[:0]
		if err := p.list(e, &e.properties[i], &p.corners); err != nil {
			return err
		}
		take(p.corners)
	}
	return nil
}

// pass reads property number i of a row and drops it.
func (p *plyReader) pass(e *plyElement, i int) error {
	q := &e.properties[i]
	if q.count != noScalar {
		return p.list(e, q, nil)
	}
	if _, ok := p.rows.number(q.kind); !ok {
		return p.cut(e, nil)
	}
	return nil
}

// list reads one list property and keeps its numbers where keep is not nil.
func (p *plyReader) list(e *plyElement, q *plyProperty, keep *[]int64) error {
	n, err := p.length(e, q)
	if err != nil {
		return err
	}
	if keep != nil && n > longestPolygon {
		return broken("row %d of the PLY element %q is a polygon of %d corners", p.row+1, clip(e.name), n)
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

// length reads how many numbers a list has.
func (p *plyReader) length(e *plyElement, q *plyProperty) (int64, error) {
	count, ok := p.rows.number(q.count)
	if !ok {
		return 0, p.cut(e, nil)
	}
	n := int64(count)
	if float64(n) != count || n < 0 {
		return 0, broken("row %d of the PLY element %q has a list of length %g", p.row+1, clip(e.name), count)
	}
	if !p.rows.believable(n, q.kind) {
		return 0, short("row %d of the PLY element %q promises a list of %d numbers, which the file does not hold", p.row+1, clip(e.name), n)
	}
	return n, nil
}

// cornerOf turns a number of a corner list into an index; what is none becomes
// -1, which no point has.
func cornerOf(v float64) int64 {
	if !(v >= 0 && v < 1<<53) {
		return -1
	}
	return int64(v)
}
