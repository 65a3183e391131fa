package surface

import (
	"math"
	"math/rand/v2"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// scene collects points with normals from faces of known shape.
type scene struct {
	cloud  *scan.Cloud
	random *rand.Rand
	noise  float64 // of a point along its normal, mm
	tilt   float64 // of a normal, rad
}

func newScene(seed uint64, noise, tilt float64) *scene {
	return &scene{cloud: &scan.Cloud{}, random: rand.New(rand.NewPCG(seed, 5)), noise: noise, tilt: tilt}
}

func (s *scene) add(p, n geom.Vec) {
	s.cloud.Append(p.AddScaled(s.noise*s.random.NormFloat64(), n))
	wobble := geom.Vec{X: s.random.NormFloat64(), Y: s.random.NormFloat64(), Z: s.random.NormFloat64()}.Scale(s.tilt)
	n = n.Add(wobble).Unit()
	s.cloud.NX, s.cloud.NY, s.cloud.NZ = append(s.cloud.NX, float32(n.X)), append(s.cloud.NY, float32(n.Y)), append(s.cloud.NZ, float32(n.Z))
}

// rectangle spreads points at random over corner + a·u + b·v, one a spacing².
func (s *scene) rectangle(corner, a, b geom.Vec, spacing float64) {
	n := a.Cross(b)
	for range int(n.Norm() / (spacing * spacing)) {
		s.add(corner.AddScaled(s.random.Float64(), a).AddScaled(s.random.Float64(), b), n.Unit())
	}
}

// pipe spreads points over the side of an upright cylinder.
func (s *scene) pipe(foot geom.Vec, radius, height, spacing float64) {
	for range int(2 * math.Pi * radius * height / (spacing * spacing)) {
		a := 2 * math.Pi * s.random.Float64()
		n := geom.Vec{X: math.Cos(a), Y: math.Sin(a)}
		s.add(foot.AddScaled(radius, n).Add(geom.Vec{Z: height * s.random.Float64()}), n)
	}
}

// bracket is a box of 800 by 500 by 300 mm with a pipe on it: all six motions are
// held. from and to, shares of the length, cut which part of the sides is seen.
func bracket(seed uint64, noise, from, to float64) *scan.Cloud {
	const spacing = 6
	s := newScene(seed, noise, 0.03)
	x0, long := geom.Vec{X: 800 * from}, geom.Vec{X: 800 * (to - from)}
	wide, high := geom.Vec{Y: 500}, geom.Vec{Z: 300}
	s.rectangle(x0.Add(high), long, wide, spacing)                                         // top
	s.rectangle(x0, long, high, spacing)                                                   // front
	s.rectangle(x0.Add(wide), high, long, spacing)                                         // back
	s.rectangle(geom.Vec{X: 800}, wide, high, spacing)                                     // right end
	s.pipe(geom.Vec{X: 450, Y: 250, Z: 300}, 60, 250, spacing)                             // pipe
	s.rectangle(geom.Vec{X: 600, Y: 150, Z: 330}, wide.Scale(.4), high.Scale(.5), spacing) // a rib across
	return s.cloud
}

func plane(seed uint64, height, noise float64) *scan.Cloud {
	s := newScene(seed, noise, 0.02)
	s.rectangle(geom.Vec{Z: height}, geom.Vec{X: 500}, geom.Vec{Y: 400}, 5)
	return s.cloud
}

func shifted(c *scan.Cloud, by geom.Vec) *scan.Cloud {
	return c.Moved(geom.Pose{R: geom.Identity(), T: by})
}
