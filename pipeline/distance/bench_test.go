package distance

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// benchMesh reads a mesh of the bench kit, in the one layout that the kit writes:
// little-endian, float32 x y z, then uchar 3 and three int32 a triangle. The
// folder is named by TRAMMEL_BENCH_DATA.
func benchMesh(b *testing.B, name string) *scan.Mesh {
	b.Helper()
	raw, err := os.ReadFile(os.Getenv("TRAMMEL_BENCH_DATA") + "/" + name)
	if err != nil {
		b.Skip("set TRAMMEL_BENCH_DATA to the folder of the bench kit's meshes:", err)
	}
	header, body, _ := bytes.Cut(raw, []byte("end_header\n"))
	var nv, nf int
	for s := bufio.NewScanner(bytes.NewReader(header)); s.Scan(); {
		_, _ = fmt.Sscanf(s.Text(), "element vertex %d", &nv) // other lines do not match
		_, _ = fmt.Sscanf(s.Text(), "element face %d", &nf)
	}
	m := &scan.Mesh{X: make([]float32, nv), Y: make([]float32, nv), Z: make([]float32, nv), Tri: make([]int32, 3*nf)}
	for i := range nv {
		m.X[i], m.Y[i], m.Z[i] = float32At(body, 12*i), float32At(body, 12*i+4), float32At(body, 12*i+8)
	}
	for i := range m.Tri {
		m.Tri[i] = int32(binary.LittleEndian.Uint32(body[12*nv+13*(i/3)+1+4*(i%3):]))
	}
	return m
}

func float32At(b []byte, i int) float32 {
	return math.Float32frombits(binary.LittleEndian.Uint32(b[i:]))
}

// benchTriangles reports how many triangles a second f takes of the bench kit's meshes.
func benchTriangles(b *testing.B, f func(*scan.Mesh) error) {
	for _, name := range []string{"mesh-1m.ply", "mesh-10m.ply"} {
		b.Run(name, func(b *testing.B) {
			m := benchMesh(b, name)
			b.ReportAllocs()
			for b.Loop() {
				if err := f(m); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(m.Triangles())*float64(b.N)/b.Elapsed().Seconds(), "triangles/s")
		})
	}
}

func BenchmarkBuild(b *testing.B) {
	benchTriangles(b, func(m *scan.Mesh) error {
		_, err := Build(context.Background(), m)
		return err
	})
}

// BenchmarkClosest asks for a million points 3 mm off the surface, in random
// order, with the sign.
func BenchmarkClosest(b *testing.B) {
	for _, name := range []string{"mesh-1m.ply", "mesh-10m.ply"} {
		b.Run(name, func(b *testing.B) {
			m := benchMesh(b, name)
			x := mustBuild(b, m)
			r := rand.New(rand.NewPCG(1, 2))
			p := make([]geom.Vec, 1_000_000)
			for i := range p {
				t := r.IntN(m.Triangles())
				u, v, w := m.Corners(t)
				p[i] = u.Add(v).Add(w).Scale(1.0/3).AddScaled(3, unitNormal(m, int32(t)))
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := x.ClosestAll(context.Background(), p, math.Inf(1)); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(p))*float64(b.N)/b.Elapsed().Seconds(), "points/s")
		})
	}
}

func BenchmarkHilbertOrder(b *testing.B) {
	benchTriangles(b, func(m *scan.Mesh) error {
		_, err := HilbertOrder(context.Background(), m)
		return err
	})
}

// BenchmarkWithin measures a mesh of a million triangles against one of ten, and then asks
// for a million signed distances in random order, with ever fewer bytes for the index.
func BenchmarkWithin(b *testing.B) {
	m, small := benchMesh(b, "mesh-10m.ply"), benchMesh(b, "mesh-1m.ply")
	r := rand.New(rand.NewPCG(1, 2))
	p := make([]geom.Vec, 1_000_000)
	for i := range p {
		t := r.IntN(m.Triangles())
		u, v, w := m.Corners(t)
		p[i] = u.Add(v).Add(w).Scale(1.0/3).AddScaled(3, unitNormal(m, int32(t)))
	}
	whole := treeBytes(m.Triangles(), 0, false)
	for _, share := range []int64{1, 2, 8, 30} {
		ref, err := NewReferenceWithin(context.Background(), m, whole/share)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(fmt.Sprintf("departure/%d", share), func(b *testing.B) {
			b.ReportAllocs()
			places := 0
			for b.Loop() {
				d, err := ref.Departure(context.Background(), small, Options{})
				if err != nil {
					b.Fatal(err)
				}
				places += d.Samples + small.Vertices()
			}
			b.ReportMetric(float64(places)/b.Elapsed().Seconds(), "places/s")
		})
		b.Run(fmt.Sprintf("signed/%d", share), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := ref.ClosestAll(context.Background(), p, math.Inf(1)); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(p))*float64(b.N)/b.Elapsed().Seconds(), "points/s")
		})
	}
}
