package format

import (
	"bufio"
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"trammel/pipeline/scan"
)

// wavyCloud makes n points with normals on a wavy plane.
func wavyCloud(n int) *scan.Cloud {
	c := &scan.Cloud{}
	for i := range n {
		x, y := float32(i%3000), float32(i)/3000
		c.X, c.Y, c.Z = append(c.X, x), append(c.Y, y), append(c.Z, 50*float32(math.Sin(float64(x+y)/100)))
		c.NX, c.NY, c.NZ = append(c.NX, 0), append(c.NY, 0), append(c.NZ, 1)
	}
	return c
}

func wavyMesh(side int) *scan.Mesh {
	m := &scan.Mesh{}
	for i := range side * side {
		x, y := float32(i%side), float32(i/side)
		m.X, m.Y, m.Z = append(m.X, x), append(m.Y, y), append(m.Z, 50*float32(math.Sin(float64(x+y)/100)))
		if v := int32(i); i%side > 0 && i >= side {
			m.Tri = append(m.Tri, v-int32(side)-1, v-int32(side), v, v-int32(side)-1, v, v-1)
		}
	}
	return m
}

func writeFile(b *testing.B, name string, fill func(w *bufio.Writer) error) string {
	b.Helper()
	path := filepath.Join(b.TempDir(), name)
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	w := bufio.NewWriterSize(f, 1<<20)
	if err := fill(w); err != nil {
		b.Fatal(err)
	}
	if err := w.Flush(); err != nil {
		b.Fatal(err)
	}
	if err := f.Close(); err != nil {
		b.Fatal(err)
	}
	return path
}

func benchRead(b *testing.B, path string) {
	b.Helper()
	info, err := os.Stat(path)
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(info.Size())
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Read(context.Background(), path, 0, 1); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkReadPLYCloud reads 10 M points of 24 bytes from the page cache.
func BenchmarkReadPLYCloud(b *testing.B) {
	benchRead(b, writeFile(b, "a.ply", func(w *bufio.Writer) error { return WritePLYCloud(w, wavyCloud(10_000_000), WriteOptions{}) }))
}

func BenchmarkReadPLYMesh(b *testing.B) {
	benchRead(b, writeFile(b, "a.ply", func(w *bufio.Writer) error { return WritePLYMesh(w, wavyMesh(2000), WriteOptions{}) }))
}

func BenchmarkReadSTL(b *testing.B) {
	benchRead(b, writeFile(b, "a.stl", func(w *bufio.Writer) error { return WriteSTL(w, wavyMesh(1000), WriteOptions{}) }))
}

func BenchmarkReadASCII(b *testing.B) {
	benchRead(b, writeFile(b, "a.xyz", func(w *bufio.Writer) error {
		c := wavyCloud(1_000_000)
		for i := range c.X {
			if _, err := fmt.Fprintf(w, "%.3f %.3f %.3f\n", c.X[i], c.Y[i], c.Z[i]); err != nil {
				return err
			}
		}
		return nil
	}))
}

func BenchmarkWritePLYMesh(b *testing.B) {
	m := wavyMesh(2000)
	b.SetBytes(int64(12*m.Vertices() + 13*m.Triangles()))
	for b.Loop() {
		if err := WritePLYMesh(discard{}, m, WriteOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }
