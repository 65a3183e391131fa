package pipeline

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/distance"
	"trammel/pipeline/geom"
	"trammel/pipeline/normal"
	"trammel/pipeline/scan"
	"trammel/pipeline/simulate"
	"trammel/pipeline/surface"
)

// onTriangles moves a cloud onto a mesh by point-to-plane steps with the exact closest
// points on its triangles, the plane being the triangle's own, and Tukey's weights: what
// the last scale of an alignment would do with a mesh for its target.
func onTriangles(t *testing.T, source *scan.Cloud, x *distance.Index, m *scan.Mesh, guess geom.Pose, reach float64) geom.Pose {
	t.Helper()
	pose := guess
	for range 25 {
		places := make([]geom.Vec, source.Len())
		for i := range places {
			places[i] = pose.Apply(source.At(i))
		}
		hits, err := x.ClosestAll(t.Context(), places, reach)
		if err != nil {
			t.Fatal(err)
		}
		middle := m.Bounds().Center()
		d, rows, abs := []float64{}, [][6]float64{}, []float64{}
		for i, h := range hits {
			if h.Triangle < 0 {
				continue
			}
			a, b, c := m.Corners(h.Triangle)
			n := b.Sub(a).Cross(c.Sub(a)).Unit()
			off := places[i].Sub(h.Point)
			along := off.Dot(n)
			if n.Dot(pose.Turn(source.Normal(i))) < 0.7 || off.AddScaled(-along, n).Norm() > 0.5 {
				continue // another face, or beyond the border
			}
			turn := places[i].Sub(middle).Cross(n).Scale(1e-3)
			d, abs = append(d, along), append(abs, math.Abs(along))
			rows = append(rows, [6]float64{turn.X, turn.Y, turn.Z, n.X, n.Y, n.Z})
		}
		slices.Sort(abs)
		cut := 4.685 * madToSigma * abs[len(abs)/2]
		h, g := mat.NewSymDense(6, nil), mat.NewVecDense(6, nil)
		for i, r := range rows {
			if u := d[i] / cut; math.Abs(u) < 1 {
				w, v := (1-u*u)*(1-u*u), mat.NewVecDense(6, r[:])
				h.SymRankOne(h, w, v)
				g.AddScaledVec(g, -w*d[i], v)
			}
		}
		var chol mat.Cholesky
		var s mat.VecDense
		if !chol.Factorize(h) || chol.SolveVecTo(&s, g) != nil {
			t.Fatal("not held")
		}
		w, shift := geom.Vec{X: s.AtVec(0), Y: s.AtVec(1), Z: s.AtVec(2)}.Scale(1e-3), geom.Vec{X: s.AtVec(3), Y: s.AtVec(4), Z: s.AtVec(5)}
		r := geom.RotVec(w)
		pose = geom.Pose{R: r, T: middle.Sub(r.MulVec(middle)).Add(shift)}.After(pose)
		if shift.Norm() < 1e-4 {
			break
		}
	}
	return pose
}

// Closest points on triangles in place of the nearest of the thinned places, whose mean
// normals lie half way between both, change the place of a set-up on a hand scan by less
// than its noise does, and do not bring it nearer to the truth: that is why alignment has
// no index of triangles. It stays so for meshes as coarse as the fusion cell.
func TestExactClosestPointsChangeNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("scans a scene")
	}
	scene, _ := handScene()
	runs := uint64(3)
	if *study {
		runs = 20
	}
	for _, spacing := range []float64{2.5, 5, 10} {
		var plain2, exact2, apart2, noise2 float64
		for seed := range runs {
			at := geom.Vec{X: 2300, Y: 900, Z: 1500}
			x, z := geom.Vec{X: -at.X, Y: -at.Y}.Unit(), geom.Vec{Z: 1}
			pose := geom.Pose{R: geom.Rows(x, z.Cross(x), z).T(), T: at}
			tripod := simulate.NewTripod(0.15)
			tripod.Azimuth, tripod.Elevation = [2]float64{-30, 30}, [2]float64{-45, 5}
			cloud, err := tripod.Scan(t.Context(), scene, pose, seed+50)
			if err != nil {
				t.Fatal(err)
			}
			view, err := normal.Estimate(t.Context(), cloud, normal.Options{Kind: normal.Station})
			if err != nil {
				t.Fatal(err)
			}
			source := surface.Thin(withoutEdges(cloud, view), 8)
			box := geom.Box{Min: geom.Vec{X: -1000, Y: -760, Z: 60}, Max: geom.Vec{X: 1000, Y: 760, Z: 1100}}
			var sweeps []simulate.Sweep
			for _, v := range []geom.Vec{{Z: -1}, {X: -1, Z: -0.4}, {Y: -1, Z: -0.4}, {X: -0.7, Y: -0.7, Z: -0.5}} {
				sweeps = append(sweeps, simulate.Sweep{Direction: v, Area: box, Spacing: spacing})
			}
			mesh, err := simulate.NewHand(box.Min.Z, box.Max.Z).Scan(t.Context(), scene, geom.IdentityPose(), sweeps, seed+3)
			if err != nil {
				t.Fatal(err)
			}
			target := surface.Thin(mesh.Cloud(), 2)
			plain, err := surface.Align(t.Context(), source, target, pose, surface.Options{Reach: 24, Grain: max(2, spacing)})
			if err != nil {
				t.Fatal(err)
			}
			index, err := distance.Build(t.Context(), mesh)
			if err != nil {
				t.Fatal(err)
			}
			exact := onTriangles(t, source, index, mesh, plain.SourceToTarget, 3*max(2, spacing))
			for _, q := range box.Corners() {
				own := pose.Inverse().Apply(q)
				p, e := plain.SourceToTarget.Apply(own), exact.Apply(own)
				n := 1 / float64(8*runs)
				plain2, exact2, apart2 = plain2+n*p.Sub(q).Norm2(), exact2+n*e.Sub(q).Norm2(), apart2+n*p.Sub(e).Norm2()
				noise2 += n * plain.At(p).Trace()
			}
		}
		t.Logf("triangles of %.1f mm: %.3f mm off with places, %.3f mm with triangles, %.3f mm apart, sigma %.3f mm (rms of %d)", spacing, math.Sqrt(plain2), math.Sqrt(exact2), math.Sqrt(apart2), math.Sqrt(noise2), runs)
		if math.Sqrt(plain2) > 1.25*math.Sqrt(exact2)+0.05 {
			t.Errorf("triangles of %.1f mm: %.3f mm off, with exact closest points %.3f mm", spacing, math.Sqrt(plain2), math.Sqrt(exact2))
		}
	}
}
