package surface

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"

	"trammel/pipeline/format"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// benchPair reads the pair of the bench kit (shared/bench/gen.py pair --n 1e6): 1 M
// points with normals each, 52 % overlap, 0.3 mm noise, 1.5° and 25 mm apart.
func benchPair(b *testing.B) (source, target *scan.Cloud, sourceToTarget geom.Pose, pivot geom.Vec) {
	dir := os.Getenv("TRAMMEL_BENCH_DATA")
	if dir == "" {
		b.Skip("set TRAMMEL_BENCH_DATA to the folder that holds pair-1m-a.ply of the bench kit")
	}
	var truth struct {
		M     [4][4]float64 `json:"b_to_a"`
		Pivot [3]float64    `json:"pivot"`
	}
	text, err := os.ReadFile(filepath.Join(dir, "pair-1m.json"))
	if err != nil {
		b.Skip(err)
	}
	if err := json.Unmarshal(text, &truth); err != nil {
		b.Fatal(err)
	}
	read := func(name string) *scan.Cloud {
		c, err := format.Read(context.Background(), filepath.Join(dir, name), 0, 1)
		if err != nil {
			b.Fatal(err)
		}
		return c.Cloud
	}
	m := truth.M
	sourceToTarget = geom.Pose{R: geom.Mat{m[0][0], m[0][1], m[0][2], m[1][0], m[1][1], m[1][2], m[2][0], m[2][1], m[2][2]}, T: geom.Vec{X: m[0][3], Y: m[1][3], Z: m[2][3]}}
	return read("pair-1m-b.ply"), read("pair-1m-a.ply"), sourceToTarget, geom.Vec{X: truth.Pivot[0], Y: truth.Pivot[1], Z: truth.Pivot[2]}
}

func BenchmarkPair1M(b *testing.B) {
	source, target, truth, pivot := benchPair(b)
	var r Result
	b.ReportAllocs()
	for b.Loop() {
		var err error
		if r, err = Align(context.Background(), source, target, geom.IdentityPose(), Options{}); err != nil {
			b.Fatal(err)
		}
	}
	off := r.SourceToTarget.After(truth.Inverse())
	b.ReportMetric(float64(source.Len())*float64(b.N)/b.Elapsed().Seconds(), "points/s")
	b.ReportMetric(geom.Angle(off.R)*180/math.Pi*1e5, "1e-5°")
	b.ReportMetric(off.Apply(pivot).Dist(pivot)*1e3, "µm-off")
	b.ReportMetric(math.Sqrt(r.At(pivot).Trace())*1e3, "µm-sigma")
	b.Logf("%d steps, %d pairs, rms %.4f, overlap %.3f", r.Iterations, r.Pairs, r.RMS, r.Overlap)
}
