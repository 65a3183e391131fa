package reduce

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"testing"

	"trammel/pipeline/distance"
	"trammel/pipeline/scan"
)

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

// BenchmarkReduce takes the bench kit's meshes to a tenth. The measurement is
// apart, because a caller may choose its samples.
func BenchmarkReduce(b *testing.B) {
	for _, name := range []string{"mesh-1m.ply", "mesh-10m.ply"} {
		m := benchMesh(b, name)
		b.Run("collapse/"+name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := (&Options{Triangles: m.Triangles() / 10}).first(context.Background(), m); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(m.Triangles())*float64(b.N)/b.Elapsed().Seconds(), "triangles/s")
		})
		b.Run("measured/"+name, func(b *testing.B) {
			b.ReportAllocs()
			var stats Stats
			for b.Loop() {
				r, s, err := Reduce(context.Background(), m, Options{Triangles: m.Triangles() / 10})
				if err != nil {
					b.Fatal(err)
				}
				stats = s
				keepForJudge(b, name, r)
			}
			b.ReportMetric(stats.Deviation.AToB.RMS, "rms-mm")
			b.ReportMetric(stats.Deviation.BToA.RMS, "back-rms-mm")
			b.ReportMetric(stats.Deviation.Max(), "max-mm")
			b.ReportMetric(float64(stats.ComplexEdges), "complex-edges")
		})
	}
}

// BenchmarkReduceWithin measures with an index of what is left of 450 MB beside the mesh;
// GOMEMLIMIT=600MiB holds the process to it.
func BenchmarkReduceWithin(b *testing.B) {
	const memory = 450e6
	m := benchMesh(b, "mesh-10m.ply")
	prepared := func(ctx context.Context, held int64) (*distance.Reference, error) {
		return distance.NewReferenceWithin(ctx, m, max(memory-held, 1))
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Levels(context.Background(), m, prepared, Options{Triangles: m.Triangles() / 10, Memory: memory}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(m.Triangles())*float64(b.N)/b.Elapsed().Seconds(), "triangles/s")
}

// keepForJudge writes the result where the folder TRAMMEL_BENCH_OUT is named, so that
// the kit's own judge can look at it.
func keepForJudge(b *testing.B, name string, m *scan.Mesh) {
	b.Helper()
	dir := os.Getenv("TRAMMEL_BENCH_OUT")
	if dir == "" {
		return
	}
	out := fmt.Appendf(nil, "ply\nformat binary_little_endian 1.0\nelement vertex %d\nproperty float x\nproperty float y\nproperty float z\nelement face %d\nproperty list uchar int vertex_indices\nend_header\n", m.Vertices(), m.Triangles())
	for i := range int32(m.Vertices()) {
		for _, v := range m.At(i).Array() {
			out = binary.LittleEndian.AppendUint32(out, math.Float32bits(float32(v)))
		}
	}
	for t := range m.Triangles() {
		out = append(out, 3)
		for _, v := range m.Tri[3*t : 3*t+3] {
			out = binary.LittleEndian.AppendUint32(out, uint32(v))
		}
	}
	if err := os.WriteFile(dir+"/ours-"+name, out, 0o600); err != nil {
		b.Fatal(err)
	}
}
