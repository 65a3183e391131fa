package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"trammel/pipeline/disk"
	"trammel/pipeline/format"
	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/simulate"
)

// The small capture: two crates among five spheres, seen from four sides. It is
// large enough for the whole program to have something to do at every stage and
// small enough to be built in a moment.

// smallSpheres are the places of the spheres in the crates' own axes, mm. They
// stand higher than the crates, so that every set-up sees all of them.
func smallSpheres() []geom.Vec {
	return []geom.Vec{
		{X: 1300, Y: 700, Z: 1000}, {X: -1200, Y: 900, Z: 1500}, {X: -1000, Y: -1100, Z: 1150},
		{X: 900, Y: -1300, Z: 1800}, {X: 100, Y: 1200, Z: 1250},
	}
}

func smallScene(more ...simulate.Part) *simulate.Scene {
	matt := simulate.Material{Reflectance: 0.6}
	parts := []simulate.Part{
		simulate.At("crate", simulate.Box{Half: geom.Vec{X: 450, Y: 300, Z: 250}}, geom.Vec{Z: 250}, matt),
		simulate.At("lid", simulate.Box{Half: geom.Vec{X: 150, Y: 200, Z: 60}}, geom.Vec{X: 180, Y: -40, Z: 560}, matt),
	}
	for i, c := range smallSpheres() {
		parts = append(parts, simulate.At(fmt.Sprintf("sphere %d", i+1), simulate.Sphere{Radius: 72.5}, c, matt))
	}
	return simulate.NewScene(append(parts, more...)...)
}

// smallSetUps are the poses of the set-ups: 3 m away, looking at the crates.
func smallSetUps() []geom.Pose {
	var out []geom.Pose
	for i, height := range []float64{1500, 700, 1600, 900} {
		at := geom.RotVec(geom.Vec{Z: float64(i)*1.6 + 0.3}).MulVec(geom.Vec{X: 3000, Z: height})
		x := geom.Vec{X: -at.X, Y: -at.Y}.Unit()
		z := geom.Vec{Z: 1}
		out = append(out, geom.Pose{R: geom.Rows(x, z.Cross(x), z).T(), T: at})
	}
	return out
}

// smallSheet is the job sheet of the small capture; units are those of the
// deliverables.
func smallSheet(units string) string {
	var points strings.Builder
	for i, c := range smallSpheres() {
		_, _ = fmt.Fprintf(&points, "    - {name: %c, at: [%g mm, %g mm, %g mm]}\n", 'A'+i, c.X, c.Y, c.Z)
	}
	return fmt.Sprintf(`job: small
title: Two crates
units: %s
captured: true
instruments:
  - name: tripod
    kind: station
    drop: scans/tripod
    units: m
    noise: 1 mm
spheres: {diameter: 145 mm, tolerance: 1 mm}
object:
  box: {min: [-600 mm, -450 mm, -50 mm], max: [600 mm, 450 mm, 750 mm]}
mesh: {voxel: 25 mm, triangles: 20000, deviation: 5 mm}
datum:
  method: control
  points:
%s`, units, points.String())
}

// writeSmall writes the small capture below dir: the sheet, set-ups 1 to 3 in
// the drop folder, and the fourth beside the job, in dir-later.
func writeSmall(ctx context.Context, dir string) error { return writeScene(ctx, dir, smallScene()) }

// writeScene is writeSmall with more in sight.
func writeScene(ctx context.Context, dir string, scene *simulate.Scene) error {
	d := disk.New(nil)
	tripod := simulate.NewTripod(0.2)
	tripod.Azimuth, tripod.Elevation = [2]float64{-40, 40}, [2]float64{-35, 35}
	tripod.Noise = 0.3
	for i, pose := range smallSetUps() {
		cloud, err := tripod.Scan(ctx, scene, pose, uint64(i)+7)
		if err != nil {
			return err
		}
		file := filepath.Join(dir, "scans", "tripod", fmt.Sprintf("s%02d.ply", i+1))
		if i == 3 {
			file = filepath.Join(dir+"-later", "s04.ply")
		}
		if err := d.Mkdir(filepath.Dir(file)); err != nil {
			return err
		}
		err = d.Write(file, func(w io.Writer) error {
			return format.WritePLYCloud(w, cloud, format.WriteOptions{Units: length.Metre})
		})
		if err != nil {
			return err
		}
	}
	return d.Write(filepath.Join(dir, "job.yaml"), func(w io.Writer) error {
		_, err := io.WriteString(w, smallSheet("mm"))
		return err
	})
}
