package scan

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
)

func cloudOf(origin geom.Vec, points ...geom.Vec) *Cloud {
	c := &Cloud{Origin: origin}
	for _, p := range points {
		c.Append(p)
	}
	return c
}

func withNormals(c *Cloud, n geom.Vec) *Cloud {
	for range c.Len() {
		c.NX, c.NY, c.NZ = append(c.NX, float32(n.X)), append(c.NY, float32(n.Y)), append(c.NZ, float32(n.Z))
	}
	return c
}

// cube is a closed mesh of 12 triangles with its corners at ±half about center.
func cube(center geom.Vec, half float64) *Mesh {
	m := &Mesh{Origin: center}
	for i := range 8 {
		s := func(bit int) float64 { return half * float64(2*(i>>bit&1)-1) }
		m.Append(center.Add(geom.Vec{X: s(0), Y: s(1), Z: s(2)}))
	}
	m.Tri = []int32{
		0, 2, 3, 0, 3, 1, 4, 5, 7, 4, 7, 6, // bottom, top
		0, 1, 5, 0, 5, 4, 2, 6, 7, 2, 7, 3, // front, back
		0, 4, 6, 0, 6, 2, 1, 3, 7, 1, 7, 5, // left, right
	}
	return m
}

func TestBounds(t *testing.T) {
	far := geom.Vec{X: 1e7, Y: -1e7, Z: 500}
	c := cloudOf(far, far.Add(geom.Vec{X: -1, Y: 2, Z: 3}), far.Add(geom.Vec{X: 4, Y: -5, Z: 6}))
	want := geom.Box{Min: far.Add(geom.Vec{X: -1, Y: -5, Z: 3}), Max: far.Add(geom.Vec{X: 4, Y: 2, Z: 6})}
	if got := c.Bounds(); got != want {
		t.Errorf("cloud: got %v, want %v", got, want)
	}
	if !(&Cloud{Origin: far}).Bounds().IsEmpty() || !(&Mesh{Origin: far}).Bounds().IsEmpty() {
		t.Error("a buffer without points has a box")
	}
	if got := cube(far, 3).Bounds(); got.Center() != far || got.Size() != (geom.Vec{X: 6, Y: 6, Z: 6}) {
		t.Errorf("cube: got %v", got)
	}
}

// A float32 keeps 0.5 µm at 5 m from the origin, wherever the origin is.
func TestPrecisionNearTheOrigin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64Range(-5000, 5000)
		origin := geom.Vec{X: 1e7, Y: -1e7, Z: 1e6}
		p := origin.Add(geom.Vec{X: f.Draw(t, "x"), Y: f.Draw(t, "y"), Z: f.Draw(t, "z")})
		if d := cloudOf(origin, p).At(0).Dist(p); d > 0.5e-3 {
			t.Errorf("%v came back %.3g mm off", p, d)
		}
	})
}

func TestMovedKeepsPrecisionAndNormals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64Range(-3, 3)
		pose := geom.Pose{R: geom.RotVec(geom.Vec{X: f.Draw(t, "a"), Y: f.Draw(t, "b"), Z: f.Draw(t, "c")}), T: geom.Vec{X: 1e7, Y: 20}}
		p, n := geom.Vec{X: 700, Y: -300, Z: 200}, geom.Vec{Z: 1}
		c := withNormals(cloudOf(geom.Vec{X: 500}, p, p.Scale(2)), n)
		c.Intensity = []float32{7, 8}
		m := c.Moved(pose)
		if d := m.At(0).Dist(pose.Apply(p)); d > 1e-3 {
			t.Errorf("moved point is %.3g mm off", d)
		}
		if d := m.Normal(1).Dist(pose.Turn(n)); d > 1e-6 {
			t.Errorf("turned normal is %.3g off", d)
		}
		if m.Intensity[1] != 8 || c.At(0).Dist(p) > 1e-3 {
			t.Error("the intensity is lost, or the cloud itself was moved")
		}
	})
}

func TestMovedWithoutNormals(t *testing.T) {
	m := cloudOf(geom.Vec{}, geom.Vec{X: 1}).Moved(geom.IdentityPose())
	if m.HasNormals() || m.NX != nil {
		t.Error("normals appeared from nowhere")
	}
}

func TestJoin(t *testing.T) {
	up := geom.Vec{Z: 1}
	far := geom.Vec{X: 1e7}
	a := func() *Cloud { return withNormals(cloudOf(far, far.Add(geom.Vec{X: 1})), up) }
	b := func() *Cloud {
		return withNormals(cloudOf(far.Add(geom.Vec{Y: 9}), far.Add(geom.Vec{X: 2}), far.Add(geom.Vec{X: 3})), up)
	}
	bare := cloudOf(far, far.Add(geom.Vec{X: 4}))
	cases := []struct {
		name    string
		parts   []*Cloud
		points  int
		normals bool
	}{
		{"two with normals", []*Cloud{a(), b()}, 3, true},
		{"an empty part does no harm", []*Cloud{{}, a(), b()}, 3, true},
		{"one part without normals", []*Cloud{a(), bare, b()}, 4, false},
		{"nothing", nil, 0, false},
	}
	for _, c := range cases {
		j := Join(c.parts)
		if j.Len() != c.points || j.HasNormals() != c.normals || len(j.NX) != 0 && len(j.NX) != j.Len() {
			t.Errorf("%s: %d points, %d normals", c.name, j.Len(), len(j.NX))
		}
		k := 0
		for _, p := range c.parts {
			for i := range p.Len() {
				if d := j.At(k).Dist(p.At(i)); d > 1e-5 {
					t.Errorf("%s: point %d is %.3g mm off", c.name, k, d)
				}
				k++
			}
		}
	}
}

func TestAreaOfKnownBodies(t *testing.T) {
	if got := cube(geom.Vec{X: 1e7}, 5).Area(); math.Abs(got-600) > 1e-9 {
		t.Errorf("cube of 10 mm: got %.9g mm², want 600", got)
	}
	flat := &Mesh{X: []float32{0, 3, 0}, Y: []float32{0, 0, 4}, Z: []float32{0, 0, 0}, Tri: []int32{0, 1, 2}}
	if got := flat.Area(); got != 6 {
		t.Errorf("triangle 3-4-5: got %g mm², want 6", got)
	}
	if got := (&Mesh{}).Area(); got != 0 {
		t.Errorf("no triangles: got %g", got)
	}
}

// The faces at a cube's corner pull on its normal with one or two triangles each,
// as their diagonals run, so it leans outward without being the exact diagonal.
func TestMeshCloudNormalsPointOutward(t *testing.T) {
	m := cube(geom.Vec{X: 1e7, Y: 5}, 5)
	m.Append(m.Origin) // a vertex without a triangle
	c := m.Cloud()
	for i := range 8 {
		out := c.At(i).Sub(m.Origin)
		n := c.Normal(i)
		if math.Abs(n.Norm()-1) > 1e-6 || n.Dot(out.Unit()) < 0.8 {
			t.Errorf("corner %v has the normal %v", out, n)
		}
	}
	if c.Normal(8) != (geom.Vec{}) || c.Len() != 9 || !c.HasNormals() {
		t.Errorf("loose vertex: normal %v of %d", c.Normal(8), c.Len())
	}
}

// Weights by area: a large horizontal triangle and a small vertical one that share
// a vertex; the mean is the vector area, (5, 0, 50) here.
func TestMeshCloudWeighsByArea(t *testing.T) {
	m := &Mesh{X: []float32{0, 10, 0, 0}, Y: []float32{0, 0, 10, 1}, Z: []float32{0, 0, 0, 0}, Tri: []int32{0, 1, 2}}
	v := m.Append(geom.Vec{Z: 10})
	m.Tri = append(m.Tri, 0, 3, v)
	want := geom.Vec{X: 5, Z: 50}.Unit()
	if n := m.Cloud().Normal(0); n.Dist(want) > 1e-6 {
		t.Errorf("got %v, want %v", n, want)
	}
}

func TestKeepLeavesOrderAndColumnsAlone(t *testing.T) {
	c := withNormals(cloudOf(geom.Vec{}, geom.Vec{X: 0}, geom.Vec{X: 1}, geom.Vec{X: 2}, geom.Vec{X: 3}), geom.Vec{Z: 1})
	c.Intensity, c.Row = []float32{10, 11, 12, 13}, []int32{0, 1, 2, 3}
	c.Keep(1, []bool{false, true, false})
	if c.Len() != 2 || c.At(0).X != 0 || c.At(1).X != 2 || len(c.NZ) != 2 || c.Intensity[1] != 12 || c.Row[1] != 2 || c.Column != nil {
		t.Errorf("got %+v", c)
	}
}
