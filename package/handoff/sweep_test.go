package handoff

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"trammel/package/bag"
	"trammel/pipeline/disk"
	"trammel/pipeline/format"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/journal"
	"trammel/pipeline/length"
	"trammel/pipeline/simulate"
)

const tinySheet = `job: tiny
units: mm
captured: true
instruments:
  - {name: t, kind: station, drop: scans, register: given, units: mm, expect: 2}
mesh: {voxel: 20 mm, deviation: 5 mm}
object: {box: {min: [-700 mm, -700 mm, 5 mm], max: [700 mm, 700 mm, 900 mm]}}
`

// tinyJob writes a job of two scans of a box on a floor, with given poses.
func tinyJob(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "tiny")
	scene := simulate.NewScene(
		simulate.At("floor", simulate.Box{Half: geom.Vec{X: 4000, Y: 4000, Z: 50}}, geom.Vec{Z: -50}, simulate.Material{Reflectance: 0.6}),
		simulate.At("box", simulate.Box{Half: geom.Vec{X: 400, Y: 300, Z: 350}}, geom.Vec{Z: 350}, simulate.Material{Reflectance: 0.6}))
	poses := "file,tx,ty,tz,qw,qx,qy,qz\n"
	for k, x := range []float64{-2000, 2000} {
		pose := geom.Pose{R: geom.RotVec(geom.Vec{Z: float64(k) * math.Pi}), T: geom.Vec{X: x, Y: 700, Z: 1200}}
		cloud, err := simulate.NewTripod(0.7).Scan(t.Context(), scene, pose, uint64(k+1))
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := format.WritePLYCloud(&b, cloud, format.WriteOptions{Units: length.Millimetre}); err != nil {
			t.Fatal(err)
		}
		name := fmt.Sprintf("s%d.ply", k)
		put(t, filepath.Join(dir, "scans", name), b.Bytes())
		q := geom.QuatOf(pose.R)
		poses += fmt.Sprintf("%s,%v,%v,%v,%v,%v,%v,%v\n", name, pose.T.X, pose.T.Y, pose.T.Z, q.W, q.X, q.Y, q.Z)
	}
	put(t, filepath.Join(dir, "scans", job.PosesCSV), []byte(poses))
	put(t, filepath.Join(dir, job.SheetName), []byte(tinySheet))
	return dir
}

func put(t *testing.T, path string, content []byte) {
	t.Helper()
	if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, content, 0o644)); err != nil {
		t.Fatal(err)
	}
}

func request(t *testing.T, dir string, d *disk.Disk) Request {
	t.Helper()
	sheet, text, err := job.ReadSheet(filepath.Join(dir, job.SheetName))
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	return Request{Dir: dir, Sheet: sheet, SheetText: text, Disk: d, Log: zerolog.New(io.Discard), Now: func() time.Time { return now }, Version: "test"}
}

// deliverables returns what must be the same bytes for the same inputs.
func deliverables(t *testing.T, pkg string) map[string]string {
	t.Helper()
	out := map[string]string{}
	v, err := bag.Verify(pkg, func(p string, content []byte) {
		if strings.HasPrefix(p, "data/mesh/") || p == "data/report/datum-report.json" {
			out[p] = sumHex(content)
		}
	})
	if err != nil || !v.Valid || len(out) != 4 {
		t.Fatalf("%s: %v, faults %v, %d deliverables", pkg, err, v.Faults, len(out))
	}
	return out
}

func TestBuildTwiceAndAfterANote(t *testing.T) {
	dir := tinyJob(t)
	first, err := Build(t.Context(), request(t, dir, disk.New(nil)))
	if err != nil || first.Package == "" || first.Revision != 1 || first.Unchanged {
		t.Fatalf("%+v, %v", first, err)
	}
	again, err := Build(t.Context(), request(t, dir, disk.New(nil)))
	if err != nil || !again.Unchanged || again.Package != first.Package || again.Computed != 0 {
		t.Errorf("again: unchanged %v, %s, %d computed, %v", again.Unchanged, again.Package, again.Computed, err)
	}
	put(t, filepath.Join(dir, "notes", "wind.txt"), []byte("It was windy."))
	third, err := Build(t.Context(), request(t, dir, disk.New(nil)))
	if err != nil || third.Revision != 2 || third.Computed != 0 {
		t.Errorf("after a note: revision %d, %d computed, %v", third.Revision, third.Computed, err)
	}
	if e, err := journal.Read(filepath.Join(dir, job.LogName)); err != nil || len(e) == 0 {
		t.Errorf("log: %v", err)
	}
}

func TestRevisionsAreNeverTakenTwice(t *testing.T) {
	dir := tinyJob(t)
	put(t, filepath.Join(dir, "out", "tiny-r001.zip"), []byte("someone else's"))
	if err := os.Mkdir(filepath.Join(dir, "out", "TINY-R004.tar.zst"), 0o755); err != nil {
		t.Fatal(err)
	}
	out, err := Build(t.Context(), request(t, dir, disk.New(nil)))
	if err != nil || out.Revision != 5 {
		t.Errorf("revision %d, %v; want the next one free, 5", out.Revision, err)
	}
	if b, err := os.ReadFile(filepath.Join(dir, "out", "tiny-r001.zip")); err != nil || string(b) != "someone else's" {
		t.Errorf("the file in the way is now %q, %v", b, err)
	}
}

func TestTwoBuildsOfOneJob(t *testing.T) {
	dir := tinyJob(t)
	r := request(t, dir, disk.New(nil))
	release, err := r.hold()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Build(t.Context(), request(t, dir, disk.New(nil))); !errors.Is(err, ErrBusy) || !strings.Contains(err.Error(), "process") {
		t.Errorf("got %v", err)
	}
	if err := release(); err != nil {
		t.Fatal(err)
	}
}

// TestFaultSweep lets the n-th disk operation fail, for n over the whole build: no
// half package is ever seen, the error names a path, and the next build without
// faults gives the same bytes as one that was never disturbed.
func TestFaultSweep(t *testing.T) {
	if testing.Short() {
		t.Skip("the sweep builds a job some twenty-five times")
	}
	dir := tinyJob(t)
	count := disk.New(nil)
	undisturbed, err := Build(t.Context(), request(t, dir, count))
	if err != nil {
		t.Fatal(err)
	}
	want := deliverables(t, undisturbed.Package)
	total := count.Operations()
	step := max(1, total/12)
	for n := int64(1); n <= total; n += step {
		reset(t, dir)
		faulty := disk.New(func(i int64, _, _ string) error {
			if i >= n && i < n+2 { // the operation, and the one that would clean up
				return syscall.EIO
			}
			return nil
		})
		_, err := Build(context.Background(), request(t, dir, faulty))
		if err == nil {
			t.Errorf("operation %d of %d failed and nobody noticed", n, total)
		} else if !errors.Is(err, syscall.EIO) || !strings.Contains(err.Error(), dir) {
			t.Errorf("operation %d: the error does not say what failed where: %v", n, err)
		}
		out, err := Build(context.Background(), request(t, dir, disk.New(nil)))
		if err != nil {
			t.Fatalf("after a fault at %d: %v", n, err)
		}
		for name, sum := range deliverables(t, out.Package) {
			if sum != want[name] && out.Revision == 1 {
				t.Errorf("after a fault at %d, %s differs", n, name)
			}
		}
	}
}

// reset takes away what a build has written.
func reset(t *testing.T, dir string) {
	t.Helper()
	for _, n := range []string{job.WorkDir, job.OutDir, job.LogName} {
		if err := os.RemoveAll(filepath.Join(dir, n)); err != nil {
			t.Fatal(err)
		}
	}
}
