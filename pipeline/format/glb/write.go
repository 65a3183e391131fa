package glb

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Scene is what Write writes: meshes in millimetres in one frame with Z up.
type Scene struct {
	Generator string  // goes to asset.generator
	Name      string  // of the top node; "object" where empty
	Datum     *Frame  // optional: a node between the top and the meshes
	Meshes    []Named // in the order of their nodes
}

// Frame is a named node that moves everything below it. A viewer that shows
// transforms shows it; the numbers of the meshes stay those of their own frame.
type Frame struct {
	Name string
	Pose geom.Pose // from the meshes' frame to the frame shown, millimetres
}

// Named is a mesh with a name, such as a part or a level of detail.
type Named struct {
	Name    string
	Mesh    *scan.Mesh
	Normals []float32 // optional, three a vertex; a zero normal is written as +Z
	RGB     []uint8   // optional, sRGB, three a vertex
}

// YUp returns the rotation from a frame with Z up to the format's own, which has
// Y up: x stays, z becomes y, y becomes −z.
func YUp() geom.Pose {
	return geom.Pose{R: geom.Mat{1, 0, 0, 0, 0, 1, 0, -1, 0}}
}

// originStep is the step, in millimetres, of the translation that all meshes
// share: a metre, so that what lies near zero keeps its numbers and what lies far
// away is within half a metre more of its own size.
const originStep = 1000

// Write writes the scene: lengths in metres as float32 about a translation near
// the meshes, so that a part of five metres keeps a quarter of a micrometre also
// ten kilometres away. The top node turns Z up to Y up (YUp), below it hangs the
// datum's node where there is one, below that a node a mesh with the shared
// translation. A mesh without triangles becomes a node without a mesh. The
// material is matt, pale and seen from both sides. The same scene gives the same
// bytes. Refused are vertices that are not finite and more than 4 GiB.
func Write(w io.Writer, s Scene) error {
	o := origin(s.Meshes)
	l := layout{origin: o}
	for i := range s.Meshes {
		if err := l.add(&s.Meshes[i]); err != nil {
			return fmt.Errorf("write GLB: mesh %q: %w", s.Meshes[i].Name, err)
		}
	}
	head, err := l.head(&s)
	if err != nil {
		return fmt.Errorf("write GLB: %w", err)
	}
	out := writer{w: w, raw: head}
	for i := range s.Meshes {
		if m := &s.Meshes[i]; m.Mesh.Triangles() > 0 {
			out.mesh(m, o)
		}
	}
	out.flush()
	return out.err
}

// origin returns the shared translation in millimetres.
func origin(meshes []Named) geom.Vec {
	box := geom.EmptyBox()
	for _, m := range meshes {
		box = box.Union(m.Mesh.Bounds())
	}
	if box.IsEmpty() || !box.Min.IsFinite() || !box.Max.IsFinite() {
		return geom.Vec{}
	}
	c := box.Center()
	round := func(x float64) float64 { return originStep * math.Round(x/originStep) }
	return geom.Vec{X: round(c.X), Y: round(c.Y), Z: round(c.Z)}
}

// metres returns vertex i relative to the origin, as it is written.
func metres(m *scan.Mesh, i int, o geom.Vec) [3]float32 {
	d := m.Origin.Sub(o)
	return [3]float32{
		float32((float64(m.X[i]) + d.X) / 1000),
		float32((float64(m.Y[i]) + d.Y) / 1000),
		float32((float64(m.Z[i]) + d.Z) / 1000),
	}
}

// What the description says; the order of fields is the order in the file.
type (
	outDocument struct {
		Asset       outAsset      `json:"asset"`
		Scene       int           `json:"scene"`
		Scenes      []outScene    `json:"scenes"`
		Nodes       []outNode     `json:"nodes"`
		Meshes      []outMesh     `json:"meshes,omitempty"`
		Materials   []outMaterial `json:"materials,omitempty"`
		Accessors   []outAccessor `json:"accessors,omitempty"`
		BufferViews []outView     `json:"bufferViews,omitempty"`
		Buffers     []outBuffer   `json:"buffers,omitempty"`
	}
	outAsset struct {
		Version   string `json:"version"`
		Generator string `json:"generator,omitempty"`
	}
	outScene struct {
		Nodes []int `json:"nodes"`
	}
	outNode struct {
		Name        string    `json:"name,omitempty"`
		Rotation    []float64 `json:"rotation,omitempty"`
		Translation []float64 `json:"translation,omitempty"`
		Matrix      []float64 `json:"matrix,omitempty"`
		Mesh        *int      `json:"mesh,omitempty"`
		Children    []int     `json:"children,omitempty"`
	}
	outMesh struct {
		Name       string         `json:"name,omitempty"`
		Primitives []outPrimitive `json:"primitives"`
	}
	outPrimitive struct {
		Attributes outAttributes `json:"attributes"`
		Indices    int           `json:"indices"`
		Material   int           `json:"material"`
	}
	outAttributes struct {
		Position int  `json:"POSITION"`
		Normal   *int `json:"NORMAL,omitempty"`
		Colour   *int `json:"COLOR_0,omitempty"`
	}
	outMaterial struct {
		Name        string     `json:"name"`
		PBR         outSurface `json:"pbrMetallicRoughness"`
		DoubleSided bool       `json:"doubleSided"`
	}
	outSurface struct {
		BaseColor []float64 `json:"baseColorFactor,omitempty"`
		Metallic  float64   `json:"metallicFactor"`
		Roughness float64   `json:"roughnessFactor"`
	}
	outAccessor struct {
		View       int       `json:"bufferView"`
		Component  int       `json:"componentType"`
		Normalized bool      `json:"normalized,omitempty"`
		Count      int       `json:"count"`
		Type       string    `json:"type"`
		Min        []float64 `json:"min,omitempty"`
		Max        []float64 `json:"max,omitempty"`
	}
	outView struct {
		Buffer int   `json:"buffer"`
		Offset int64 `json:"byteOffset,omitempty"`
		Length int64 `json:"byteLength"`
		Target int   `json:"target"`
	}
	outBuffer struct {
		Length int64 `json:"byteLength"`
	}
)

// Targets of buffer views.
const (
	targetVertices = 34962
	targetIndices  = 34963
)

// layout gathers the description while it gives every array its place.
type layout struct {
	origin geom.Vec
	doc    outDocument
	nodes  []outNode // of the meshes
	size   int64     // of the binary part so far; a multiple of four throughout
}

func (l *layout) add(m *Named) error {
	n := outNode{Name: m.Name}
	if l.origin != (geom.Vec{}) {
		t := l.origin.Scale(1.0 / 1000).Array()
		n.Translation = t[:]
	}
	if m.Mesh.Triangles() > 0 {
		if err := m.check(); err != nil {
			return err
		}
		n.Mesh = new(len(l.doc.Meshes))
		l.doc.Meshes = append(l.doc.Meshes, outMesh{Name: m.Name, Primitives: []outPrimitive{l.primitive(m)}})
	}
	l.nodes = append(l.nodes, n)
	return nil
}

// check refuses what would make a file that nobody can read.
func (m *Named) check() error {
	n := m.Mesh.Vertices()
	if len(m.Normals) != 0 && len(m.Normals) != 3*n || len(m.RGB) != 0 && len(m.RGB) != 3*n {
		return fmt.Errorf("%d normals' and %d colours' numbers for %d vertices", len(m.Normals), len(m.RGB), n)
	}
	for _, v := range m.Mesh.Tri {
		if v < 0 || int(v) >= n {
			return fmt.Errorf("a triangle has the corner %d of %d", v, n)
		}
	}
	for i := range n {
		if !m.Mesh.At(int32(i)).IsFinite() {
			return fmt.Errorf("vertex %d is not finite", i)
		}
	}
	return nil
}

func (l *layout) primitive(m *Named) outPrimitive {
	n := m.Mesh.Vertices()
	lo, hi := extent(m.Mesh, l.origin)
	var p outPrimitive
	p.Attributes.Position = l.array(12*n, targetVertices, outAccessor{Component: kindFloat, Count: n, Type: "VEC3", Min: lo, Max: hi})
	if len(m.Normals) > 0 {
		p.Attributes.Normal = new(l.array(12*n, targetVertices, outAccessor{Component: kindFloat, Count: n, Type: "VEC3"}))
	}
	if len(m.RGB) > 0 {
		p.Attributes.Colour = new(l.array(4*n, targetVertices, outAccessor{Component: kindUByte, Normalized: true, Count: n, Type: "VEC4"}))
		p.Material = 1
	}
	k := len(m.Mesh.Tri)
	p.Indices = l.array(4*k, targetIndices, outAccessor{Component: kindUInt, Count: k, Type: "SCALAR"})
	return p
}

// array gives an array its place and returns the number of its accessor.
func (l *layout) array(bytes, target int, a outAccessor) int {
	a.View = len(l.doc.BufferViews)
	l.doc.BufferViews = append(l.doc.BufferViews, outView{Offset: l.size, Length: int64(bytes), Target: target})
	l.doc.Accessors = append(l.doc.Accessors, a)
	l.size += int64(bytes)
	return len(l.doc.Accessors) - 1
}

// extent returns the exact bounds of the written float32 positions.
func extent(m *scan.Mesh, o geom.Vec) (lo, hi []float64) {
	lo = []float64{math.Inf(1), math.Inf(1), math.Inf(1)}
	hi = []float64{math.Inf(-1), math.Inf(-1), math.Inf(-1)}
	for i := range m.Vertices() {
		for k, x := range metres(m, i, o) {
			lo[k], hi[k] = min(lo[k], float64(x)), max(hi[k], float64(x))
		}
	}
	return lo, hi
}

// head returns the header, the description and the head of the binary part.
func (l *layout) head(s *Scene) ([]byte, error) {
	l.describe(s)
	text, err := json.Marshal(&l.doc)
	if err != nil {
		return nil, err
	}
	for len(text)%4 != 0 {
		text = append(text, ' ')
	}
	total := int64(headSize + chunkHead + len(text))
	if l.size > 0 {
		total += chunkHead + l.size
	}
	if total > math.MaxUint32 {
		return nil, errors.New("the scene needs more than 4 GiB, which the format cannot hold; reduce the mesh first")
	}
	raw := make([]byte, 0, writeBuffer+64)
	for _, v := range []uint32{magic, 2, uint32(total), uint32(len(text)), chunkJSON} {
		raw = binary.LittleEndian.AppendUint32(raw, v)
	}
	raw = append(raw, text...)
	if l.size > 0 {
		raw = binary.LittleEndian.AppendUint32(raw, uint32(l.size))
		raw = binary.LittleEndian.AppendUint32(raw, chunkBIN)
	}
	return raw, nil
}

// describe puts the node tree together: top, datum, meshes.
func (l *layout) describe(s *Scene) {
	d := &l.doc
	d.Asset = outAsset{Version: "2.0", Generator: s.Generator}
	d.Scenes = []outScene{{Nodes: []int{0}}}
	name := s.Name
	if name == "" {
		name = "object"
	}
	// A turn by −90° about X: its quaternion is (−√½, 0, 0, √½).
	d.Nodes = []outNode{{Name: name, Rotation: []float64{-math.Sqrt2 / 2, 0, 0, math.Sqrt2 / 2}}}
	above := 0
	if s.Datum != nil {
		d.Nodes[0].Children = []int{1}
		d.Nodes = append(d.Nodes, outNode{Name: s.Datum.Name, Matrix: columnMajor(s.Datum.Pose)})
		above = 1
	}
	for i := range l.nodes {
		d.Nodes[above].Children = append(d.Nodes[above].Children, above+1+i)
	}
	d.Nodes = append(d.Nodes, l.nodes...)
	if len(d.Meshes) > 0 {
		d.Buffers = []outBuffer{{Length: l.size}}
		d.Materials = materials(d.Meshes)
	}
}

// materials returns the pale one, and a white one that lets colours through
// where a mesh has any.
func materials(meshes []outMesh) []outMaterial {
	const matt = 0.9 // roughness of a matt coat: no highlights that look like dents
	all := []outMaterial{{Name: "surface", PBR: outSurface{BaseColor: []float64{0.6, 0.6, 0.6, 1}, Roughness: matt}, DoubleSided: true}}
	for _, m := range meshes {
		if m.Primitives[0].Material > 0 {
			return append(all, outMaterial{Name: "coloured", PBR: outSurface{Roughness: matt}, DoubleSided: true})
		}
	}
	return all
}

func columnMajor(p geom.Pose) []float64 {
	r, t := p.R, p.T.Scale(1.0/1000)
	return []float64{r[0], r[3], r[6], 0, r[1], r[4], r[7], 0, r[2], r[5], r[8], 0, t.X, t.Y, t.Z, 1}
}

const writeBuffer = 1 << 16

// writer gathers bytes and keeps the first error.
type writer struct {
	w   io.Writer
	raw []byte
	err error
}

func (o *writer) flush() {
	if o.err == nil {
		_, o.err = o.w.Write(o.raw)
	}
	o.raw = o.raw[:0]
}

func (o *writer) room() {
	if len(o.raw) >= writeBuffer {
		o.flush()
	}
}

func (o *writer) floats(v ...float32) {
	for _, x := range v {
		o.raw = binary.LittleEndian.AppendUint32(o.raw, math.Float32bits(x))
	}
}

// mesh writes the arrays in the order in which layout.primitive laid them out.
func (o *writer) mesh(m *Named, origin geom.Vec) {
	for i := range m.Mesh.Vertices() {
		o.room()
		v := metres(m.Mesh, i, origin)
		o.floats(v[0], v[1], v[2])
	}
	for i := 0; i+2 < len(m.Normals); i += 3 {
		o.room()
		x, y, z := unit(m.Normals[i], m.Normals[i+1], m.Normals[i+2])
		o.floats(x, y, z)
	}
	table := linearTable()
	for i := 0; i+2 < len(m.RGB); i += 3 {
		o.room()
		o.raw = append(o.raw, table[m.RGB[i]], table[m.RGB[i+1]], table[m.RGB[i+2]], 255)
	}
	for _, v := range m.Mesh.Tri {
		o.room()
		o.raw = binary.LittleEndian.AppendUint32(o.raw, uint32(v))
	}
}

// unit brings a normal to length one, which the format demands.
func unit(x, y, z float32) (ux, uy, uz float32) {
	v := geom.Vec{X: float64(x), Y: float64(y), Z: float64(z)}.Unit()
	if !v.IsFinite() || v == (geom.Vec{}) {
		return 0, 0, 1
	}
	return float32(v.X), float32(v.Y), float32(v.Z)
}
