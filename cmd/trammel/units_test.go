package main

import (
	"context"
	"encoding/json"
	"math"
	"strconv"

	"github.com/rogpeppe/go-internal/testscript"

	"trammel/pipeline/format"
)

// lengths are the numbers of a report that have a unit of length. A flat copy of
// them lets two reports be compared one by one.
type lengths struct {
	Units string
	Files []struct {
		Bounds  struct{ Min, Max [3]float64 }
		Spheres []struct {
			Center, Sigma [3]float64
			Diameter, RMS float64
		}
	}
	Network struct {
		Stations []struct {
			Rotation    []float64
			Translation [3]float64
		}
		Spheres []struct{ Center [3]float64 }
	}
	Mesh struct {
		Deviation struct{ Max, RMS float64 }
		Area      float64
		Triangles int
	}
	Datum struct {
		Translation [3]float64
		RMS         float64
	}
}

func (l *lengths) numbers() []float64 {
	out := []float64{l.Mesh.Deviation.Max, l.Mesh.Deviation.RMS, l.Datum.RMS}
	add := func(vectors ...[3]float64) {
		for _, v := range vectors {
			out = append(out, v[:]...)
		}
	}
	add(l.Datum.Translation)
	for _, f := range l.Files {
		add(f.Bounds.Min, f.Bounds.Max)
		for _, s := range f.Spheres {
			add(s.Center, s.Sigma)
			out = append(out, s.Diameter, s.RMS)
		}
	}
	for _, s := range l.Network.Stations {
		add(s.Translation)
	}
	for _, s := range l.Network.Spheres {
		add(s.Center)
	}
	return out
}

// cmdScaled is "scaled MM-REPORT OTHER-REPORT FACTOR".
func cmdScaled(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: scaled MM-REPORT OTHER-REPORT FACTOR")
	}
	factor, err := strconv.ParseFloat(args[2], 64)
	ts.Check(err)
	var mm, other lengths
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[0])), &mm))
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[1])), &other))
	a, b := mm.numbers(), other.numbers()
	if len(a) != len(b) || len(a) < 50 {
		ts.Fatalf("%d lengths in one report, %d in the other", len(a), len(b))
	}
	for i := range a {
		if !isNear(a[i], b[i]*factor) {
			ts.Fatalf("length %d: %g mm, but %g %s", i, a[i], b[i], other.Units)
		}
	}
	if !isNear(mm.Mesh.Area, other.Mesh.Area*factor*factor) {
		ts.Fatalf("area: %g mm², but %g in %s", mm.Mesh.Area, other.Mesh.Area, other.Units)
	}
	for i, s := range mm.Network.Stations {
		for k, r := range s.Rotation {
			if r != other.Network.Stations[i].Rotation[k] {
				ts.Fatalf("rotation of station %d depends on the unit", i)
			}
		}
	}
}

// isNear allows for the decimals that a report is written with.
func isNear(a, b float64) bool { return math.Abs(a-b) <= 1e-6*math.Abs(a)+1e-3 }

// cmdMeshScaled is "meshscaled MM-MESH OTHER-MESH FACTOR".
func cmdMeshScaled(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: meshscaled MM-MESH OTHER-MESH FACTOR")
	}
	factor, err := strconv.ParseFloat(args[2], 64)
	ts.Check(err)
	one, err := format.Read(context.Background(), ts.MkAbs(args[0]), 0, 1)
	ts.Check(err)
	other, err := format.Read(context.Background(), ts.MkAbs(args[1]), 0, factor)
	ts.Check(err)
	if one.Mesh.Vertices() != other.Mesh.Vertices() || one.Mesh.Vertices() == 0 {
		ts.Fatalf("%d vertices, but %d", one.Mesh.Vertices(), other.Mesh.Vertices())
	}
	var worst float64
	for i := range one.Mesh.Vertices() {
		worst = max(worst, one.Mesh.At(int32(i)).Dist(other.Mesh.At(int32(i))))
	}
	if !(worst < 1e-3) {
		ts.Fatalf("a vertex lies %g mm from where it should", worst)
	}
}
