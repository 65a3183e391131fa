package intake

import (
	"math/rand/v2"
	"testing"

	"trammel/pipeline/scan"
)

func crowd(n int) *scan.Cloud {
	r := rand.New(rand.NewPCG(3, 4))
	c := &scan.Cloud{}
	for range n {
		c.X, c.Y, c.Z = append(c.X, 5000*r.Float32()), append(c.Y, 3000*r.Float32()), append(c.Z, 2000*r.Float32())
		c.NX, c.NY, c.NZ = append(c.NX, 0), append(c.NY, 0), append(c.NZ, 1)
		c.Intensity = append(c.Intensity, float32(len(c.X)))
	}
	return c
}

// One point in ten thousand lies at 10⁷ m, as in the fault list of absurd points.
func TestDropAbsurd(t *testing.T) {
	c := crowd(20_000)
	c.X[7], c.Y[12_345] = 1e10, -1e10
	if left := DropAbsurd(c); left != 2 || c.Len() != 19_998 || !c.HasNormals() || len(c.Intensity) != c.Len() {
		t.Fatalf("left out %d, %d remain, normals %v, %d intensities", left, c.Len(), c.HasNormals(), len(c.Intensity))
	}
	if size := c.Bounds().Size(); size.X > 5000 || size.Y > 3000 {
		t.Errorf("bounds %v", size)
	}
	if c.Intensity[7] != 9 {
		t.Errorf("the order changed: %v", c.Intensity[:10])
	}
}

func TestDropAbsurdKeepsAWideScan(t *testing.T) {
	c := crowd(1000)
	c.X[0] = 300_000 // a facade at 300 m in a scan of a hall
	if left := DropAbsurd(c); left != 0 {
		t.Errorf("left out %d points of a wide scan", left)
	}
	if left := DropAbsurd(&scan.Cloud{}); left != 0 {
		t.Errorf("left out %d of nothing", left)
	}
}

func TestDropAbsurdVertices(t *testing.T) {
	c := crowd(1000)
	m := &scan.Mesh{X: c.X, Y: c.Y, Z: c.Z, Tri: []int32{0, 1, 2, 1, 500, 2, 997, 998, 999}}
	m.Z[500] = 1e9
	if left := DropAbsurdVertices(m); left != 1 || m.Vertices() != 999 || m.Triangles() != 2 {
		t.Fatalf("left out %d, %d vertices, %d triangles remain", left, m.Vertices(), m.Triangles())
	}
	if m.Tri[3] != 996 || m.Tri[5] != 998 {
		t.Errorf("vertices were not numbered again: %v", m.Tri)
	}
}
