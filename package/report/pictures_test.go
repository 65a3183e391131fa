package report

import (
	"bytes"
	"context"
	"image"
	_ "image/png"
	"math"
	"testing"

	"trammel/pipeline"
	"trammel/pipeline/datum"
	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/network"
	"trammel/pipeline/scan"
)

// hull is a closed wavy body of 2·n² triangles, about 3 m long, and its departure.
func hull(n int) (*scan.Mesh, []float32) {
	m := &scan.Mesh{}
	var departure []float32
	for i := range n {
		for k := range n {
			u, v := 2*math.Pi*float64(i)/float64(n), 2*math.Pi*float64(k)/float64(n)
			r := 500 + 60*math.Sin(7*u)*math.Cos(5*v)
			s, c := math.Sincos(u)
			m.X = append(m.X, float32(1.3*(1100+r*math.Cos(v))*c))
			m.Y = append(m.Y, float32((1100+r*math.Cos(v))*s))
			m.Z = append(m.Z, float32(800+r*math.Sin(v)))
			departure = append(departure, float32(0.45*math.Sin(11*u)*math.Sin(9*v)))
			a, b := int32(i*n+k), int32(i*n+(k+1)%n)
			c2, d := int32((i+1)%n*n+k), int32((i+1)%n*n+(k+1)%n)
			m.Tri = append(m.Tri, a, c2, b, b, c2, d)
		}
	}
	return m, departure
}

// built is a job of four set-ups, one of them not tied, and four spheres.
func built(n int) *pipeline.Built {
	b := &pipeline.Built{Checked: pipeline.Checked{ToFrame: geom.IdentityPose(), Datum: &datum.Result{OK: true}}}
	b.Job = &job.Sheet{Job: "2026-041", Units: length.Millimetre, Mesh: job.Mesh{Deviation: 0.5}}
	b.Units = length.Millimetre
	net := &network.Result{}
	for k, at := range []geom.Vec{{X: -3500, Y: -2600, Z: 300}, {X: 3600, Y: -2500, Z: 500}, {X: 3400, Y: 2700, Z: 400}, {X: -3600, Y: 2500, Z: 900}} {
		net.Spheres = append(net.Spheres, network.SphereResult{ID: []string{"S1", "S2", "S3", "S4"}[k], Center: at, Cov: geom.Diag(0.04, 0.09, 0.02), Status: []network.Status{network.Used, network.Moved, network.Used, network.Single}[k]})
	}
	for i, at := range []geom.Vec{{X: -4500, Y: 0, Z: 1500}, {X: 0, Y: -4000, Z: 600}, {X: 4600, Y: 300, Z: 1500}, {}} {
		b.Files = append(b.Files, pipeline.File{Path: []string{"scans/tripod/s01.ply", "scans/tripod/s02.ply", "scans/tripod/s03.ply", "scans/tripod/s<4>.ply"}[i]})
		pose := geom.IdentityPose()
		pose.T = at
		b.Stations = append(b.Stations, pipeline.Station{File: i, ToNetwork: pose, Linked: i < 3, Solved: i})
		var cov fit.Mat6
		cov[21], cov[28], cov[35] = 0.05, 0.02, 0.01
		net.Stations = append(net.Stations, network.StationResult{Spheres: []int{0, 1, 2, 3, -1}, Cov: cov})
	}
	b.Network = net
	b.Surface, b.Departure = hull(n)
	b.Mesh = pipeline.MeshFacts{Triangles: b.Surface.Triangles(), DeviationMax: 0.47, Bounds: b.Surface.Bounds()}
	return b
}

func TestDraw(t *testing.T) {
	b := built(120)
	p, err := Draw(context.Background(), b)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Renders) != 3 || p.Departure == nil || len(p.Plan.PNG) == 0 {
		t.Fatalf("got %d renders, departure %v, plan of %d bytes", len(p.Renders), p.Departure, len(p.Plan.PNG))
	}
	for i, x := range append(p.Renders, *p.Departure, Picture{PNG: p.Plan.PNG}) {
		if _, _, err := image.DecodeConfig(bytes.NewReader(x.PNG)); err != nil || len(x.PNG) > largestPNG {
			t.Errorf("picture %d: %d bytes, %v", i, len(x.PNG), err)
		}
	}
	for _, want := range []string{"s01", "s02", "s03", "S1", "S4", "datum axes"} {
		if !bytes.Contains(p.Plan.SVG, []byte(want)) {
			t.Errorf("the plan does not say %q", want)
		}
	}
	if bytes.Contains(p.Plan.SVG, []byte("s&lt;4&gt;")) || bytes.Contains(p.Plan.SVG, []byte("s<4>")) {
		t.Error("a set-up that is not tied has a place in the plan")
	}
}

func TestDrawIsTheSameTwice(t *testing.T) {
	a, errA := Draw(context.Background(), built(60))
	b, errB := Draw(context.Background(), built(60))
	if errA != nil || errB != nil {
		t.Fatal(errA, errB)
	}
	if !bytes.Equal(a.Plan.SVG, b.Plan.SVG) || !bytes.Equal(a.Plan.PNG, b.Plan.PNG) || !bytes.Equal(a.Departure.PNG, b.Departure.PNG) || !bytes.Equal(a.Renders[2].PNG, b.Renders[2].PNG) {
		t.Error("the same job was drawn in two ways")
	}
}

func TestDrawLeavesOutWhatIsNotThere(t *testing.T) {
	b := built(8)
	b.Departure = nil
	if p, err := Draw(context.Background(), b); err != nil || p.Departure != nil || len(p.Renders) != 3 {
		t.Errorf("without a departure: %v, %d renders, %v", p.Departure, len(p.Renders), err)
	}
	b.Surface = &scan.Mesh{}
	if p, err := Draw(context.Background(), b); err != nil || len(p.Renders) != 0 || len(p.Plan.PNG) == 0 {
		t.Errorf("without triangles: %d renders, plan of %d bytes, %v", len(p.Renders), len(p.Plan.PNG), err)
	}
	p, err := Draw(context.Background(), &pipeline.Built{Checked: pipeline.Checked{ToFrame: geom.IdentityPose()}})
	if err != nil || len(p.Plan.PNG) != 0 || len(p.Renders) != 0 || p.Departure != nil {
		t.Errorf("an empty job gave %d bytes of plan, %d renders, %v", len(p.Plan.PNG), len(p.Renders), err)
	}
}

func TestScaleEnd(t *testing.T) {
	nan, inf := float32(math.NaN()), float32(math.Inf(-1))
	values := []float32{nan, inf, -9}
	for i := range 2000 {
		values = append(values, float32(i%2*2-1)*0.25)
	}
	// One stray of 2001 values is less than one in a thousand.
	if got := ScaleEnd(values, 1000); got != 0.25 {
		t.Errorf("the scale ends at %v, want 0.25", got)
	}
	if got := ScaleEnd([]float32{0.1, -0.3}, 1000); math.Abs(got-0.1) > 1e-6 && math.Abs(got-0.3) > 1e-6 {
		t.Errorf("of two values the scale ends at %v", got)
	}
	if got := ScaleEnd([]float32{nan}, 1000) + ScaleEnd(nil, 1000); got != 0 {
		t.Errorf("without values the scale ends at %v", got)
	}
}

func BenchmarkDraw(b *testing.B) {
	job := built(400)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Draw(context.Background(), job); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N*job.Surface.Triangles())/b.Elapsed().Seconds(), "triangles/s")
}
