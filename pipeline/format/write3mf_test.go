package format

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"io"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/length"
	"trammel/pipeline/scan"
)

// model3MF is the model part as the core specification describes it.
type model3MF struct {
	XMLName  xml.Name `xml:"http://schemas.microsoft.com/3dmanufacturing/core/2015/02 model"`
	Unit     string   `xml:"unit,attr"`
	Metadata []struct {
		Name string `xml:"name,attr"`
		Text string `xml:",chardata"`
	} `xml:"metadata"`
	Objects []struct {
		ID       string `xml:"id,attr"`
		Type     string `xml:"type,attr"`
		Vertices []struct {
			X float64 `xml:"x,attr"`
			Y float64 `xml:"y,attr"`
			Z float64 `xml:"z,attr"`
		} `xml:"mesh>vertices>vertex"`
		Triangles []struct {
			A int32 `xml:"v1,attr"`
			B int32 `xml:"v2,attr"`
			C int32 `xml:"v3,attr"`
		} `xml:"mesh>triangles>triangle"`
	} `xml:"resources>object"`
	Items []struct {
		Object string `xml:"objectid,attr"`
	} `xml:"build>item"`
}

// read3MF unpacks a package and follows its relationship to the model.
func read3MF(t *rapid.T, raw []byte) (m model3MF) {
	z, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		t.Fatal(err)
	}
	parts := map[string][]byte{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if parts[f.Name], err = io.ReadAll(r); err != nil {
			t.Fatal(err)
		}
	}
	var relations struct {
		All []struct {
			Target string `xml:"Target,attr"`
			Type   string `xml:"Type,attr"`
		} `xml:"Relationship"`
	}
	if err := xml.Unmarshal(parts["_rels/.rels"], &relations); err != nil || len(relations.All) != 1 {
		t.Fatal("relationships:", err, relations)
	}
	if !bytes.Contains(parts["[Content_Types].xml"], []byte(`Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"`)) {
		t.Fatal("the content type of the model is missing")
	}
	if err := xml.Unmarshal(parts[strings.TrimPrefix(relations.All[0].Target, "/")], &m); err != nil {
		t.Fatal(err)
	}
	return m
}

// Test3MF reads packages back with the standard library and expects the rules of
// CV-8.5: the unit, one object before the item that refers to it, distinct
// corners below the number of vertices, and every number to the last float.
func Test3MF(t *testing.T) {
	words := map[length.Unit]string{length.Millimetre: "millimeter", length.Centimetre: "centimeter", length.Metre: "meter", length.Inch: "inch", length.Foot: "foot"}
	rapid.Check(t, func(t *rapid.T) {
		m, u := drawMesh(t, 1e7), drawUnit(t)
		var b bytes.Buffer
		if err := Write3MF(&b, m, WriteOptions{Units: u, Comments: []string{"boom <left> & \"right\"\x01"}}); err != nil {
			t.Fatal(err)
		}
		got := read3MF(t, b.Bytes())
		if got.Unit != words[u] || len(got.Objects) != 1 || got.Objects[0].Type != "surface" || len(got.Items) != 1 || got.Items[0].Object != got.Objects[0].ID {
			t.Fatalf("got %+v", got)
		}
		if got.Metadata[0].Text != "boom <left> & \"right\"\uFFFD" {
			t.Fatalf("got the description %q", got.Metadata[0].Text)
		}
		o := &got.Objects[0]
		for i, v := range o.Vertices {
			want := m.At(int32(i)).Scale(1 / u.MM())
			if reach(m.Bounds()) <= singleReach {
				want.X, want.Y, want.Z = float64(float32(want.X)), float64(float32(want.Y)), float64(float32(want.Z))
				v.X, v.Y, v.Z = float64(float32(v.X)), float64(float32(v.Y)), float64(float32(v.Z))
			}
			if v.X != want.X || v.Y != want.Y || v.Z != want.Z {
				t.Fatalf("vertex %d: got %v, want %v", i, v, want)
			}
		}
		k := 0
		for i := 0; i < len(m.Tri); i += 3 {
			if a, b, c := m.Tri[i], m.Tri[i+1], m.Tri[i+2]; a != b && b != c && a != c {
				if r := o.Triangles[k]; r.A != a || r.B != b || r.C != c {
					t.Fatalf("triangle %d: got %v, want %d %d %d", k, r, a, b, c)
				}
				k++
			}
		}
		if k != len(o.Triangles) || len(o.Vertices) != m.Vertices() {
			t.Fatalf("got %d vertices and %d triangles, want %d and %d", len(o.Vertices), len(o.Triangles), m.Vertices(), k)
		}
	})
}

func Test3MFSameBytesAndRefusals(t *testing.T) {
	var a, b bytes.Buffer
	m := wavyMesh(40)
	for _, w := range []*bytes.Buffer{&a, &b} {
		if err := Write3MF(w, m, WriteOptions{}); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("two writings differ")
	}
	m.Z[7] = float32(math.NaN())
	if err := Write3MF(&a, m, WriteOptions{}); err == nil {
		t.Error("a vertex that is not a number was written")
	}
	if err := Write3MF(&a, &scan.Mesh{}, WriteOptions{}); err == nil {
		t.Error("a mesh without triangles was written")
	}
}

func BenchmarkWrite3MF(b *testing.B) {
	m := wavyMesh(1000)
	var size countingWriter
	if err := Write3MF(&size, m, WriteOptions{}); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(size.n)/float64(m.Triangles()), "B/triangle")
	b.SetBytes(int64(12*m.Vertices() + 12*m.Triangles()))
	for b.Loop() {
		if err := Write3MF(discard{}, m, WriteOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

type countingWriter struct{ n int64 }

func (c *countingWriter) Write(p []byte) (int, error) {
	c.n += int64(len(p))
	return len(p), nil
}
