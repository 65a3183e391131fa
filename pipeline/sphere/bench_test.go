package sphere

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"math"
	"os"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// room10M reads the bench kit's room where it lies at the path in TRAMMEL_ROOM.
func room10M(t testing.TB) (*scan.Cloud, []geom.Vec) {
	path := os.Getenv("TRAMMEL_ROOM")
	if path == "" {
		t.Skip("TRAMMEL_ROOM names no room-10m.ply")
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(data, []byte("end_header\n")) + len("end_header\n")
	n := (len(data) - at) / 12
	c := &scan.Cloud{X: make([]float32, n), Y: make([]float32, n), Z: make([]float32, n)}
	for i := range n {
		p := data[at+12*i:]
		c.X[i] = math.Float32frombits(binary.LittleEndian.Uint32(p))
		c.Y[i] = math.Float32frombits(binary.LittleEndian.Uint32(p[4:]))
		c.Z[i] = math.Float32frombits(binary.LittleEndian.Uint32(p[8:]))
	}
	text, err := os.ReadFile(path[:len(path)-4] + ".json")
	if err != nil {
		t.Fatal(err)
	}
	var truth struct{ Spheres []struct{ Center [3]float64 } }
	if err := json.Unmarshal(text, &truth); err != nil {
		t.Fatal(err)
	}
	var centers []geom.Vec
	for _, s := range truth.Spheres {
		centers = append(centers, geom.FromArray(s.Center))
	}
	return c, centers
}

// The bench kit's room of 10 M points: six of six, nothing else, and the centres
// within three of the errors that plain least squares of exactly their points
// expects (0.009 to 0.062 mm, from the kit's first-order figures).
func TestRoom10M(t *testing.T) {
	c, truth := room10M(t)
	r := find(t, c, Options{Diameter: 145, Tolerance: 1})
	match(t, "room-10m", r.Spheres, truth)
	limits := []float64{0.009, 0.014, 0.021, 0.033, 0.046, 0.062}
	for i, s := range r.Spheres {
		off := math.Inf(1)
		for _, q := range truth {
			off = min(off, q.Dist(s.Center))
		}
		if i < len(limits) && off > 3*limits[i] {
			t.Errorf("the sphere at %.0f mm is %.4f mm off, the limit is %.3f", s.Distance, off, limits[i])
		}
		t.Logf("at %.0f mm: %.4f mm off, sigma %.4f, diameter %.3f ± %.3f, rms %.3f, %d points", s.Distance, off, math.Sqrt(s.Cov.Trace()), s.Diameter, s.DiameterSigma, s.RMS, s.Points)
	}
}

func BenchmarkRoom10M(b *testing.B) {
	c, _ := room10M(b)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Find(context.Background(), c, Options{Diameter: 145, Tolerance: 1}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(c.Len())*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mpoints/s")
}
