package pipeline

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// Poses that files bring, and lines of poses.csv, say where a set-up lies on those that
// have a place; where one of the two has none, nothing is guessed.
func TestGuessedPlaces(t *testing.T) {
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dir, "tripod"), 0o700); err != nil {
		t.Fatal(err)
	}
	csv := "file,tx,ty,tz,qw,qx,qy,qz\nc.ply,3,0,0,1,0,0,0\n"
	if err := os.WriteFile(filepath.Join(dir, "tripod", job.PosesCSV), []byte(csv), 0o600); err != nil {
		t.Fatal(err)
	}
	b, _ := twoScans()
	b.Dir = dir
	b.Job.Instruments[0].Drop, b.Job.Instruments[0].Units = "tripod", "m"
	inFile := func(x float64) *geom.Pose { return &geom.Pose{R: geom.Identity(), T: geom.Vec{X: x}} }
	b.Files = []File{{Path: "tripod/a.ply", Pose: inFile(1000)}, {Path: "tripod/b.ply", Pose: inFile(2500)}, {Path: "tripod/c.ply"}, {Path: "tripod/d.ply"}}
	y := &tying{built: b, checked: &b.Checked}
	if err := y.listPoses(); err != nil {
		t.Fatal(err)
	}
	turned := geom.Pose{R: geom.RotVec(geom.Vec{Z: 1}), T: geom.Vec{Y: 7}}
	for i := range b.Files {
		y.bodies = append(y.bodies, body{file: i, toNetwork: turned})
	}
	if g := y.guess(&y.bodies[1], []int{0}); len(g) != 1 || g[0].T.Dist(turned.Apply(geom.Vec{X: 1500})) > 1e-9 {
		t.Errorf("of two files with poses: %+v", g)
	}
	if g := y.guess(&y.bodies[2], []int{0, 1}); len(g) != 1 || g[0].T.Dist(turned.Apply(geom.Vec{X: 500})) > 1e-9 {
		t.Errorf("of a line of poses.csv, on the next in the list: %+v", g)
	}
	if g := y.guess(&y.bodies[3], []int{0, 1}); g != nil {
		t.Errorf("without a pose: %+v", g)
	}
	if g := y.guess(&y.bodies[1], []int{3}); g != nil {
		t.Errorf("on one without a pose: %+v", g)
	}
	if err := os.WriteFile(filepath.Join(dir, "tripod", job.PosesCSV), []byte("x,y\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var wrong *job.SheetError
	if err := y.listPoses(); !errors.As(err, &wrong) {
		t.Errorf("a wrong poses.csv: %v", err)
	}
}
