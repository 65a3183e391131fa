package format

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/klauspost/compress/flate"

	"trammel/pipeline/length"
	"trammel/pipeline/scan"
)

// Parts of a 3MF package, after the core specification's section on the package
// and its appendix of namespaces and content types.
const (
	threeMFTypes = `<?xml version="1.0" encoding="UTF-8"?>` + "\n" +
		`<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">` +
		`<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>` +
		`<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>` +
		"</Types>\n"
	threeMFRelations = `<?xml version="1.0" encoding="UTF-8"?>` + "\n" +
		`<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">` +
		`<Relationship Target="/3D/3dmodel.model" Id="model" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>` +
		"</Relationships>\n"
	threeMFHead = `<?xml version="1.0" encoding="UTF-8"?>` + "\n" +
		`<model unit="%s" xml:lang="en-US" xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02">` + "\n"
	// A scanned surface is open wherever nothing was seen. Type "model" demands a
	// closed one; "surface" is the type that allows any and may be built.
	threeMFObject = "<resources>\n" + `<object id="1" type="surface"><mesh>` + "\n<vertices>\n"
	threeMFTail   = "</triangles>\n</mesh></object>\n</resources>\n" + `<build><item objectid="1"/></build>` + "\n</model>\n"
)

// threeMFEffort is the deflate level. A scanned mesh of 2 M triangles took 13.0
// bytes a triangle at level 1 and 11.3 at level 6, which is not worth the wait.
const threeMFEffort = 1

// Write3MF writes the mesh as a 3MF package of the core specification, with the
// unit as an attribute and the comments as its description. Numbers have the
// fewest digits that give back the same float32, or float64 where a coordinate
// lies beyond the reach of WritePLYMesh. The object is of type "surface", so that
// open meshes are valid; triangles that use a vertex twice, which the format
// forbids, have no area and are left out. The same mesh and options give the same
// bytes. Refused are meshes with a vertex that is not finite, and without
// triangles.
func Write3MF(w io.Writer, m *scan.Mesh, o WriteOptions) error {
	z := zip.NewWriter(w)
	z.RegisterCompressor(zip.Deflate, func(w io.Writer) (io.WriteCloser, error) { return flate.NewWriter(w, threeMFEffort) })
	for _, part := range []struct{ name, text string }{{"[Content_Types].xml", threeMFTypes}, {"_rels/.rels", threeMFRelations}} {
		p, err := z.Create(part.name)
		if err != nil {
			return fmt.Errorf("write 3MF: %w", err)
		}
		if _, err := io.WriteString(p, part.text); err != nil {
			return fmt.Errorf("write 3MF: %w", err)
		}
	}
	model, err := z.Create("3D/3dmodel.model")
	if err != nil {
		return fmt.Errorf("write 3MF: %w", err)
	}
	if err := write3MFModel(model, m, o); err != nil {
		return fmt.Errorf("write 3MF: %w", err)
	}
	if err := z.Close(); err != nil {
		return fmt.Errorf("write 3MF: %w", err)
	}
	return nil
}

func write3MFModel(w io.Writer, m *scan.Mesh, o WriteOptions) error {
	box := m.Bounds()
	if m.Triangles() == 0 {
		return errors.New("the mesh has no triangles, which the format cannot say")
	}
	if !box.Min.IsFinite() || !box.Max.IsFinite() {
		return errors.New("a vertex is not finite")
	}
	t := textWriter{w: w, digits: 64, raw: make([]byte, 0, writeBuffer+256)}
	if reach(box) <= singleReach {
		t.digits = 32
	}
	t.text(fmt.Sprintf(threeMFHead, threeMFUnit(o.unit())))
	t.description(o.Comments)
	t.text(threeMFObject)
	scale := 1 / o.unit().MM()
	for i := range m.Vertices() {
		v := m.At(int32(i)).Scale(scale)
		if !v.IsFinite() {
			return fmt.Errorf("vertex %d is not finite", i)
		}
		t.number(`<vertex x="`, v.X)
		t.number(`" y="`, v.Y)
		t.number(`" z="`, v.Z)
		t.text("\"/>\n")
	}
	t.text("</vertices>\n<triangles>\n")
	for i := 0; i+2 < len(m.Tri); i += 3 {
		if a, b, c := m.Tri[i], m.Tri[i+1], m.Tri[i+2]; a != b && b != c && c != a {
			t.integer(`<triangle v1="`, a)
			t.integer(`" v2="`, b)
			t.integer(`" v3="`, c)
			t.text("\"/>\n")
		}
	}
	t.text(threeMFTail)
	t.flush()
	return t.err
}

// threeMFUnit is the specification's word for a unit.
func threeMFUnit(u length.Unit) string {
	switch u.MM() {
	case length.Centimetre.MM():
		return "centimeter"
	case length.Metre.MM():
		return "meter"
	case length.Inch.MM():
		return "inch"
	case length.Foot.MM():
		return "foot"
	default:
		return "millimeter"
	}
}

// textWriter gathers text and keeps the first error.
type textWriter struct {
	w      io.Writer
	raw    []byte
	digits int // 32 or 64: the float that the digits must give back
	err    error
}

func (t *textWriter) flush() {
	if t.err == nil {
		_, t.err = t.w.Write(t.raw)
	}
	t.raw = t.raw[:0]
}

func (t *textWriter) text(s string) {
	t.raw = append(t.raw, s...)
	if len(t.raw) >= writeBuffer {
		t.flush()
	}
}

func (t *textWriter) number(before string, v float64) {
	t.raw = append(t.raw, before...)
	t.raw = strconv.AppendFloat(t.raw, v, 'g', -1, t.digits)
}

func (t *textWriter) integer(before string, v int32) {
	t.raw = append(t.raw, before...)
	t.raw = strconv.AppendInt(t.raw, int64(v), 10)
}

// description writes the comments as well-formed text.
func (t *textWriter) description(comments []string) {
	if len(comments) == 0 {
		return
	}
	var b bytes.Buffer
	if err := xml.EscapeText(&b, []byte(strings.Join(comments, "; "))); err != nil {
		t.err = errors.Join(t.err, err)
	}
	t.text(`<metadata name="Description">` + b.String() + "</metadata>\n")
}
