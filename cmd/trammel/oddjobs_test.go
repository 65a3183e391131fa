package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"

	"github.com/rogpeppe/go-internal/testscript"

	"trammel/package/report"
	"trammel/pipeline/disk"
	"trammel/pipeline/format"
	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
	"trammel/pipeline/simulate"
)

// cmdOdd is "odd DIR KIND": a job of two set-ups with given poses that look at a block on a
// plate, with something odd about it. KIND is plain; apart: the second one looks at another
// block, 40 m away; single: there is no second one; offset: the second one's pose is 4 mm off,
// away from the block's face; far: all poses lie 10 km from the origin; branched: a tracked
// mesh comes besides, in which a fin stands on a face, so that edges have three triangles, and
// a triangle is there twice; crumbs: two small plates float before the block, one of which is
// outside the box that the sheet keeps.
func cmdOdd(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: odd DIR KIND")
	}
	ts.Check(writeOdd(context.Background(), ts.MkAbs(args[0]), args[1]))
}

func writeOdd(ctx context.Context, dir, kind string) error {
	matt := simulate.Material{Reflectance: 0.6}
	parts := []simulate.Part{
		simulate.At("block", simulate.Box{Half: geom.Vec{X: 150, Y: 250, Z: 200}}, geom.Vec{Z: 200}, matt),
		simulate.At("plate", simulate.Box{Half: geom.Vec{X: 500, Y: 600, Z: 10}}, geom.Vec{Z: -10}, matt),
	}
	if kind == "crumbs" {
		parts = append(parts, simulate.At("chip", simulate.Box{Half: geom.Vec{X: 1, Y: 12, Z: 12}}, geom.Vec{X: 300, Y: 50, Z: 250}, matt),
			simulate.At("beyond", simulate.Box{Half: geom.Vec{X: 1, Y: 60, Z: 60}}, geom.Vec{X: 300, Y: 50, Z: 700}, matt))
	}
	tripod := simulate.NewTripod(0.1)
	tripod.Azimuth, tripod.Elevation, tripod.Noise = [2]float64{-25, 25}, [2]float64{-30, 20}, 0.3
	scans := []geom.Pose{lookingAt(geom.Vec{X: 2200, Y: -500, Z: 900}), lookingAt(geom.Vec{X: 2200, Y: 600, Z: 700})}
	if kind == "single" {
		scans = scans[:1]
	}
	d := disk.New(nil)
	poses := "file,tx,ty,tz,qw,qx,qy,qz\n"
	for i, pose := range scans {
		cloud, err := tripod.Scan(ctx, simulate.NewScene(parts...), pose, uint64(i)+3)
		if err != nil {
			return err
		}
		name := fmt.Sprintf("s%02d.ply", i+1)
		if err := writeTo(d, filepath.Join(dir, "scans", "tripod", name), func(w io.Writer) error {
			return format.WritePLYCloud(w, cloud, format.WriteOptions{Units: length.Millimetre})
		}); err != nil {
			return err
		}
		given := pose
		switch {
		case kind == "apart" && i == 1:
			given.T.Y += 40_000
		case kind == "offset" && i == 1:
			given.T.X += 4
		case kind == "far":
			given.T = given.T.Add(oddFar)
		}
		poses += poseLine(name, given)
	}
	if kind == "branched" {
		if err := writeTo(d, filepath.Join(dir, "scans", "hand", "h.ply"), func(w io.Writer) error {
			return format.WritePLYMesh(w, branched(), format.WriteOptions{Units: length.Millimetre})
		}); err != nil {
			return err
		}
	}
	if err := writeTo(d, filepath.Join(dir, "scans", "tripod", "poses.csv"), func(w io.Writer) error {
		_, err := io.WriteString(w, poses)
		return err
	}); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, "job.yaml"), []byte(oddSheet(kind)), 0o600)
}

// oddFar is a whole number of blocks of eight cells of 4 mm.
var oddFar = geom.Vec{X: 312_500 * 32, Y: -312_500 * 32, Z: 312_500 * 32}

func writeTo(d *disk.Disk, file string, content func(w io.Writer) error) error {
	if err := d.Mkdir(filepath.Dir(file)); err != nil {
		return err
	}
	return d.Write(file, content)
}

// lookingAt is a scanner at a place that looks level against X, at the block.
func lookingAt(at geom.Vec) geom.Pose {
	return geom.Pose{R: geom.RotVec(geom.Vec{Z: math.Atan2(-at.Y, -at.X)}), T: at}
}

func poseLine(name string, p geom.Pose) string {
	turn := math.Atan2(p.R[3], p.R[0]) // about Z alone
	return fmt.Sprintf("%s,%.6f,%.6f,%.6f,%.15g,0,0,%.15g\n", name, p.T.X, p.T.Y, p.T.Z, math.Cos(turn/2), math.Sin(turn/2))
}

func oddSheet(kind string) string {
	sheet := "job: odd\nunits: mm\ncaptured: true\ninstruments:\n  - {name: tripod, kind: station, drop: scans/tripod, units: mm, register: given}\n"
	if kind == "branched" {
		sheet += "  - {name: hand, kind: tracked, drop: scans/hand, units: mm, prefer: true}\n"
	}
	at := geom.Vec{}
	if kind == "far" {
		at = oddFar
	}
	if kind != "apart" {
		sheet += fmt.Sprintf("object:\n  box: {min: [%.0f mm, %.0f mm, %.0f mm], max: [%.0f mm, %.0f mm, %.0f mm]}\n", at.X-480, at.Y-480, at.Z-64, at.X+480, at.Y+480, at.Z+576)
	}
	return sheet + "mesh: {voxel: 4 mm, triangles: 40000, deviation: 1 mm}\n"
}

// branched is the front and a side of the block and a part of the plate, with a fin across the
// front and one triangle twice.
func branched() *scan.Mesh {
	m := &scan.Mesh{}
	grid := func(o, u, v geom.Vec, n, k int) {
		first := int32(m.Vertices())
		for i := range n + 1 {
			for j := range k + 1 {
				m.Append(o.AddScaled(float64(i)/float64(n), u).AddScaled(float64(j)/float64(k), v))
			}
		}
		for i := range n {
			for j := range k {
				a := first + int32(i*(k+1)+j)
				b := a + int32(k) + 1
				m.Tri = append(m.Tri, a, b, b+1, a, b+1, a+1)
			}
		}
	}
	grid(geom.Vec{X: 150, Y: -250}, geom.Vec{Y: 500}, geom.Vec{Z: 400}, 125, 100)
	grid(geom.Vec{X: 150, Y: -250, Z: 400}, geom.Vec{Y: 500}, geom.Vec{X: -200}, 125, 50)
	grid(geom.Vec{X: 350, Y: -250}, geom.Vec{Y: 500}, geom.Vec{X: -200}, 125, 50)
	for z := range int32(50) { // a fin on the edges of the front's middle column
		a := 62*101 + z
		c := m.Append(m.At(a).Add(geom.Vec{X: 4, Z: 2}))
		m.Tri = append(m.Tri, a, a+1, c)
	}
	m.Tri = append(m.Tri, m.Tri[:3]...)
	return m
}

// cmdGrain is "grain NEAR FAR [moved]": two unpacked packages have the same mesh, 10 km apart,
// or moved by some whole metres: the vertices of the far one lie as near to the near one's as
// float32 about an origin of its own can say.
func cmdGrain(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 && (len(args) != 3 || args[2] != "moved") {
		ts.Fatalf("usage: grain NEAR FAR [moved]")
	}
	var m [2]*scan.Mesh
	for i, file := range args[:2] {
		c, err := format.Read(context.Background(), ts.MkAbs(file), 0, 1)
		ts.Check(err)
		m[i] = c.Mesh
	}
	if m[0].Vertices() != m[1].Vertices() || m[0].Triangles() != m[1].Triangles() || m[0].Vertices() == 0 {
		ts.Fatalf("%d vertices and %d triangles near, %d and %d far", m[0].Vertices(), m[0].Triangles(), m[1].Vertices(), m[1].Triangles())
	}
	apart := oddFar
	if len(args) == 3 {
		metres := m[1].At(0).Sub(m[0].At(0)).Scale(1e-3)
		apart = geom.Vec{X: math.Round(metres.X), Y: math.Round(metres.Y), Z: math.Round(metres.Z)}.Scale(1e3)
	}
	worst := 0.0
	for i := range int32(m[0].Vertices()) {
		worst = max(worst, m[1].At(i).Sub(apart).Dist(m[0].At(i)))
	}
	ts.Logf("largest distance %.6f mm over %d vertices", worst, m[0].Vertices())
	if worst > 0.002 {
		ts.Fatalf("vertices are up to %.4f mm apart", worst)
	}
}

// cmdCleaned is "cleaned PLAIN CRUMBS", two reports: of every scan all points are accounted
// for; the chip that floats before the block is in the list of what was left out, where it is
// and no larger than it is; and what the box cut off grew by the plate beyond, once for every
// scan.
func cmdCleaned(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: cleaned PLAIN CRUMBS")
	}
	var r [2]report.Report
	for i, file := range args {
		content, err := os.ReadFile(ts.MkAbs(file))
		ts.Check(err)
		ts.Check(json.Unmarshal(content, &r[i]))
		var used, outside int64
		f := &r[i].Mesh.Fusion
		for _, s := range f.Scans {
			if s.Read == 0 || s.Edges == 0 || s.Read != s.Edges+s.Flat+s.Hidden+s.Outside+s.Used {
				ts.Fatalf("%s: %+v do not add up", file, s)
			}
			used, outside = used+s.Used, outside+s.Outside
		}
		if len(f.Scans) != 2 || used != f.Points || outside != f.Trimmed {
			ts.Fatalf("%s: %d scans, %d points used of %d, %d outside of %d", file, len(f.Scans), used, f.Points, outside, f.Trimmed)
		}
		listed := 0.0
		for _, p := range f.Pieces {
			listed += p.Area
		}
		if len(f.Pieces) > f.Crumbs || listed > f.CrumbArea*1.000001 || len(f.Pieces) == f.Crumbs && listed < f.CrumbArea*0.999999 {
			ts.Fatalf("%s: %d pieces of %.1f mm² are listed, %d of %.1f in all", file, len(f.Pieces), listed, f.Crumbs, f.CrumbArea)
		}
	}
	chip := func(x *report.Fusion) (area float64) {
		for _, p := range x.Pieces {
			if math.Abs(p.At[0]-301) < 8 && math.Abs(p.At[1]-50) < 20 && math.Abs(p.At[2]-250) < 20 {
				area += p.Area
			}
		}
		return area
	}
	if a, b := chip(&r[0].Mesh.Fusion), chip(&r[1].Mesh.Fusion); a != 0 || b < 200 || b > 24*24*1.1 {
		ts.Fatalf("the chip of 576 mm² is listed with %.0f mm², without it %.0f are", b, a)
	}
	for i, s := range r[1].Mesh.Fusion.Scans {
		if more := s.OutsideArea - r[0].Mesh.Fusion.Scans[i].OutsideArea; math.Abs(more-120*120) > 0.12*120*120 {
			ts.Fatalf("%s: %.0f mm² more outside, the plate has 14400", s.Path, more)
		}
	}
}
