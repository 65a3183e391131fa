package fuse

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"trammel/pipeline/geom"
)

// drilled is a plate, seen from above, with a hole of some radius through it, whose wall is
// seen to a depth in the same view; steps are those of the points on either.
func drilled(radius, face, wall, depth float64, seed uint64) View {
	r := rand.New(rand.NewPCG(seed, 5))
	const half = 40
	a := patch(int(2*half/face), face*face, func(u, v float64) (geom.Vec, geom.Vec, bool) {
		p := geom.Vec{X: 2*half*(u-0.5) + face*(r.Float64()-0.5), Y: 2*half*(v-0.5) + face*(r.Float64()-0.5)}
		return p, geom.Vec{Z: 1}, math.Hypot(p.X, p.Y) > radius
	})
	around, down := int(2*math.Pi*radius/wall+0.5), int(depth/wall+0.5)
	area := float32(2 * math.Pi * radius * depth / float64(around*down))
	for i := range around {
		for k := range down {
			t := 2 * math.Pi * (float64(i) + r.Float64()) / float64(around)
			n := geom.Vec{X: -math.Cos(t), Y: -math.Sin(t)}
			a.Cloud.Append(n.Scale(-radius).Add(geom.Vec{Z: -depth * (float64(k) + r.Float64()) / float64(down)}))
			a.Cloud.NX, a.Cloud.NY, a.Cloud.NZ = append(a.Cloud.NX, float32(n.X)), append(a.Cloud.NY, float32(n.Y)), append(a.Cloud.NZ, 0)
			a.Weight, a.Area = append(a.Weight, 1), append(a.Area, area)
		}
	}
	return a
}

// TestEdgesAreNoLips: below the face around a hole the wall stays where it is, also where the face
// is seen much more densely than the wall, or in several layers as by the sweeps of a hand scan.
// Without groups of directions it lies 0.10, 0.30 and 0.34 cells into the hole, and 0.9 at most.
func TestEdgesAreNoLips(t *testing.T) {
	for _, c := range []struct {
		name       string
		face, wall float64 // cells
		layers     int
		off, most  float64 // mean and largest distance into the hole, cells
	}{
		{"even", 0.5, 0.5, 1, 0.06, 0.4},
		{"denser face", 0.25, 1, 1, 0.2, 0.8},
		{"face in four layers", 0.5, 1, 4, 0.2, 0.8},
	} {
		for _, cell := range []float64{2, 3} {
			radius := 3.4 * cell
			v := drilled(radius, c.face*cell, c.wall*cell, 5*cell, 1)
			for k := 1; k < c.layers; k++ {
				o := drilled(radius, c.face*cell, 1e3, 0, uint64(k))
				for i := range o.Cloud.X {
					v.Cloud.Append(o.Cloud.At(i))
					v.Cloud.NX, v.Cloud.NY, v.Cloud.NZ = append(v.Cloud.NX, 0), append(v.Cloud.NY, 0), append(v.Cloud.NZ, 1)
					v.Weight, v.Area = append(v.Weight, 1), append(v.Area, o.Area[i])
				}
			}
			v.ToCommon = geom.Pose{R: askew, T: geom.Vec{X: 3.3, Y: 40.2, Z: 7}}
			m, _ := mustFuse(t, Options{Voxel: cell}, v)
			checkManifold(t, m)
			back := v.ToCommon.Inverse()
			var sum, n, most float64
			for i := range int32(m.Vertices()) {
				p := back.Apply(m.At(i))
				in := (radius - math.Hypot(p.X, p.Y)) / cell
				if p.Z > -0.75*cell || p.Z < -3*cell {
					continue
				}
				sum, n, most = sum+in, n+1, max(most, in)
			}
			name := fmt.Sprintf("%s, cell %v", c.name, cell)
			if !(math.Abs(sum/n) < c.off && most < c.most) {
				t.Errorf("%s: the wall lies %.2f cells into the hole, %.2f at most", name, sum/n, most)
			}
		}
	}
}
