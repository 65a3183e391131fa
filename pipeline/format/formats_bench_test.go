package format

import (
	"bytes"
	"errors"
	"io"
	"strconv"
	"testing"

	"trammel/pipeline/format/glb"
	"trammel/pipeline/scan"
)

// asciiOf writes a mesh in the ascii form of a format, six decimals a number.
func asciiOf(kind string, m *scan.Mesh) []byte {
	var b []byte
	point := func(before string, i int32, after string) {
		b = append(b, before...)
		for k, v := range m.At(i).Array() {
			if k > 0 {
				b = append(b, ' ')
			}
			b = strconv.AppendFloat(b, v, 'f', 6, 64)
		}
		b = append(b, after...)
	}
	face := func(before string, t, first int) {
		b = append(b, before...)
		for _, v := range m.Tri[t : t+3] {
			b = strconv.AppendInt(append(b, ' '), int64(v)+int64(first), 10)
		}
		b = append(b, '\n')
	}
	switch kind {
	case "stl":
		b = append(b, "solid a\n"...)
		for t := 0; t < len(m.Tri); t += 3 {
			b = append(b, "  facet normal 0.000000e+00 0.000000e+00 1.000000e+00\n    outer loop\n"...)
			for _, v := range m.Tri[t : t+3] {
				point("      vertex ", v, "\n")
			}
			b = append(b, "    endloop\n  endfacet\n"...)
		}
		return append(b, "endsolid a\n"...)
	case "ply":
		b = append(b, "ply\nformat ascii 1.0\nelement vertex "+strconv.Itoa(m.Vertices())+"\nproperty float x\nproperty float y\nproperty float z\nelement face "+
			strconv.Itoa(m.Triangles())+"\nproperty list uchar int vertex_indices\nend_header\n"...)
	}
	before := map[string]string{"obj": "v "}[kind]
	for i := range m.X {
		point(before, int32(i), "\n")
	}
	for t := 0; t < len(m.Tri) && kind != "xyz"; t += 3 {
		if kind == "obj" {
			face("f", t, 1)
		} else {
			face("3", t, 0)
		}
	}
	return b
}

// binaryOf writes a mesh or its vertices in a binary form.
func binaryOf(b testing.TB, kind string, m *scan.Mesh) []byte {
	b.Helper()
	var out bytes.Buffer
	var err error
	switch kind {
	case "stl":
		err = WriteSTL(&out, m, WriteOptions{})
	case "ply":
		err = WritePLYMesh(&out, m, WriteOptions{})
	case "cloud.ply":
		err = WritePLYCloud(&out, m.Cloud(), WriteOptions{})
	case "glb":
		err = glb.Write(&out, glb.Scene{Meshes: []glb.Named{{Mesh: m}}})
	}
	if err != nil {
		b.Fatal(err)
	}
	return out.Bytes()
}

// stream reads all of the content through Next.
func stream(b testing.TB, name string, content []byte) {
	r, err := OpenAt(bytes.NewReader(content), int64(len(content)), name)
	if err != nil {
		b.Fatal(err)
	}
	var batch Batch
	for err == nil {
		err = r.Next(&batch)
	}
	if !errors.Is(err, io.EOF) {
		b.Fatal(err)
	}
}

func whole(b testing.TB, name string, content []byte) {
	r, err := OpenAt(bytes.NewReader(content), int64(len(content)), name)
	if err == nil {
		_, err = r.Content(b.Context(), 1)
	}
	if err != nil {
		b.Fatal(err)
	}
}

// BenchmarkFormats reads each format from memory, once batch by batch (next) and
// once as a whole (content).
func BenchmarkFormats(b *testing.B) {
	m := wavyMesh(1000)
	for _, c := range []struct {
		name, file string
		content    []byte
	}{
		{"ply-ascii", "a.ply", asciiOf("ply", m)},
		{"stl-ascii", "a.stl", asciiOf("stl", m)},
		{"obj", "a.obj", asciiOf("obj", m)},
		{"text", "a.xyz", asciiOf("xyz", m)},
		{"ply-mesh", "a.ply", binaryOf(b, "ply", m)},
		{"ply-cloud", "a.ply", binaryOf(b, "cloud.ply", m)},
		{"stl-binary", "a.stl", binaryOf(b, "stl", m)},
		{"glb", "a.glb", binaryOf(b, "glb", m)},
	} {
		for how, read := range map[string]func(testing.TB, string, []byte){"next": stream, "content": whole} {
			b.Run(c.name+"/"+how, func(b *testing.B) {
				b.SetBytes(int64(len(c.content)))
				b.ReportAllocs()
				for b.Loop() {
					read(b, c.file, c.content)
				}
			})
		}
	}
}
