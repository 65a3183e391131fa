package format

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"trammel/pipeline/scan"
)

// fuzz reads arbitrary content under a name and checks what every reader owes:
// no panic, slices of one length, triangles within the points.
func fuzz(f *testing.F, name string, seeds ...string) {
	for _, s := range seeds {
		f.Add([]byte(s))
	}
	for _, s := range seeds { // cut at every line of a header, and amid the rest
		at := 0
		for line := range strings.Lines(s) {
			at += len(line)
			f.Add([]byte(s[:at]))
			f.Add([]byte(s[:at-len(line)/2]))
		}
	}
	addSamples(f, filepath.Ext(name))
	f.Fuzz(func(t *testing.T, raw []byte) { guarded(t, name, raw) })
}

func addSamples(f *testing.F, extension string) {
	paths, err := filepath.Glob(filepath.Join(sampleFolder, "*"+extension))
	if err != nil {
		f.Fatal(err)
	}
	for _, p := range paths {
		raw, err := os.ReadFile(p)
		if err != nil {
			f.Fatal(err)
		}
		if len(raw) < 5000 {
			f.Add(raw)
		}
	}
}

func checkWhole(t *testing.T, c *Content) {
	if (c.Cloud == nil) == (c.Mesh == nil) {
		t.Fatal("want a cloud or a mesh")
	}
	if m := c.Mesh; m != nil {
		if len(m.Y) != len(m.X) || len(m.Z) != len(m.X) || len(m.Tri)%3 != 0 {
			t.Fatal("the slices of the mesh differ in length")
		}
		for _, v := range m.Tri {
			if v < 0 || int(v) >= len(m.X) {
				t.Fatalf("corner %d of %d vertices", v, len(m.X))
			}
		}
		return
	}
	checkColumns(t, c.Cloud)
}

func checkColumns(t *testing.T, c *scan.Cloud) {
	for _, column := range [][]float32{c.NX, c.NY, c.NZ, c.Intensity} {
		if column != nil && len(column) != len(c.X) {
			t.Fatalf("a column of %d, %d points", len(column), len(c.X))
		}
	}
	for i := range c.X {
		if !c.At(i).IsFinite() {
			t.Fatalf("point %d is %v", i, c.At(i))
		}
	}
}

func FuzzPLY(f *testing.F) {
	fuzz(f, "a.ply", minimalPLY,
		"ply\nformat binary_little_endian 1.0\nelement vertex 9223372036854775807\nproperty float x\nproperty float y\nproperty float z\nend_header\n123456789012",
		"ply\nformat binary_big_endian 1.0\nelement vertex 1\nproperty list uchar double l\nproperty int z\nproperty int y\nproperty int x\nend_header\n\x00123456789012",
		"ply\nformat binary_little_endian 1.0\nelement face 1\nproperty list uint int vertex_indices\nend_header\n\xff\xff\xff\xff1234")
}

func FuzzSTL(f *testing.F) {
	fuzz(f, "a.stl", "solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nvertex 0 1 0\nendloop\nendfacet\nendsolid\n")
}

func FuzzOBJ(f *testing.F) {
	fuzz(f, "a.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\nv 1 1 0\nf -4//1 2/2 \\\n3 4\n", "v nan 0 0\nf 1 1 1\n")
}

func FuzzText(f *testing.F) {
	fuzz(f, "a.txt", "x;y;z\n1,5;2;3\n", "3\n1 2 3 4 5 6\n", "1 2 3 0 0 1\n", "1\t2\t3\n")
}

func FuzzCompressed(f *testing.F) {
	fuzz(f, "a.ply.gz", "\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x00", "\x28\xb5\x2f\xfd\x04\x00\x01\x00\x00")
}
