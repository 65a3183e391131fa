package format

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
)

// singleReach is the largest coordinate, in millimetres, that is written as a
// float32: up to there half the grain is at most 1 µm (2¹⁵ · 2⁻²⁴ /2), below
// what any scanner sees. A file with a coordinate beyond has all in float64.
const singleReach = 1 << 15

// stlReach is the largest coordinate, in millimetres, that WriteSTL accepts, as
// STL knows float32 only: half the grain there is 0.03 mm.
const stlReach = 1 << 20

// WriteOptions says how lengths leave the house.
type WriteOptions struct {
	Units    length.Unit // of the numbers in the file; Unknown means millimetres
	Comments []string    // lines for the header, line ends are taken out
	Closed   []int32     // triangles of a mesh that close a hole, ascending; PLY marks them
}

func (o WriteOptions) unit() length.Unit {
	if o.Units.MM() == 0 {
		return length.Millimetre
	}
	return o.Units
}

// WritePLYCloud writes the points, with normals and intensity where the cloud
// has them, as binary little-endian PLY with the comment "units …". The same
// cloud and options give the same bytes.
func WritePLYCloud(w io.Writer, c *scan.Cloud, o WriteOptions) error {
	p := newPLYWriter(w, c.Bounds(), o)
	p.begin()
	p.element("vertex", c.Len())
	p.coordinates()
	if c.HasNormals() {
		p.head.WriteString("property float nx\nproperty float ny\nproperty float nz\n")
	}
	hasIntensity := len(c.Intensity) == c.Len() && c.Len() > 0
	if hasIntensity {
		p.head.WriteString("property float intensity\n")
	}
	p.end()
	for i := range c.Len() {
		p.point(c.At(i))
		if c.HasNormals() {
			p.single(c.NX[i], c.NY[i], c.NZ[i])
		}
		if hasIntensity {
			p.single(c.Intensity[i])
		}
		p.flushWhenFull()
	}
	return p.close()
}

// WritePLYMesh writes the mesh as binary little-endian PLY with the comment
// "units …". Where there are closed triangles, each face has the property closed,
// 1 for these, and a colour that shows them. The same mesh and options give the
// same bytes.
func WritePLYMesh(w io.Writer, m *scan.Mesh, o WriteOptions) error {
	p := newPLYWriter(w, m.Bounds(), o)
	p.begin()
	p.element("vertex", m.Vertices())
	p.coordinates()
	p.element("face", m.Triangles())
	p.head.WriteString("property list uchar int vertex_indices\n")
	if len(o.Closed) > 0 {
		p.head.WriteString("property uchar closed\nproperty uchar red\nproperty uchar green\nproperty uchar blue\n")
	}
	p.end()
	for i := range m.Vertices() {
		p.point(m.At(int32(i)))
		p.flushWhenFull()
	}
	for t := range m.Triangles() {
		p.raw = append(p.raw, 3)
		for _, v := range m.Tri[3*t : 3*t+3] {
			p.raw = binary.LittleEndian.AppendUint32(p.raw, uint32(v))
		}
		if len(o.Closed) > 0 {
			if _, isClosed := slices.BinarySearch(o.Closed, int32(t)); isClosed {
				p.raw = append(p.raw, 1, ClosedRGB[0], ClosedRGB[1], ClosedRGB[2])
			} else {
				p.raw = append(p.raw, 0, openRGB[0], openRGB[1], openRGB[2])
			}
		}
		p.flushWhenFull()
	}
	return p.close()
}

// ClosedRGB is the colour of triangles that close a hole, and openRGB that of the others
// beside them.
var (
	ClosedRGB = [3]uint8{0xcc, 0x33, 0x99}
	openRGB   = [3]uint8{0xd2, 0xcb, 0xbe}
)

// plyWriter gathers header and records; the first error stays.
type plyWriter struct {
	w        io.Writer
	o        WriteOptions
	scale    float64
	isSingle bool
	head     bytes.Buffer
	raw      []byte
	err      error
}

const writeBuffer = 1 << 16

func newPLYWriter(w io.Writer, bounds geom.Box, o WriteOptions) *plyWriter {
	return &plyWriter{w: w, o: o, scale: 1 / o.unit().MM(), isSingle: reach(bounds) <= singleReach, raw: make([]byte, 0, writeBuffer+64)}
}

func reach(b geom.Box) float64 {
	if b.IsEmpty() {
		return 0
	}
	m := b.Min.Scale(-1).Max(b.Max)
	n := b.Min.Max(b.Max.Scale(-1))
	return max(m.X, m.Y, m.Z, n.X, n.Y, n.Z)
}

func (p *plyWriter) begin() {
	p.head.WriteString("ply\nformat binary_little_endian 1.0\n")
	fmt.Fprintf(&p.head, "comment units %s\n", p.o.unit())
	for _, c := range p.o.Comments {
		fmt.Fprintf(&p.head, "comment %s\n", strings.NewReplacer("\n", " ", "\r", " ").Replace(c))
	}
}

func (p *plyWriter) element(name string, n int) { fmt.Fprintf(&p.head, "element %s %d\n", name, n) }

func (p *plyWriter) coordinates() {
	kind := "double"
	if p.isSingle {
		kind = "float"
	}
	for _, axis := range []string{"x", "y", "z"} {
		fmt.Fprintf(&p.head, "property %s %s\n", kind, axis)
	}
}

func (p *plyWriter) end() {
	p.head.WriteString("end_header\n")
	_, p.err = p.w.Write(p.head.Bytes())
}

func (p *plyWriter) point(v geom.Vec) {
	if p.isSingle {
		p.single(float32(v.X*p.scale), float32(v.Y*p.scale), float32(v.Z*p.scale))
		return
	}
	for _, x := range v.Array() {
		p.raw = binary.LittleEndian.AppendUint64(p.raw, math.Float64bits(x*p.scale))
	}
}

func (p *plyWriter) single(v ...float32) {
	for _, x := range v {
		p.raw = binary.LittleEndian.AppendUint32(p.raw, math.Float32bits(x))
	}
}

func (p *plyWriter) flushWhenFull() {
	if len(p.raw) >= writeBuffer {
		p.flush()
	}
}

func (p *plyWriter) flush() {
	if p.err == nil {
		_, p.err = p.w.Write(p.raw)
	}
	p.raw = p.raw[:0]
}

func (p *plyWriter) close() error {
	p.flush()
	return p.err
}

// HoldsSTL reports whether WriteSTL accepts the mesh.
func HoldsSTL(m *scan.Mesh) bool { return reach(m.Bounds()) <= stlReach }

// WriteSTL writes the mesh as binary STL; the header names the unit and never
// begins with the word "solid". Coordinates are float32, so a mesh with one
// beyond about a kilometre is refused: move it near zero first. The same mesh
// and options give the same bytes.
func WriteSTL(w io.Writer, m *scan.Mesh, o WriteOptions) error {
	if far := reach(m.Bounds()); far > stlReach {
		return fmt.Errorf("write STL: a coordinate of %.0f mm loses more than 0.03 mm in this format; move the mesh near its origin", far)
	}
	if int64(m.Triangles()) > math.MaxUint32 {
		return fmt.Errorf("write STL: %d triangles are more than the format can count", m.Triangles())
	}
	var head [84]byte
	copy(head[:80], "binary STL, units "+string(o.unit())+" "+strings.Join(o.Comments, " "))
	binary.LittleEndian.PutUint32(head[80:], uint32(m.Triangles()))
	if _, err := w.Write(head[:]); err != nil {
		return err
	}
	out := bufio.NewWriterSize(w, writeBuffer)
	scale := 1 / o.unit().MM()
	for t := range m.Triangles() {
		raw := out.AvailableBuffer()
		a, b, c := m.Corners(t)
		for _, v := range [4]geom.Vec{b.Sub(a).Cross(c.Sub(a)).Unit(), a.Scale(scale), b.Scale(scale), c.Scale(scale)} {
			for _, x := range v.Array() {
				raw = binary.LittleEndian.AppendUint32(raw, math.Float32bits(float32(x)))
			}
		}
		raw = append(raw, 0, 0)
		if _, err := out.Write(raw); err != nil {
			return err
		}
	}
	return out.Flush()
}
